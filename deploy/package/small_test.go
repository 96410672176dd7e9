package main

import (
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// The templates of the packaged binary still call the methods that are named, and say of others that they are not there.
func TestNarrowTemplates(t *testing.T) {
	s := small(t)
	overlay, err := s.overlay(t.Context(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	const program = `package main

import (
	"fmt"
	"os"
	"text/template"
	"time"
)

type fields struct {
	At    time.Time
	Inner struct{ Name string }
}

func (fields) Odd() string { return "odd" }

func main() {
	var f fields
	f.At, f.Inner.Name = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC), "x"
	for _, text := range []string{"{{.Inner.Name}} {{.At.Format \"02.01.\"}} {{.At.Unix}} {{with .At}}{{.Year}}{{end}}\n", "{{.Odd}}"} {
		if err := template.Must(template.New("t").Parse(text)).Execute(os.Stdout, f); err != nil {
			fmt.Println(err)
		}
	}
}
`
	if err := os.WriteFile(filepath.Join(dir, "main.go"), []byte(program), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("go", "run", "-overlay="+overlay, "main.go")
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if want := "x 01.03. 1772344800 2026\n"; !strings.HasPrefix(string(out), want) || !strings.Contains(string(out), "can't evaluate field Odd") {
		t.Errorf("the program said\n%s", out)
	}
}

// What is compiled otherwise is there: a pattern that fits no package would do nothing, in silence.
func TestUnhurriedPackagesAreLinked(t *testing.T) {
	linked := linkedInto(t, slices.Sorted(maps.Values(programs))...)
	for _, pattern := range unhurried {
		path, below := strings.CutSuffix(pattern, "/...")
		if !slices.ContainsFunc(linked, func(p string) bool { return p == path || below && strings.HasPrefix(p, path+"/") }) {
			t.Errorf("%s: no such package is linked", pattern)
		}
	}
}

// linkedInto lists the Go packages of the programs as they are packaged.
func linkedInto(t *testing.T, programs ...string) []string {
	t.Helper()
	cmd := exec.Command("go", append([]string{"list", "-deps", "-tags=" + tags}, programs...)...)
	cmd.Dir = small(t).root
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	return strings.Fields(string(out))
}

// The packaged daemon has nothing of the practice plant but the words between them.
func TestPlantIsApart(t *testing.T) {
	for _, p := range linkedInto(t, programs[daemon]) {
		plant := strings.HasPrefix(p, "roundsman/collector/practice") || strings.HasPrefix(p, "roundsman/collector/modbus/device") || strings.Contains(p, "mochi-mqtt")
		if plant && p != "roundsman/collector/practice/terms" {
			t.Errorf("%s is linked into the daemon", p)
		}
	}
}
