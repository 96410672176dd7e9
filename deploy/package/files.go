package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
)

// file is one file of a package.
type file struct {
	mode int64
	data []byte
}

// tree is the files of a package by their path, without a leading slash.
type tree map[string]file

const doc = "usr/share/doc/roundsman/"

// commonFiles returns what is the same for all architectures, where the Debian package has it.
func (s *source) commonFiles(ctx context.Context, work string) (tree, error) {
	t := tree{}
	for to, from := range map[string]string{
		"usr/lib/systemd/system/roundsman.service": "deploy/roundsman.service",
		"usr/lib/sysusers.d/roundsman.conf":        "deploy/debian/sysusers.conf",
		"etc/roundsman/site.yaml":                  "deploy/debian/site.yaml",
		"usr/share/lintian/overrides/roundsman":    "deploy/debian/lintian-overrides",
	} {
		data, err := os.ReadFile(filepath.Join(s.root, from))
		if err != nil {
			return nil, err
		}
		t[to] = file{0o644, data}
	}
	notes, err := filepath.Glob(filepath.Join(s.root, "deploy", "*.md"))
	if err != nil {
		return nil, err
	}
	for _, n := range notes {
		if err := t.add(doc+filepath.Base(n), n); err != nil {
			return nil, err
		}
	}
	if err := t.addFolder(doc+"examples/", filepath.Join(s.root, "configs", "demo")); err != nil {
		return nil, err
	}
	if err := s.words(ctx, t, work); err != nil {
		return nil, err
	}
	if t[doc+"copyright"], err = s.copyright(); err != nil {
		return nil, err
	}
	if t[doc+"licences.txt"], err = s.others(ctx); err != nil {
		return nil, err
	}
	t[doc+"changelog.gz"] = file{0o644, pack([]byte(fmt.Sprintf("roundsman (%s) stable; urgency=medium\n\n  * Built from commit %s.\n\n -- %s  %s\n",
		s.version, s.commit, s.maintainer, s.time.Format(time.RFC1123Z))))}
	return t, nil
}

func (t tree) add(to, from string) error {
	data, err := os.ReadFile(from)
	if err == nil {
		t[to] = file{0o644, data}
	}
	return err
}

func (t tree) addFolder(to, from string) error {
	return filepath.WalkDir(from, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(from, p)
		if err != nil {
			return err
		}
		return t.add(to+filepath.ToSlash(rel), p)
	})
}

var commandLine = regexp.MustCompile(`(?m)^  ([a-z][a-z-]*) +\S.*$`)

// words makes the manual page and the shell completions from what the program says of itself.
func (s *source) words(ctx context.Context, t tree, work string) error {
	host, err := s.host(ctx, work)
	if err != nil {
		return err
	}
	help, err := command(ctx, s.root, nil, host, "--help")
	if err != nil {
		return err
	}
	about, usage, _ := strings.Cut(help, "Usage:")
	_, list, _ := strings.Cut(usage, "Commands:\n")
	list, _, _ = strings.Cut(list, "\nFlags:")
	var page bytes.Buffer
	fmt.Fprintf(&page, ".TH ROUNDSMAN 1 %s %q\n.SH NAME\nroundsman \\- watches the equipment room of a conveyor tunnel wash\n"+
		".SH SYNOPSIS\n.B roundsman\n.I COMMAND\n.SH DESCRIPTION\n%s\n.SH COMMANDS\n", s.time.Format("2006-01-02"), "Roundsman "+s.version, roff(strings.TrimSpace(about)))
	for _, m := range commandLine.FindAllStringSubmatch(list, -1) {
		text, err := command(ctx, s.root, nil, host, m[1], "--help")
		if err != nil {
			return err
		}
		fmt.Fprintf(&page, ".SS %s\n.nf\n%s\n.fi\n", roff(m[1]), roff(strings.TrimSpace(text)))
	}
	fmt.Fprintf(&page, ".SH EXIT STATUS\n0 good, 1 the thing asked about is wrong, 2 wrong usage.\n.SH FILES\n.I /etc/roundsman/site.yaml\n.br\n.I /var/lib/roundsman\n")
	t["usr/share/man/man1/roundsman.1.gz"] = file{0o644, pack(page.Bytes())}
	for shell, to := range map[string]string{
		"bash": "usr/share/bash-completion/completions/roundsman",
		"zsh":  "usr/share/zsh/vendor-completions/_roundsman",
	} {
		text, err := command(ctx, s.root, nil, host, "completion", shell)
		if err != nil {
			return err
		}
		t[to] = file{0o644, []byte(text)}
	}
	return nil
}

// roff makes text safe for a manual page: hyphens that can be copied, no line that is a request.
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`, "'", `\(aq`).Replace(s)
	return regexp.MustCompile(`(?m)^\.`).ReplaceAllString(s, `\&.`)
}

var licenceName = regexp.MustCompile(`(?i)^(licen[cs]e|copying|notice|patents)([.-].*)?$`)

// copyright returns our own licence in Debian's form.
func (s *source) copyright() (file, error) {
	head, err := os.ReadFile(filepath.Join(s.root, "deploy", "debian", "copyright.head"))
	if err != nil {
		return file{}, err
	}
	own, err := os.ReadFile(filepath.Join(s.root, "LICENSE"))
	if err != nil {
		return file{}, err
	}
	_, grant, _ := strings.Cut(string(own), "\n\nPermission")
	return file{0o644, append(head, folded("Permission"+grant)...)}, nil
}

// others returns, since their code is in the programs, the licences of all linked modules, word for word.
func (s *source) others(ctx context.Context) (file, error) {
	modules, err := s.modules(ctx)
	if err != nil {
		return file{}, err
	}
	var b bytes.Buffer
	b.WriteString("The programs roundsman and roundsman-practice are linked from these modules, each under its own licence.\n")
	for _, name := range slices.Sorted(maps.Keys(modules)) {
		texts, err := licences(modules[name])
		if err != nil {
			return file{}, fmt.Errorf("%s: %w", name, err)
		}
		fmt.Fprintf(&b, "\n==== %s\n\n%s\n", name, texts)
	}
	return file{0o644, b.Bytes()}, nil
}

// licences returns the texts that lie in a module's folder; none is an error.
func licences(dir string) (string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return "", err
	}
	var all []string
	for _, e := range entries {
		if e.Type().IsRegular() && licenceName.MatchString(e.Name()) && !strings.HasSuffix(e.Name(), ".go") {
			text, err := os.ReadFile(filepath.Join(dir, e.Name()))
			if err != nil {
				return "", err
			}
			all = append(all, strings.TrimSpace(string(text)))
		}
	}
	if len(all) == 0 {
		return "", fmt.Errorf("no licence in its folder")
	}
	return strings.Join(all, "\n\n"), nil
}

// folded puts text into the continuation lines of a control file (Debian policy, 5.6.13).
func folded(text string) string {
	var b strings.Builder
	for line := range strings.Lines(strings.TrimSpace(text)) {
		line = strings.TrimRight(line, " \t\r\n\f")
		if line == "" {
			line = "."
		}
		b.WriteString(" " + line + "\n")
	}
	return b.String()
}

// pack compresses as gzip -9n does: without name and time.
func pack(data []byte) []byte {
	var b bytes.Buffer
	w, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		panic(err) // the level is a constant
	}
	if _, err := w.Write(data); err != nil {
		panic(err) // a buffer takes everything
	}
	if err := w.Close(); err != nil {
		panic(err)
	}
	return b.Bytes()
}

// tar writes the tree, sorted, with all folders above the files, all owned by root and of one time.
func (t tree) tar(prefix string, at time.Time) []byte {
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	made := map[string]bool{}
	header := func(h tar.Header) {
		h.ModTime, h.Format, h.Uname, h.Gname = at, tar.FormatGNU, "root", "root"
		if err := w.WriteHeader(&h); err != nil {
			panic(err) // a buffer takes everything, and no name is too long for the format
		}
	}
	var folder func(p string)
	folder = func(p string) {
		if p == "." || made[p] {
			return
		}
		folder(path.Dir(p))
		made[p] = true
		header(tar.Header{Typeflag: tar.TypeDir, Name: prefix + p + "/", Mode: 0o755})
	}
	if prefix == "./" {
		header(tar.Header{Typeflag: tar.TypeDir, Name: "./", Mode: 0o755})
	}
	for _, name := range slices.Sorted(maps.Keys(t)) {
		f := t[name]
		folder(path.Dir(name))
		header(tar.Header{Typeflag: tar.TypeReg, Name: prefix + name, Mode: f.mode, Size: int64(len(f.data))})
		if _, err := w.Write(f.data); err != nil {
			panic(err)
		}
	}
	if err := w.Close(); err != nil {
		panic(err)
	}
	return b.Bytes()
}
