// Package calltest holds what the tests of the channels share: a message, a
// certificate made on the spot, and the foreign programs they are tried against.
package calltest

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"roundsman/exporter/callout"
	"roundsman/rules"
)

// Message returns an alarm as the call-out hands it to a channel.
func Message(to string) *callout.Message {
	return &callout.Message{
		Key: "2026-11-25T06:12:04Z-7", Number: 7, Subject: callout.AboutAlarm, Alarm: "air-low", Thread: "air-low-1811",
		Priority: rules.HighPriority, Site: "Ardenmoor Wash", Person: "Niamh Quill", To: to,
		Title: "Ardenmoor AIR header pressure low", Short: "Ardenmoor AIR header 5.3 bar, low 5.5",
		Text: "Header pressure 5.3 bar, low 5.5 bar, since 06:12.\nOil at 71 \u00b0C.\n.\nStop loading cars.",
		Link: "https://wash.example/a/Zk3?x=1&y=2", Created: time.Date(2026, 11, 25, 6, 12, 4, 0, time.UTC), Try: 1,
	}
}

// Secret returns a reader of a secret.
func Secret(s string) func() (string, error) { return func() (string, error) { return s, nil } }

// Silent fails the test if one of the secrets stands in an error's text.
func Silent(t testing.TB, err error, secrets ...string) {
	t.Helper()
	if err == nil {
		t.Error("no error where one is needed to look for secrets in")
		return
	}
	for _, s := range secrets {
		if strings.Contains(err.Error(), s) {
			t.Errorf("the error gives a secret away: %v", err)
		}
	}
}

// Certificate returns a certificate for names and addresses, and the file that makes it trusted.
func Certificate(t testing.TB, names ...string) (tls.Certificate, string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: names[0]},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour), IsCA: true, BasicConstraintsValid: true,
	}
	for _, n := range names {
		if ip := net.ParseIP(n); ip != nil {
			form.IPAddresses = append(form.IPAddresses, ip)
		} else {
			form.DNSNames = append(form.DNSNames, n)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, form, form, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, file
}

// KeyFile writes a certificate's private key as PEM.
func KeyFile(t testing.TB, c tls.Certificate) string {
	t.Helper()
	der, err := x509.MarshalPKCS8PrivateKey(c.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "key.pem")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// Eventually polls until something outside this process has happened.
func Eventually(t testing.TB, what string, done func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !done() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatalf("waited 20 s in vain for %s", what)
		}
	}
}
