package main

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"

	"roundsman/configs"
)

// pinMark stands before the fingerprint of a certificate in an address: 'roundsman certificate' and its code show both
// together.
const pinMark = "#sha256="

// pinned cuts an address into the part before the fingerprint and the fingerprint, "" for none.
func pinned(at string) (base, pin string) {
	base, pin, _ = strings.Cut(at, pinMark)
	return base, pin
}

// pin puts a fingerprint behind the address again, as hexadecimal digits alone.
func (d *daemonFlag) pin(pin string) error {
	if pin == "" {
		return nil
	}
	pin = strings.ToLower(strings.ReplaceAll(pin, ":", ""))
	if sum, err := hex.DecodeString(pin); err != nil || len(sum) != sha256.Size {
		return fmt.Errorf("--at: what follows %s is no SHA-256 fingerprint", pinMark)
	}
	if !strings.HasPrefix(d.at, "https://") {
		return fmt.Errorf("--at: %s has no certificate to compare; https:// has", d.at)
	}
	d.at += pinMark + pin
	return nil
}

// daemonOf is where the site's own daemon listens, as the box itself reaches it; with a self-made certificate that is
// kept at file, together with its fingerprint.
func daemonOf(site *configs.Site, file string) string {
	at := site.Listen.Address
	if host, port, err := net.SplitHostPort(at); err == nil && (host == "" || net.ParseIP(host).IsUnspecified()) {
		at = net.JoinHostPort("127.0.0.1", port)
	}
	if !site.Listen.TLS() {
		return "http://" + at
	}
	at = "https://" + at
	if !site.Listen.SelfMade {
		return at
	}
	text, err := configs.ReadPrivate(file, longestPEM)
	if err != nil {
		return at // whoever may not read it says the fingerprint with --at
	}
	if block, _ := pem.Decode(text); block != nil {
		sum := sha256.Sum256(block.Bytes)
		at += pinMark + hex.EncodeToString(sum[:])
	}
	return at
}

// errPin: somebody else may be listening in.
var errPin = errors.New("its certificate has another fingerprint; 'roundsman certificate SITE.yaml' on the box shows the right one")

// transport trusts whom the system trusts, or, with a fingerprint in the address, the certificate of that fingerprint
// alone, whatever names it holds.
func (c *daemonClient) transport() http.RoundTripper {
	_, pin := pinned(c.at)
	if pin == "" {
		return http.DefaultTransport
	}
	return &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{
		InsecureSkipVerify: true, // the fingerprint is compared instead
		VerifyConnection: func(s tls.ConnectionState) error {
			if !hasPrint(s.PeerCertificates[0], pin) {
				return errPin
			}
			return nil
		},
	}}
}

func hasPrint(c *x509.Certificate, pin string) bool {
	sum := sha256.Sum256(c.Raw)
	return hex.EncodeToString(sum[:]) == pin
}
