package certificate_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"roundsman/collector/outsidetest"
	"roundsman/exporter/certificate"
)

// shelf is where a self-made certificate is kept, and the clock it is made by.
type shelf struct {
	certificate.SelfMade
	text   []byte
	err    error // of writing
	now    time.Time
	writes int
}

func newShelf(names ...string) *shelf {
	s := &shelf{now: time.Date(2026, 11, 28, 6, 10, 0, 0, time.UTC)}
	s.SelfMade = certificate.SelfMade{Site: "Ardenmoor Wash", Names: names, More: func() []string { return []string{"localhost", "127.0.0.1", "::1"} },
		Now: func() time.Time { return s.now },
		Read: func() ([]byte, error) {
			if s.text == nil {
				return nil, fmt.Errorf("box.tls.pem: %w", fs.ErrNotExist)
			}
			return s.text, nil
		},
		Write: func(text []byte) error {
			if s.err == nil {
				s.text, s.writes = text, s.writes+1
			}
			return s.err
		}}
	return s
}

func leafOf(t *testing.T, text []byte) *x509.Certificate {
	t.Helper()
	block, _ := pem.Decode(text)
	if block == nil {
		t.Fatal("no PEM")
	}
	leaf, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	return leaf
}

func TestSelfMade(t *testing.T) {
	s := newShelf("box.example", "192.0.2.9", "2001:db8::9", "box.example")
	chain, key, err := s.Load()
	if err != nil {
		t.Fatal(err)
	}
	pair, err := tls.X509KeyPair(chain, key)
	if err != nil {
		t.Fatal(err)
	}
	leaf := pair.Leaf
	k, ok := leaf.PublicKey.(*ecdsa.PublicKey)
	if !ok || k.Curve != elliptic.P256() || leaf.IsCA || leaf.KeyUsage != x509.KeyUsageDigitalSignature || leaf.Subject.CommonName != "Ardenmoor Wash" {
		t.Errorf("%T, authority %t, usage %b, %s", leaf.PublicKey, leaf.IsCA, leaf.KeyUsage, leaf.Subject)
	}
	if got := leaf.NotAfter.Sub(leaf.NotBefore); got > 825*24*time.Hour || got < 2*365*24*time.Hour || leaf.NotBefore.After(s.now.Add(-23*time.Hour)) {
		t.Errorf("good from %v to %v", leaf.NotBefore, leaf.NotAfter)
	}
	roots := x509.NewCertPool()
	roots.AddCert(leaf)
	for _, name := range []string{"box.example", "192.0.2.9", "2001:db8::9", "localhost", "127.0.0.1", "::1"} {
		if _, err := leaf.Verify(x509.VerifyOptions{DNSName: name, Roots: roots, CurrentTime: s.now}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := leaf.VerifyHostname("other.example"); err == nil {
		t.Error("it is good for any name")
	}
	if len(leaf.DNSNames) != 2 || len(leaf.IPAddresses) != 4 {
		t.Errorf("names %v, addresses %v", leaf.DNSNames, leaf.IPAddresses)
	}
}

// TestMadeAnew: only when it must be, for the fingerprint changes with it.
func TestMadeAnew(t *testing.T) {
	for name, tt := range map[string]struct {
		change func(s *shelf)
		anew   bool
	}{
		"nothing":            {func(*shelf) {}, false},
		"a year later":       {func(s *shelf) { s.now = s.now.AddDate(1, 0, 0) }, false},
		"61 days before":     {func(s *shelf) { s.now = s.now.AddDate(0, 0, 820-62) }, false},
		"59 days before":     {func(s *shelf) { s.now = s.now.AddDate(0, 0, 820-60) }, true},
		"clock lost":         {func(s *shelf) { s.now = time.Unix(0, 0) }, false},
		"new name":           {func(s *shelf) { s.Names = append(s.Names, "wash.example") }, true},
		"name gone":          {func(s *shelf) { s.Names = nil }, false},
		"new address of own": {func(s *shelf) { s.More = func() []string { return []string{"192.0.2.77"} } }, false},
		"damaged":            {func(s *shelf) { s.text = s.text[:len(s.text)/2] }, true},
		"scrambled":          {func(s *shelf) { s.text = bytes.Replace(s.text, []byte("M"), []byte("N"), 1) }, true},
		"empty":              {func(s *shelf) { s.text = []byte{} }, true},
	} {
		s := newShelf("box.example")
		if _, _, err := s.Load(); err != nil {
			t.Fatal(err)
		}
		tt.change(s)
		chain, key, err := s.Load()
		if _, bad := tls.X509KeyPair(chain, key); err != nil || bad != nil || (s.writes == 2) != tt.anew {
			t.Errorf("%s: %v, %v, made %d times, anew %t", name, err, bad, s.writes, tt.anew)
		}
	}
	// made in 1970, when the clock was not set: anew once it is
	s := newShelf("box.example")
	right := s.now
	s.now = time.Unix(100, 0)
	k, err := certificate.New(s, s.Now)
	if err != nil {
		t.Fatal(err)
	}
	s.now = right
	if changed, err := k.Look(); !changed || err != nil || !k.Leaf().NotAfter.After(right) {
		t.Errorf("%t, %v, good until %v", changed, err, k.Leaf().NotAfter)
	}
	s = newShelf()
	s.err = errors.New("no space left on device")
	if _, _, err := s.Load(); err == nil || err.Error() != "self-made certificate: no space left on device" {
		t.Errorf("%v", err)
	}
	s = newShelf()
	s.SelfMade.Read = func() ([]byte, error) {
		return nil, errors.New("box.tls.pem: others can read or change it (mode 0644); chmod 600 it")
	}
	if _, _, err := s.Load(); err == nil || s.writes != 0 || !strings.Contains(err.Error(), "chmod 600") {
		t.Errorf("%v", err)
	}
}

// disk is two files in memory.
type disk map[string][]byte

func (d disk) read(path string) ([]byte, error) {
	if text, ok := d[path]; ok {
		return text, nil
	}
	return nil, fs.ErrNotExist
}

// half returns the certificate or the key of a pair.
func half(text []byte, kind string) []byte {
	for block, rest := pem.Decode(text); block != nil; block, rest = pem.Decode(rest) {
		if block.Type == kind {
			return pem.EncodeToMemory(block)
		}
	}
	return nil
}

// TestRenewed: a good new pair takes over, a broken one never does.
func TestRenewed(t *testing.T) {
	s := newShelf("box.example")
	now := s.now
	pairs := map[string][]byte{}
	for _, name := range []string{"old", "new"} {
		s.text = nil
		if _, _, err := s.Load(); err != nil {
			t.Fatal(err)
		}
		pairs[name] = s.text
	}
	s.text, s.now = nil, s.now.AddDate(-5, 0, 0)
	if _, _, err := s.Load(); err != nil {
		t.Fatal(err)
	}
	pairs["past"] = s.text

	d := disk{}
	put := func(chain, key []byte) { d["box.pem"], d["box.key"] = chain, key }
	put(half(pairs["old"], "CERTIFICATE"), half(pairs["old"], "PRIVATE KEY"))
	k, err := certificate.New(certificate.FromFiles("box.pem", "box.key", d.read, d.read), func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	old := certificate.Fingerprint(k.Leaf())
	for _, tt := range []struct {
		name       string
		chain, key []byte
		want       string
	}{
		{"same", half(pairs["old"], "CERTIFICATE"), half(pairs["old"], "PRIVATE KEY"), ""},
		{"half renewed", half(pairs["new"], "CERTIFICATE"), half(pairs["old"], "PRIVATE KEY"), "certificate: private key does not match public key"},
		{"no PEM", []byte("hello"), half(pairs["new"], "PRIVATE KEY"), "certificate: failed to find any PEM data in certificate input"},
		{"key missing", half(pairs["new"], "CERTIFICATE"), nil, "key box.key: file does not exist"},
		{"over", half(pairs["past"], "CERTIFICATE"), half(pairs["past"], "PRIVATE KEY"), "certificate: it was good until 25 February 2024"},
	} {
		put(tt.chain, tt.key)
		if tt.key == nil {
			delete(d, "box.key")
		}
		changed, err := k.Look()
		if changed || k.Trouble() != tt.want || fmt.Sprint(err) != tt.want && tt.want != "" || certificate.Fingerprint(k.Leaf()) != old {
			t.Errorf("%s: changed %t, %v, trouble %q", tt.name, changed, err, k.Trouble())
		}
	}
	put(half(pairs["new"], "CERTIFICATE"), half(pairs["new"], "PRIVATE KEY"))
	if changed, err := k.Look(); !changed || err != nil || k.Trouble() != "" || certificate.Fingerprint(k.Leaf()) == old {
		t.Errorf("renewed: %t, %v", changed, err)
	}
	now = now.AddDate(3, 0, 0)
	if changed, _ := k.Look(); changed || k.Trouble() != "certificate: it was good until 24 February 2029" {
		t.Errorf("run out: %q", k.Trouble())
	}
	put([]byte("hello"), nil)
	if _, err := certificate.New(certificate.FromFiles("box.pem", "box.key", d.read, d.read), time.Now); err == nil {
		t.Error("a server without any good certificate")
	}
}

// TestHandshake: with a real handshake, the next one after a renewal gets the new certificate; TLS 1.1 gets none.
func TestHandshake(t *testing.T) {
	s := newShelf("box.example")
	s.now = time.Now()
	k, err := certificate.New(s, s.Now)
	if err != nil {
		t.Fatal(err)
	}
	shake := func(most uint16) (string, error) {
		a, b := net.Pipe()
		defer a.Close()
		defer b.Close()
		server := tls.Server(a, k.Config())
		done := make(chan error, 1)
		go func() { done <- server.Handshake() }()
		client := tls.Client(b, &tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS10, MaxVersion: most})
		err := client.Handshake()
		b.Close()
		<-done
		if err != nil {
			return "", err
		}
		return certificate.Fingerprint(client.ConnectionState().PeerCertificates[0]), nil
	}
	first, err := shake(tls.VersionTLS13)
	if err != nil || first != certificate.Fingerprint(k.Leaf()) {
		t.Fatalf("%s, %v", first, err)
	}
	if _, err := shake(tls.VersionTLS11); err == nil {
		t.Error("TLS 1.1 is spoken")
	}
	s.text = nil
	if changed, err := k.Look(); !changed || err != nil {
		t.Fatal(changed, err)
	}
	if second, err := shake(tls.VersionTLS12); err != nil || second == first || second != certificate.Fingerprint(k.Leaf()) {
		t.Errorf("%s, %v", second, err)
	}
}

// TestFingerprint holds ours against openssl's.
func TestFingerprint(t *testing.T) {
	openssl := outsidetest.Program(t, "openssl", "openssl")
	s := newShelf("box.example", "192.0.2.9")
	if _, _, err := s.Load(); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(openssl, "x509", "-noout", "-fingerprint", "-sha256", "-ext", "subjectAltName")
	cmd.Stdin = bytes.NewReader(s.text)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	want := certificate.Fingerprint(leafOf(t, s.text))
	if !strings.Contains(string(out), "ingerprint="+want+"\n") || !strings.Contains(string(out), "DNS:box.example") || !strings.Contains(string(out), "IP Address:192.0.2.9") {
		t.Errorf("openssl: %s\nours: %s", out, want)
	}
}

// TestCode has a foreign reader read the code, drawn as the page and as the terminal draw it.
func TestCode(t *testing.T) {
	reader := outsidetest.Program(t, "zbarimg", "zbar-tools")
	fingerprint := "6F:B4:55:D4:FF:E7:BC:33:15:3D:5A:3E:9D:97:E2:E0:EE:C1:85:4A:EB:16:04:31:74:5E:E4:67:DD:1A:B4:DB"
	text := certificate.Text("https://box.example:9480", fingerprint)
	if text != "https://box.example:9480/#sha256=6FB455D4FFE7BC33153D5A3E9D97E2E0EEC1854AEB160431745EE467DD1AB4DB" {
		t.Fatal(text)
	}
	code, err := certificate.Code(text)
	if err != nil {
		t.Fatal(err)
	}
	for name, dark := range map[string]func(x, y int) bool{
		"page":     func(x, y int) bool { return in(code, x-4, y-4) },
		"terminal": terminal(certificate.Draw(code)),
	} {
		const module = 6
		size := len(code) + 8
		img := image.NewGray(image.Rect(0, 0, size*module, size*module))
		for y := range size * module {
			for x := range size * module {
				if !dark(x/module, y/module) {
					img.SetGray(x, y, color.Gray{255})
				}
			}
		}
		file := filepath.Join(t.TempDir(), "code.png")
		var b bytes.Buffer
		if err := errors.Join(png.Encode(&b, img), os.WriteFile(file, b.Bytes(), 0o600)); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(reader, "--raw", "-q", file).Output()
		if err != nil || strings.TrimSpace(string(out)) != text {
			t.Errorf("%s: %v, read %q", name, err, out)
		}
	}
	if _, err := certificate.Code(strings.Repeat("x", 5000)); err == nil {
		t.Error("5,000 letters in one code")
	}
}

func in(code [][]bool, x, y int) bool {
	return y >= 0 && y < len(code) && x >= 0 && x < len(code) && code[y][x]
}

// terminal reads a drawing back as a terminal shows it.
func terminal(text string) func(x, y int) bool {
	lines := strings.Split(strings.NewReplacer("\x1b[30;107m", "", "\x1b[0m", "").Replace(text), "\n")
	return func(x, y int) bool {
		line := []rune(lines[y/2])
		if x >= len(line) {
			return false
		}
		return line[x] == '█' || line[x] == '▀' && y%2 == 0 || line[x] == '▄' && y%2 == 1
	}
}
