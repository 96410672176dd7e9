package mqtt_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/mqtt"
)

// selfSigned returns a certificate for a host, valid around a moment, and its file.
func selfSigned(t *testing.T, host string, at time.Time) (tls.Certificate, string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: host}, DNSNames: []string{host},
		NotBefore: at.Add(-time.Hour), NotAfter: at.Add(24 * time.Hour), IsCA: true, BasicConstraintsValid: true,
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

func TestTLS(t *testing.T) {
	tests := []struct {
		name, host, file string // file "": the certificate's own
		want             string // in the reason; "": up
	}{
		{"known broker", "broker", "", ""},
		{"another host's certificate", "other", "", "certificate is valid for other, not broker"},
		{"unknown authority", "broker", "none", "certificate signed by unknown authority"},
		{"no such file", "broker", "missing.pem", "certificates: open missing.pem: no such file"},
		{"file without certificates", "broker", "tls_test.go", "certificates: tls_test.go holds none"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			bubble(t, func(t *testing.T, b *pipeBroker) {
				certificate, file := selfSigned(t, tt.host, time.Now())
				b.secure = &tls.Config{Certificates: []tls.Certificate{certificate}}
				switch tt.file {
				case "":
				case "none":
					_, file = selfSigned(t, "broker", time.Now())
				default:
					file = tt.file
				}
				r := start(t, b, mqtt.Options{Broker: "ssl://broker", CAFile: file}, mqtt.Point{ID: 1, Topic: "a"})
				defer r.stop()
				settle()
				if tt.want != "" {
					r.want(t, tt.name, 1, 0, collector.LinkLost)
					if why := r.last(1).Detail; !strings.Contains(why, tt.want) {
						t.Errorf("reason %q, want %q in it", why, tt.want)
					}
					return
				}
				b.publish("a", "1.5", false)
				settle()
				r.want(t, tt.name, 1, 1.5, collector.NoFault)
			})
		})
	}
}
