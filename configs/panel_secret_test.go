package configs_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"roundsman/configs"
)

// TestPanelSecrets: 'check' says what the daemon would refuse.
func TestPanelSecrets(t *testing.T) {
	dir := t.TempDir()
	site := filepath.Join(dir, "site.yaml")
	text := "site: {name: x}\nlinks: {a: {modbus: 'tcp://127.0.0.1:502'}}\npoints: {p: {link: a, holding: 1}}\n" +
		"listen: {address: '0.0.0.0:9480', certificate: box.pem, key: box.key}\npanel: {passwords: who}\n"
	for name, mode := range map[string]os.FileMode{"site.yaml": 0o644, "box.key": 0o644, "who": 0o640} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), mode); err != nil {
			t.Fatal(err)
		}
	}
	_, err := configs.LoadFile(site)
	for _, want := range []string{"site.yaml:4:62: listen.key: " + dir + "/box.key: others can read or change it (mode 0644); chmod 600 it",
		"site.yaml:5:20: panel.passwords: " + dir + "/who: others can read or change it (mode 0640); chmod 600 it"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v\nwant %s", err, want)
		}
	}
	if err := os.Chmod(filepath.Join(dir, "box.key"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, "who")); err != nil {
		t.Fatal(err)
	}
	s, err := configs.LoadFile(site)
	if err != nil || !strings.Contains(s.Notes.Error(), "who is not there") {
		t.Errorf("%v, %v", err, s)
	}
}
