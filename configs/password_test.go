package configs_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"roundsman/configs"
)

// A broker's password that everybody on the box can read is said at loading, with what to do, and not used when connecting.
// A relative file lies beside the site file.
func TestBrokerPasswordReadableByAll(t *testing.T) {
	dir := t.TempDir()
	site, secret := filepath.Join(dir, "site.yaml"), filepath.Join(dir, "pw")
	text := "site: {name: X, time-zone: UTC}\nlinks:\n  yard: {mqtt: 'tcp://127.0.0.1:1883', username: box, password-file: pw}\npoints:\n  a: {link: yard, topic: a}\n"
	write := func(path, text string, mode os.FileMode) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
	}
	write(site, text, 0o644)
	write(secret, "rinse\n", 0o600)
	s, err := configs.LoadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	if p, err := s.MQTT[0].Password(); p != "rinse" || err != nil {
		t.Errorf("password %q, %v", p, err)
	}
	write(secret, "rinse\n", 0o644)
	if _, err := s.MQTT[0].Password(); err == nil || !strings.Contains(err.Error(), "others can read or change it (mode 0644); chmod 600 it") {
		t.Errorf("read while open to others: %v", err)
	}
	_, err = configs.LoadFile(site)
	want := site + ":3:70: links.yard.password-file: " + secret + ": others can read or change it (mode 0644); chmod 600 it"
	if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "rinse") {
		t.Errorf("said %v, want %s", err, want)
	}
}
