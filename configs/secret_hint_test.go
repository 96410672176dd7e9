package configs_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"roundsman/configs"
)

// A file for a secret that is empty, or that the service manager would bring, is told with what to do next.
func TestSecretHints(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "empty"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	site := filepath.Join(dir, "site.yaml")
	for file, want := range map[string]string{
		"empty":   dir + "/empty is empty; write the secret into it, as one line",
		"nowhere": dir + "/nowhere is not there",
		"/run/credentials/no-such.service/broker": "/run/credentials/no-such.service/broker is not there; it is while the service runs, if its unit has LoadCredential=broker:FILE (systemctl edit no-such)",
	} {
		text := "site: {name: X, time-zone: UTC}\nlinks: {yard: {mqtt: 'tcp://127.0.0.1:1', username: box, password-file: '" + file + "'}}\n" +
			"points: {level: {station: yard, link: yard, topic: a, unit: '%'}}\n"
		if err := os.WriteFile(site, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := configs.LoadFile(site)
		if err != nil || !strings.Contains(s.Notes.Error()+"\n", ": warning: links.yard.password-file: "+want+"\n") {
			t.Errorf("%s: %v\n%v\nwant %s", file, err, s, want)
		}
	}
	if _, err := configs.ReadSecret("/run/credentials/no-such.service/broker"); err == nil || !strings.Contains(err.Error(), "LoadCredential=broker:FILE") {
		t.Errorf("read: %v", err)
	}
}
