package main

import (
	"bytes"
	"net/http"
	"strings"
	"testing"

	"roundsman/configs"
	"roundsman/exporter/certificate"
)

func TestPinnedAddress(t *testing.T) {
	sum := strings.Repeat("6F", 32)
	for _, tt := range []struct{ at, want, wrong string }{
		{"https://box.example:9480/#sha256=" + sum, "https://box.example:9480#sha256=" + strings.ToLower(sum), ""},
		{"https://box.example:9480#sha256=6F:" + strings.Repeat("6F:", 30) + "6F", "https://box.example:9480#sha256=" + strings.ToLower(sum), ""},
		{"https://box.example:9480", "https://box.example:9480", ""},
		{"box.example:9480", "http://box.example:9480", ""},
		{"https://box.example:9480/#sha256=6F", "", "--at: what follows #sha256= is no SHA-256 fingerprint"},
		{"http://box.example:9480/#sha256=" + sum, "", "--at: http://box.example:9480 has no certificate to compare; https:// has"},
		{"https://box.example:9480/#x", "", `--at: "https://box.example:9480/#x" is no address of a daemon`},
	} {
		d := daemonFlag{at: tt.at}
		err := d.vet()
		if tt.wrong == "" && (err != nil || d.at != tt.want) || tt.wrong != "" && (err == nil || !strings.HasPrefix(err.Error(), tt.wrong)) {
			t.Errorf("%s: %s, %v", tt.at, d.at, err)
		}
	}
}

// TestPinnedCommand: a command reaches a daemon with a self-made certificate by its fingerprint, and by no other.
func TestPinnedCommand(t *testing.T) {
	h := newHouse(t, strings.Replace(wiredSite, "view: people", "view: anyone", 1))
	h.start(nil)
	print := strings.ReplaceAll(certificate.Fingerprint(h.d.cert.Leaf()), ":", "")
	for _, tt := range []struct {
		at   string
		code int
		want string
	}{
		{"https://" + h.address + "/#sha256=" + print, exitGood, "box started"},
		{"https://" + h.address + "/#sha256=" + strings.Repeat("00", 32), exitWrong, "its certificate has another fingerprint"},
		{"https://" + h.address, exitWrong, "certificate"},
		{"http://" + h.address, exitWrong, "400"},
	} {
		var out, errs bytes.Buffer
		if code := run(t.Context(), []string{"journal", "--at", tt.at}, nil, &out, &errs); code != tt.code || !strings.Contains(out.String()+errs.String(), tt.want) {
			t.Errorf("%s: exit %d: %s%s", tt.at, code, &out, &errs)
		}
	}
	if tr := (&daemonClient{at: "https://box.example"}).transport(); tr != http.DefaultTransport {
		t.Errorf("%T without a fingerprint", tr)
	}
}

func TestDaemonOf(t *testing.T) {
	h := newHouse(t, wiredSite)
	h.start(nil)
	file := madeAt(h.d.site, h.path)
	print := strings.ToLower(strings.ReplaceAll(certificate.Fingerprint(h.d.cert.Leaf()), ":", ""))
	for _, tt := range []struct {
		listen configs.Listen
		file   string
		want   string
	}{
		{configs.Listen{Address: "127.0.0.1:9480"}, file, "http://127.0.0.1:9480"},
		{configs.Listen{Address: "0.0.0.0:9480", Trusted: true}, file, "http://127.0.0.1:9480"},
		{configs.Listen{Address: ":9480", SelfMade: true}, file, "https://127.0.0.1:9480#sha256=" + print},
		{configs.Listen{Address: "box.example:9480", SelfMade: true}, "nowhere", "https://box.example:9480"},
		{configs.Listen{Address: "[::]:9480", Certificate: "a", Key: "b"}, file, "https://127.0.0.1:9480"},
	} {
		d := daemonFlag{at: daemonOf(&configs.Site{Listen: tt.listen}, tt.file)}
		if err := d.vet(); err != nil || d.at != tt.want {
			t.Errorf("%+v: %s, %v; want %s", tt.listen, d.at, err, tt.want)
		}
	}
}
