package main

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"
)

// source is the commit that is packaged.
type source struct {
	root       string            // of the module
	version    string            // as Debian orders versions
	commit     string            // whole hash
	time       time.Time         // of the commit: the time of every file
	maintainer string            // who hands the package on
	scripts    map[string][]byte // what the package manager runs, by name
}

// goArch tells the Go tool what a Debian architecture is. armhf is ARMv7 with floating point (Debian's wiki,
// ArmHardFloatPort), which leaves out the oldest small boards.
var goArch = map[string][]string{
	"amd64": {"GOARCH=amd64"},
	"arm64": {"GOARCH=arm64"},
	"armhf": {"GOARCH=arm", "GOARM=7"},
}

// findSource asks git for the commit. Changed files are refused unless that is meant: nobody could build the same again.
func findSource(ctx context.Context, dirty bool) (*source, error) {
	mod, err := command(ctx, "", nil, "go", "env", "GOMOD")
	if err != nil {
		return nil, err
	}
	s := &source{root: filepath.Dir(strings.TrimSpace(mod))}
	status, err := command(ctx, s.root, nil, "git", "status", "--porcelain", "--untracked-files=no")
	if err != nil {
		return nil, err
	}
	if status != "" && !dirty {
		return nil, fmt.Errorf("files differ from the commit (--dirty builds all the same):\n%s", status)
	}
	head, err := command(ctx, s.root, nil, "git", "log", "-1", "--format=%H %ct")
	if err != nil {
		return nil, err
	}
	var seconds int64
	if _, err := fmt.Sscan(head, &s.commit, &seconds); err != nil {
		return nil, fmt.Errorf("git log: %q: %w", head, err)
	}
	s.time = time.Unix(seconds, 0).UTC()
	tag, err := command(ctx, s.root, nil, "git", "describe", "--tags", "--match", "v[0-9]*", "--always", "--long", "--abbrev=12")
	if err != nil {
		return nil, err
	}
	s.version = versionOf(strings.TrimSpace(tag), s.time, status != "")
	return s, s.readScripts()
}

var described = regexp.MustCompile(`^v([0-9][0-9A-Za-z.~-]*)-([0-9]+)-g[0-9a-f]+$`)

// versionOf makes a Debian version of what 'git describe --long' says: 1.2.0 at tag v1.2.0, and
// 1.2.0+git20260301060000.4f2a9c1 after it, so that later commits are newer to the package manager. A pre-release
// v1.2.0-rc1 becomes 1.2.0~rc1, which is older than 1.2.0 (Debian policy, 5.6.12).
func versionOf(describe string, at time.Time, dirty bool) string {
	base, hash, after := "0.0.0", describe, true
	if m := described.FindStringSubmatch(describe); m != nil {
		base, hash, after = strings.ReplaceAll(m[1], "-", "~"), describe[strings.LastIndex(describe, "-g")+2:], m[2] != "0"
	}
	if after {
		base += "+git" + at.Format("20060102150405") + "." + hash[:min(7, len(hash))]
	}
	if dirty {
		base += "+changed"
	}
	return base
}

// programs are the Go packages of what is in a package, by the place where the Debian package has it. The practice plant
// is a program of its own: a daemon in an equipment room need not carry a broker and the physics of a room.
var programs = map[string]string{
	daemon:                                 "./cmd/roundsman",
	"usr/lib/roundsman/roundsman-practice": "./cmd/roundsman-practice",
}

const daemon = "usr/bin/roundsman"

// build compiles the programs for an architecture: static, without paths, stamped with the commit.
func (s *source) build(ctx context.Context, work, arch string) (tree, error) {
	env, ok := goArch[arch]
	if !ok {
		return nil, fmt.Errorf("architecture %q: one of amd64, arm64, armhf is expected", arch)
	}
	more, err := s.smaller(ctx, work, arch)
	if err != nil {
		return nil, err
	}
	built := tree{}
	for _, place := range slices.Sorted(maps.Keys(programs)) {
		out := filepath.Join(work, filepath.Base(place)+"-"+arch)
		if err := s.compile(ctx, programs[place], out, env, more...); err != nil {
			return nil, fmt.Errorf("%s: %w", arch, err)
		}
		binary, err := os.ReadFile(out)
		if err != nil {
			return nil, err
		}
		if len(binary) > mostBinary {
			return nil, fmt.Errorf("%s: %s has %d bytes, more than %d", arch, place, len(binary), mostBinary)
		}
		built[place] = file{0o755, binary}
	}
	return built, nil
}

func (s *source) compile(ctx context.Context, program, out string, env []string, more ...string) error {
	// what a machine's own settings say must not change the bytes
	env = append(slices.Clone(env), "GOOS=linux", "CGO_ENABLED=0", "GOFLAGS=-mod=readonly", "GOAMD64=v1", "GOARM64=v8.0", "GOEXPERIMENT=", "GOFIPS140=off")
	args := append([]string{"build", "-trimpath", "-buildvcs=true", "-o", out}, more...)
	_, err := command(ctx, s.root, env, "go", append(args, program)...)
	return err
}

// command runs a program in a folder and returns what it printed.
func command(ctx context.Context, dir string, env []string, name string, args ...string) (string, error) {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), env...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		return "", fmt.Errorf("%s %s: %w\n%s", name, strings.Join(args, " "), err, strings.TrimSpace(errs.String()))
	}
	return out.String(), nil
}

// host compiles the daemon for this machine: its own words go into the manual page.
func (s *source) host(ctx context.Context, work string) (string, error) {
	out := filepath.Join(work, "roundsman-host")
	more, err := s.smaller(ctx, work, runtime.GOARCH) // as the package's own: most of it need not be compiled twice
	if err != nil {
		return "", err
	}
	return out, s.compile(ctx, programs[daemon], out, []string{"GOARCH=" + runtime.GOARCH}, more...)
}

// modules returns the folder of each module that the programs are linked from, by module path and version.
func (s *source) modules(ctx context.Context) (map[string]string, error) {
	const format = `{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}{{"\t"}}{{.Dir}}{{end}}{{end}}`
	list, err := command(ctx, s.root, []string{"CGO_ENABLED=0"}, "go", append([]string{"list", "-deps", "-tags=" + tags, "-f", format}, slices.Sorted(maps.Values(programs))...)...)
	if err != nil {
		return nil, err
	}
	dirs := map[string]string{}
	for line := range strings.Lines(list) {
		if name, dir, ok := strings.Cut(strings.TrimSpace(line), "\t"); ok {
			dirs[name] = dir
		}
	}
	goroot, err := command(ctx, s.root, nil, "go", "env", "GOROOT", "GOVERSION")
	if err != nil {
		return nil, err
	}
	lines := strings.Fields(goroot)
	if len(lines) != 2 {
		return nil, fmt.Errorf("go env: %s", strconv.Quote(goroot))
	}
	dirs["the Go library "+lines[1]] = lines[0]
	return dirs, nil
}
