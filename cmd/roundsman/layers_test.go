package main

import (
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// floors are the house from the ground up. A package may import its own floor and those below.
// This is policy: do not loosen it to mend a build.
var floors = []string{"collector", "rules", "exporter", "configs", "cmd"}

// only says which packages may import a library, by prefix, with the reason beside it.
var only = []struct{ library, allowed, why string }{
	{"github.com/goburrow/", "collector/modbus", "one place where frames are made, and none of them writes"},
	{"github.com/eclipse/paho.mqtt.golang", "collector/mqtt exporter/callout/publish", "one owner for the broker's client, one channel that publishes"},
	{"github.com/prometheus/", "exporter/metrics", "no global registry can creep in"},
	{"github.com/mochi-mqtt/", "collector/practice", "the broker is part of the simulated plant, not of the daemon"},
	{"github.com/creack/pty", "collector/practice", "the simulated serial line"},
	{"github.com/expr-lang/", "nowhere", "for tests: its calls of methods by name keep every exported method in the binary"},
	{"go.yaml.in/", "configs", "after loading nobody sees YAML"},
	{"github.com/spf13/", "cmd", "the command line stays on top"},
	{"database/sql", "exporter/record", "the only writer to disk"},
}

// pure packages judge what they are given and reach for nothing.
var pureFloor = "rules"
var impure = []string{"os", "net", "net/http", "log", "log/slog", "database/sql", "io/fs", "os/exec", "math/rand"}

func TestImportsPointDown(t *testing.T) {
	out, err := exec.Command("go", "list", "-f", `{{.ImportPath}}:{{join .Imports " "}}`, "roundsman/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	seen := 0
	for line := range strings.Lines(string(out)) {
		pkg, imports, _ := strings.Cut(strings.TrimSpace(line), ":")
		pkg = strings.TrimPrefix(pkg, "roundsman/")
		seen++
		for imp := range strings.FieldsSeq(imports) {
			checkImport(t, pkg, imp)
		}
	}
	if seen < 10 {
		t.Errorf("only %d packages were looked at", seen)
	}
}

func checkImport(t *testing.T, pkg, imp string) {
	t.Helper()
	if own, ok := strings.CutPrefix(imp, "roundsman/"); ok {
		if floor(own) > floor(pkg) {
			t.Errorf("%s imports %s, which is on a higher floor", pkg, own)
		}
		if isRoot(pkg) && floor(own) == floor(pkg) {
			t.Errorf("%s is the root of its floor and imports its child %s", pkg, own)
		}
		return
	}
	if floor(pkg) == floor(pureFloor) {
		for _, bad := range impure {
			if imp == bad {
				t.Errorf("%s imports %s: the engine reaches for nothing", pkg, imp)
			}
		}
	}
	for _, o := range only {
		if strings.HasPrefix(imp, o.library) && !slices.ContainsFunc(strings.Fields(o.allowed), func(a string) bool { return strings.HasPrefix(pkg, a) }) {
			t.Errorf("%s imports %s, which belongs to %s: %s", pkg, imp, o.allowed, o.why)
		}
	}
}

// isRoot reports whether the package holds a floor's shared types.
func isRoot(pkg string) bool { return pkg == "collector" || pkg == "rules" || pkg == "exporter" }

func floor(pkg string) int {
	first, _, _ := strings.Cut(pkg, "/")
	for i, f := range floors {
		if f == first {
			return i
		}
	}
	return len(floors)
}
