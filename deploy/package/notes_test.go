package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"roundsman/collector/outsidetest"
)

// commandsOf returns the indented commands under a heading of a note.
func commandsOf(t *testing.T, note, heading string) []string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", note))
	if err != nil {
		t.Fatal(err)
	}
	_, after, found := strings.Cut(string(text), "\n## "+heading+"\n")
	if !found {
		t.Fatalf("%s: no heading %q", note, heading)
	}
	after, _, _ = strings.Cut(after, "\n## ")
	var commands []string
	for line := range strings.Lines(after) {
		if c, ok := strings.CutPrefix(line, "    "); ok {
			commands = append(commands, strings.TrimSpace(c))
		}
	}
	if len(commands) == 0 {
		t.Fatalf("%s: %s: no commands", note, heading)
	}
	return commands
}

// The firewall itself takes the rules that the network notes give, once the interfaces' addresses are left to it.
func TestFirewallRules(t *testing.T) {
	nft := outsidetest.Program(t, "nft", "nftables")
	if os.Getuid() != 0 {
		outsidetest.Lacking(t, "only root may ask the firewall")
	}
	text, err := os.ReadFile("../NETWORK.md")
	if err != nil {
		t.Fatal(err)
	}
	rules := regexp.MustCompile("(?s)```nft\n(.*?)```").FindSubmatch(text)
	if rules == nil {
		t.Fatal("NETWORK.md has no rules")
	}
	file := filepath.Join(t.TempDir(), "rules")
	if err := os.WriteFile(file, rules[1], 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(nft, "-c", "-f", file).CombinedOutput(); err != nil {
		if strings.Contains(string(out), "cache initialization failed") { // no netfilter in this kernel or container
			outsidetest.Lacking(t, "the kernel has no firewall to ask: %s", out)
		}
		t.Errorf("%v\n%s", err, out)
	}
}

// The steps for a plain tarball, as they stand in the notes, put everything in its place: run under another root folder.
func TestTarballSteps(t *testing.T) {
	dir := t.TempDir()
	s := small(t)
	files := tree{}
	for name, f := range smallFiles {
		files[name] = f
	}
	name := "roundsman_1.2.0_arm64.tar.gz"
	if err := os.WriteFile(filepath.Join(dir, name), s.tarball("arm64", tree{daemon: {0o755, []byte("#!/bin/sh\n")}, "usr/lib/roundsman/roundsman-practice": {0o755, []byte("#!/bin/sh\n")}}, files), 0o600); err != nil {
		t.Fatal(err)
	}
	steps := strings.Join(commandsOf(t, "README.md", "Any other Linux with systemd"), "\n")
	steps = strings.ReplaceAll(steps, "VERSION", "1.2.0")
	root := filepath.Join(dir, "root")
	for _, folder := range []string{"/etc/roundsman", "/etc/systemd/system", "/etc/sysusers.d", "/usr/local/bin", "/usr/local/lib/roundsman"} {
		steps = strings.ReplaceAll(steps, " "+folder, " "+root+folder)
	}
	for _, folder := range []string{"etc/systemd/system", "usr/local/bin"} { // a Linux with systemd has these
		if err := os.MkdirAll(filepath.Join(root, folder), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	// the service manager only writes down what it is asked
	said := filepath.Join(dir, "said")
	fakes := t.TempDir()
	for name, text := range map[string]string{"systemctl": "echo systemctl \"$@\" >>" + said, "systemd-sysusers": "test -s \"$1\""} {
		if err := os.WriteFile(filepath.Join(fakes, name), []byte("#!/bin/sh\n"+text+"\n"), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	script := "set -eu\nPATH=" + fakes + ":$PATH\n" + steps
	for range 2 { // the second time is an upgrade
		cmd := exec.Command("sh", "-c", script)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s\n%s", err, out, script)
		}
		site, err := os.ReadFile(filepath.Join(root, "etc/roundsman/site.yaml"))
		if err != nil || len(site) == 0 {
			t.Fatalf("site file: %q, %v", site, err)
		}
		if err := os.WriteFile(filepath.Join(root, "etc/roundsman/site.yaml"), []byte("# ours\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if site, err := os.ReadFile(filepath.Join(root, "etc/roundsman/site.yaml")); err != nil || string(site) != "# ours\n" {
		t.Errorf("the upgrade changed the site file to %q, %v", site, err)
	}
	for _, program := range []string{"bin/roundsman", "lib/roundsman/roundsman-practice"} {
		if info, err := os.Stat(filepath.Join(root, "usr/local", program)); err != nil || info.Mode().Perm() != 0o755 {
			t.Errorf("%s: %v, %v", program, info, err)
		}
	}
	unit, err := os.ReadFile(filepath.Join(root, "etc/systemd/system/roundsman.service"))
	if err != nil || !strings.Contains(string(unit), "/usr/local/bin/roundsman run") {
		t.Errorf("the unit: %v\n%s", err, unit)
	}
	if text, err := os.ReadFile(said); err != nil || !strings.Contains(string(text), "systemctl enable --now roundsman") {
		t.Errorf("the service was not started: %s %v", text, err)
	}
}

// Each note that another one names is there and goes into the packages.
func TestNotesAreThere(t *testing.T) {
	text, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	links := regexp.MustCompile(`\]\(([A-Z]+\.md)\)`).FindAllStringSubmatch(string(text), -1)
	if len(links) < 4 {
		t.Errorf("README.md names %d notes", len(links))
	}
	for _, l := range links {
		if _, err := os.Stat(filepath.Join("..", l[1])); err != nil {
			t.Error(err)
		}
	}
}
