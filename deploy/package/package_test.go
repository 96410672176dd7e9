package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"roundsman/collector/outsidetest"
)

func TestVersions(t *testing.T) {
	at := time.Date(2026, 3, 1, 6, 0, 5, 0, time.UTC)
	tests := []struct {
		describe string
		dirty    bool
		want     string
	}{
		{"v1.2.0-0-g4f2a9c1d0e11", false, "1.2.0"},
		{"v1.2.0-3-g4f2a9c1d0e11", false, "1.2.0+git20260301060005.4f2a9c1"},
		{"v1.2.0-rc1-0-g4f2a9c1d0e11", false, "1.2.0~rc1"},
		{"4f2a9c1d0e11", false, "0.0.0+git20260301060005.4f2a9c1"},
		{"v1.2.0-0-g4f2a9c1d0e11", true, "1.2.0+changed"},
	}
	for _, tt := range tests {
		if got := versionOf(tt.describe, at, tt.dirty); got != tt.want {
			t.Errorf("%s: version %s, want %s", tt.describe, got, tt.want)
		}
	}
}

// The package manager itself orders the versions: what was built later is newer.
func TestVersionsRise(t *testing.T) {
	dpkg := outsidetest.Program(t, "dpkg", "dpkg")
	at := time.Date(2026, 3, 1, 6, 0, 5, 0, time.UTC)
	rising := []string{
		versionOf("4f2a9c1d0e11", at, false),
		versionOf("0a2a9c1d0e11", at.Add(time.Second), false),
		versionOf("v1.2.0-rc1-0-g4f2a9c1d0e11", at, false),
		versionOf("v1.2.0-rc1-7-gaaaa9c1d0e11", at, false),
		versionOf("v1.2.0-0-g4f2a9c1d0e11", at, false),
		versionOf("v1.2.0-1-g4f2a9c1d0e11", at, false),
		versionOf("v1.2.0-2-g002a9c1d0e11", at.Add(time.Hour), false),
		versionOf("v1.2.1-0-g4f2a9c1d0e11", at, false),
	}
	for i := range len(rising) - 1 {
		if out, err := exec.Command(dpkg, "--compare-versions", rising[i], "lt", rising[i+1]).CombinedOutput(); err != nil {
			t.Errorf("%s is not older than %s: %v %s", rising[i], rising[i+1], err, out)
		}
	}
}

// small is a source with files of its own, so that formats are tested without building anything.
func small(t *testing.T) *source {
	t.Helper()
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	s := &source{root: root, version: "1.2.0", commit: strings.Repeat("4f", 20), time: time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC), maintainer: "A <a@wash.example>"}
	if err := s.readScripts(); err != nil {
		t.Fatal(err)
	}
	return s
}

var smallBuilt = tree{daemon: {0o755, []byte("#!binary")}, "usr/lib/roundsman/roundsman-practice": {0o755, []byte("#!plant")}}

var smallFiles = tree{
	"etc/roundsman/site.yaml":                  {0o644, []byte("site: {}\n")},
	"usr/lib/systemd/system/roundsman.service": {0o644, []byte("ExecStart=/usr/bin/roundsman run\nDocumentation=file:/usr/share/doc/roundsman/README.md\n")},
	"usr/lib/sysusers.d/roundsman.conf":        {0o644, []byte("u roundsman -\n")},
	doc + "README.md":                          {0o644, []byte("odd")},
	"usr/share/man/man1/roundsman.1.gz":        {0o644, pack([]byte("page"))},
}

// dpkg-deb reads the package as we meant it.
func TestDebianPackage(t *testing.T) {
	deb := outsidetest.Program(t, "dpkg-deb", "dpkg")
	path := filepath.Join(t.TempDir(), "x.deb")
	s := small(t)
	if err := os.WriteFile(path, s.debian("armhf", smallBuilt, smallFiles), 0o644); err != nil {
		t.Fatal(err)
	}
	ask := func(args ...string) string {
		out, err := exec.Command(deb, args...).CombinedOutput()
		if err != nil {
			t.Fatalf("dpkg-deb %v: %v\n%s", args, err, out)
		}
		return string(out)
	}
	if got := ask("-f", path, "Package", "Version", "Architecture"); got != "Package: roundsman\nVersion: 1.2.0\nArchitecture: armhf\n" {
		t.Errorf("fields:\n%s", got)
	}
	if got := ask("-I", path, "conffiles"); got != "/etc/roundsman/site.yaml\n" {
		t.Errorf("conffiles: %q", got)
	}
	into := t.TempDir()
	ask("-R", path, into)
	if text, err := os.ReadFile(filepath.Join(into, "usr/bin/roundsman")); err != nil || string(text) != "#!binary" {
		t.Errorf("the binary came out as %q, %v", text, err)
	}
	if text, err := os.ReadFile(filepath.Join(into, "usr/lib/roundsman/roundsman-practice")); err != nil || string(text) != "#!plant" {
		t.Errorf("the practice plant came out as %q, %v", text, err)
	}
	if info, err := os.Stat(filepath.Join(into, "DEBIAN/postinst")); err != nil || info.Mode().Perm() != 0o755 {
		t.Errorf("postinst: %v, %v", info, err)
	}
	for line := range strings.Lines(ask("-c", path)) {
		if !strings.Contains(line, " root/root ") || !strings.Contains(line, " 2026-03-01 ") {
			t.Errorf("owner or time: %s", line)
		}
	}
	check := exec.Command("md5sum", "--check", "--quiet", "DEBIAN/md5sums")
	check.Dir = into
	if out, err := check.CombinedOutput(); err != nil {
		t.Errorf("the sums of the files: %v\n%s", err, out)
	}
}

func TestTarball(t *testing.T) {
	s := small(t)
	z, err := gzip.NewReader(bytes.NewReader(s.tarball("arm64", smallBuilt, smallFiles)))
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		if h.Uid != 0 || !h.ModTime.Equal(s.time) {
			t.Errorf("%s: owner %d, time %v", h.Name, h.Uid, h.ModTime)
		}
		got[strings.TrimPrefix(h.Name, "roundsman-1.2.0-arm64/")] = string(text)
	}
	for _, want := range []string{"roundsman", "roundsman-practice", "roundsman.service", "site.yaml", "sysusers.conf", "doc/README.md", "roundsman.1.gz"} {
		if _, ok := got[want]; !ok {
			t.Errorf("no %s in it", want)
		}
	}
	if unit := got["roundsman.service"]; !strings.Contains(unit, "ExecStart=/usr/local/bin/roundsman run") || strings.Contains(unit, "/usr/share") {
		t.Errorf("the unit is not made for /usr/local:\n%s", unit)
	}
}

// The same files give the same bytes, in whatever order a map hands them out.
func TestSameBytes(t *testing.T) {
	s := small(t)
	first, plain := s.debian("amd64", smallBuilt, smallFiles), s.tarball("amd64", smallBuilt, smallFiles)
	for range 20 {
		if !bytes.Equal(first, s.debian("amd64", smallBuilt, smallFiles)) || !bytes.Equal(plain, s.tarball("amd64", smallBuilt, smallFiles)) {
			t.Fatal("two packages of the same files differ")
		}
	}
}

// Every module that is linked has a licence that goes along.
func TestLicences(t *testing.T) {
	s := small(t)
	f, err := s.others(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"==== modernc.org/sqlite v", "==== the Go library go1", "==== github.com/spf13/cobra v", "Redistribution and use"} {
		if !bytes.Contains(f.data, []byte(want)) {
			t.Errorf("%q is not in the licences", want)
		}
	}
	own, err := s.copyright()
	if err != nil || !bytes.Contains(own.data, []byte("\nLicense: Expat\n Permission is hereby granted")) {
		t.Errorf("copyright: %v\n%s", err, own.data)
	}
}

func TestUsage(t *testing.T) {
	tests := []struct {
		args []string
		code int
		want string
	}{
		{nil, 2, "usage: go run ./deploy/package --out DIR"},
		{[]string{"--out", "x", "y"}, 2, "usage"},
		{[]string{"--speed"}, 2, "not defined"},
		{[]string{"--help"}, 0, "folder"},
	}
	for _, tt := range tests {
		var out, errs bytes.Buffer
		if code := run(tt.args, &out, &errs); code != tt.code || !strings.Contains(errs.String(), tt.want) {
			t.Errorf("%v: exit %d, said %q; want %d, %q", tt.args, code, &errs, tt.code, tt.want)
		}
	}
	if _, err := small(t).build(t.Context(), t.TempDir(), "sparc"); err == nil || !strings.Contains(err.Error(), `architecture "sparc"`) {
		t.Errorf("an unknown architecture: %v", err)
	}
}

// The unit is sound to the service manager's own eyes, and shuts the daemon in as far as it can work.
func TestUnit(t *testing.T) {
	analyze := outsidetest.Program(t, "systemd-analyze", "systemd")
	text, err := os.ReadFile("../roundsman.service")
	if err != nil {
		t.Fatal(err)
	}
	// verify wants the program to be there, and asks man for its page
	unit := filepath.Join(t.TempDir(), "roundsman.service")
	there := strings.ReplaceAll(string(text), "/usr/bin/roundsman", "/bin/true")
	there = strings.ReplaceAll(there, "man:roundsman(1) ", "")
	if err := os.WriteFile(unit, []byte(there), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(analyze, "verify", unit).CombinedOutput(); err != nil || len(bytes.TrimSpace(out)) > 0 {
		t.Errorf("verify: %v\n%s", err, out)
	}
	// ten times the exposure: 1.5
	if out, err := exec.Command(analyze, "security", "--offline=true", "--threshold=15", unit).CombinedOutput(); err != nil {
		t.Errorf("exposed: %v\n%s", err, out)
	}
	for _, want := range []string{"Type=notify", "WatchdogSec=", "ExecReload=/bin/kill -HUP $MAINPID", "SupplementaryGroups=dialout", "MemoryMax=", "Restart=always", "StartLimitIntervalSec=0", "DevicePolicy=closed"} {
		if !slices.ContainsFunc(strings.Split(string(text), "\n"), func(l string) bool { return strings.HasPrefix(l, want) }) {
			t.Errorf("the unit has no %s", want)
		}
	}
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, "#") && strings.Contains(line, "network-online") {
			t.Errorf("the unit waits for a network that may never come: %s", line)
		}
	}
}
