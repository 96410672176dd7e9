// Package outsidetest finds what tests hold the house against: foreign programs
// and Python modules, and the open data beside the project. A test that lacks one
// skips and says what is missing and how to get it; where the environment says
// ROUNDSMAN_PEERS=required, it fails for the lack of anything but the data instead.
package outsidetest

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Missing ends a test that needs a foreign program.
func Missing(t testing.TB, what, debian string) {
	t.Helper()
	Lacking(t, "no %s: install the Debian package %s", what, debian)
}

// Lacking ends a test that needs what this machine does not have, such as a pseudo terminal: it fails where nothing may
// be missing, and skips elsewhere.
func Lacking(t testing.TB, format string, values ...any) {
	t.Helper()
	if os.Getenv("ROUNDSMAN_PEERS") == "required" {
		t.Fatalf(format, values...)
	}
	t.Skipf(format, values...)
}

// Axe returns the script of axe-core, an accessibility checker that comes from npm: the file that ROUNDSMAN_AXE names,
// else axe.min.js in the folder roundsman-tests of the user's cache.
func Axe(t testing.TB) string {
	t.Helper()
	path := os.Getenv("ROUNDSMAN_AXE")
	if path == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			cache = os.TempDir()
		}
		path = filepath.Join(cache, "roundsman-tests", "axe.min.js")
	}
	script, err := os.ReadFile(path)
	if err != nil {
		Lacking(t, "no axe-core (%v): 'npm pack axe-core', and name its axe.min.js by ROUNDSMAN_AXE", err)
	}
	return string(script)
}

// Program returns the path of a program, which may lie in a folder for administrators.
func Program(t testing.TB, name, debian string) string {
	t.Helper()
	for _, path := range []string{name, "/usr/sbin/" + name, "/usr/bin/" + name} {
		if found, err := exec.LookPath(path); err == nil {
			return found
		}
	}
	Missing(t, name, debian)
	return ""
}

// Python returns a Python that has the modules: the system's own first, for another earlier in the path may lack
// what Debian installs.
func Python(t testing.TB, debian string, modules ...string) string {
	t.Helper()
	for _, name := range []string{"/usr/bin/python3", "python3"} {
		if exec.Command(name, "-c", "import "+strings.Join(modules, ", ")).Run() == nil {
			return name
		}
	}
	Missing(t, "python3 with "+strings.Join(modules, ", "), debian)
	return ""
}

// Data returns a folder or file of the open data: shared/data/... beside the project, found by walking up from the
// test's folder. Without it the test skips.
func Data(t testing.TB, elem ...string) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	rest := filepath.Join(append([]string{"shared", "data"}, elem...)...)
	for {
		path := filepath.Join(dir, rest)
		if _, err := os.Stat(path); err == nil {
			return path
		}
		up := filepath.Dir(dir)
		if up == dir {
			t.Skipf("the open data are not here: no %s beside the project", rest)
		}
		dir = up
	}
}
