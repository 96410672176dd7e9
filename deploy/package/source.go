package main

import (
	"bytes"
	"context"
	"fmt"
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

// build compiles the daemon for an architecture: static, without paths, stamped with the commit.
func (s *source) build(ctx context.Context, work, arch string) ([]byte, error) {
	env, ok := goArch[arch]
	if !ok {
		return nil, fmt.Errorf("architecture %q: one of amd64, arm64, armhf is expected", arch)
	}
	out := filepath.Join(work, "roundsman-"+arch)
	more, err := s.smaller(ctx, work, arch)
	if err != nil {
		return nil, err
	}
	if err := s.compile(ctx, out, env, more...); err != nil {
		return nil, fmt.Errorf("%s: %w", arch, err)
	}
	binary, err := os.ReadFile(out)
	if err == nil && len(binary) > mostBinary {
		return nil, fmt.Errorf("%s: the binary has %d bytes, more than %d", arch, len(binary), mostBinary)
	}
	return binary, err
}

func (s *source) compile(ctx context.Context, out string, env []string, more ...string) error {
	// what a machine's own settings say must not change the bytes
	env = append(slices.Clone(env), "GOOS=linux", "CGO_ENABLED=0", "GOFLAGS=-mod=readonly", "GOAMD64=v1", "GOARM64=v8.0", "GOEXPERIMENT=", "GOFIPS140=off")
	args := append([]string{"build", "-trimpath", "-buildvcs=true", "-o", out}, more...)
	_, err := command(ctx, s.root, env, "go", append(args, "./cmd/roundsman")...)
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
	return out, s.compile(ctx, out, []string{"GOARCH=" + runtime.GOARCH}, more...)
}

// modules returns the folder of each module that the daemon is linked from, by module path and version.
func (s *source) modules(ctx context.Context) (map[string]string, error) {
	const format = `{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}{{"\t"}}{{.Dir}}{{end}}{{end}}`
	list, err := command(ctx, s.root, []string{"CGO_ENABLED=0"}, "go", "list", "-deps", "-tags="+tags, "-f", format, "./cmd/roundsman")
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
