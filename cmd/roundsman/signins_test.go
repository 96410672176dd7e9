package main

import (
	"bytes"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"roundsman/collector/outsidetest"
	"roundsman/exporter/signin"
)

// TestAccountsFile: changes are taken over, a broken file never takes the place of a good one, and one that is gone
// never opens the pages.
func TestAccountsFile(t *testing.T) {
	cheap := signin.Cost{Memory: 64, Passes: 1, Threads: 1}
	path := filepath.Join(t.TempDir(), "people.passwords")
	var log bytes.Buffer
	f := newAccountsFile(path, slog.New(slog.NewTextHandler(&log, nil)))
	now := time.Unix(1000, 0)
	f.now = func() time.Time { return now }
	put := func(text string, mode fs.FileMode) {
		t.Helper()
		if err := errors.Join(writePrivate(path, []byte(text)), os.Chmod(path, mode)); err != nil {
			t.Fatal(err)
		}
	}
	look := func(name string, wantNames, wantWrong string, wantErr bool) {
		t.Helper()
		now = now.Add(accountsEvery)
		list, err := f.accounts()
		var names []string
		for _, a := range list {
			names = append(names, a.Name)
		}
		if got := strings.Join(names, " "); got != wantNames || (err != nil) != wantErr || !strings.Contains(f.wrong(), wantWrong) || wantWrong == "" && f.wrong() != "" {
			t.Errorf("%s: %q, %v, wrong %q", name, got, err, f.wrong())
		}
	}
	one := signin.Format([]signin.Account{{Name: "n.quill", Role: signin.Operator, Hash: cheap.NewHash("x")}})
	two := one + signin.Format([]signin.Account{{Name: "office", Role: signin.Viewer, Hash: cheap.NewHash("y")}})
	look("none", "", "", false)
	put("nonsense", 0o600)
	look("broken from the start", "", "line 1", true)
	put(one, 0o600)
	look("one", "n.quill", "", false)
	put(two, 0o600)
	if list, _ := f.accounts(); len(list) != 1 {
		t.Errorf("looked at more often than it should: %d", len(list))
	}
	look("two", "n.quill office", "", false)
	put("nonsense", 0o600)
	look("broken", "n.quill office", "line 1: expected name", false)
	look("still broken", "n.quill office", "line 1: expected name", false)
	put(one, 0o644)
	look("readable by others", "n.quill office", "chmod 600", false)
	if err := os.Chmod(path, 0o600); err != nil {
		t.Fatal(err)
	}
	look("mended", "n.quill", "", false)
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	look("gone", "n.quill", "no such file", false)
	put(two, 0o600)
	look("back", "n.quill office", "", false)
	if n := strings.Count(log.String(), "level=ERROR"); n != 4 {
		t.Errorf("%d errors are logged, want each once:\n%s", n, &log)
	}
}

// TestAskTwice: at a real terminal, which does not show what is typed.
func TestAskTwice(t *testing.T) {
	for _, tt := range []struct{ name, first, second, want string }{
		{"same", mop, mop, ""},
		{"different", mop, "three brushes and a mob", "the two passwords differ"},
	} {
		ours, theirs, err := pty.Open()
		if err != nil {
			outsidetest.Lacking(t, "no pseudo terminal: %v", err)
		}
		shown := make(chan string, 1)
		go func() {
			var all bytes.Buffer
			b := make([]byte, 256)
			for _, typed := range []string{tt.first, tt.second} { // each when it is asked for
				for !strings.HasSuffix(all.String(), ": ") {
					n, err := ours.Read(b)
					if err != nil {
						break
					}
					all.Write(b[:n])
				}
				all.WriteString("|")
				hides(ours) // a person's finger is slower than the program
				_, _ = ours.Write([]byte(typed + "\n"))
			}
			n, _ := ours.Read(b)
			all.Write(b[:n])
			shown <- all.String()
		}()
		got, err := askTwice(theirs, int(theirs.Fd()), "n.quill")
		text := <-shown
		if tt.want == "" && (err != nil || got != mop) || tt.want != "" && (err == nil || err.Error() != tt.want) {
			t.Errorf("%s: %q, %v", tt.name, got, err)
		}
		if strings.Contains(text, "brushes") || !strings.Contains(text, "password for n.quill: ") || !strings.Contains(text, "the same again: ") {
			t.Errorf("%s: the terminal shows %q", tt.name, text)
		}
		theirs.Close()
		ours.Close()
	}
}

// TestWrongFiles: what is wrong with any file rings the box's own alarm, in its own words.
func TestWrongFiles(t *testing.T) {
	trouble := ""
	s := &selfWatch{others: []func() string{func() string { return "" }, func() string { return trouble }}}
	if got := s.wrongFiles(); got != "" {
		t.Errorf("%q", got)
	}
	trouble = "certificate: private key does not match public key\nmore"
	if got := s.wrongFiles(); got != "certificate: private key does not match public key (and 1 more)" {
		t.Errorf("%q", got)
	}
	s.files = "rules/air.yaml:4:9: no"
	if got := s.wrongFiles(); got != s.files {
		t.Errorf("%q", got)
	}
}
