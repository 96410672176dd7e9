package certificate

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"slices"
	"time"
)

const (
	// life of a self-made certificate: phones refuse a server's certificate that is good for more than 825 days, even
	// one that their owner trusts (Apple, requirements for trusted certificates in iOS 13, from memory).
	life = 820 * 24 * time.Hour
	// renewal is how long before its end the next one is made: a month of it is left for somebody to see it.
	renewal = 60 * 24 * time.Hour
	// early lets a clock that is a little slow accept it.
	early = 24 * time.Hour
)

// SelfMade is a source that makes its own certificate, an ECDSA one on P-256, and keeps it with its key in one file. It
// makes the next one when the end is near, or when it lacks one of the names; then its fingerprint changes.
type SelfMade struct {
	Site  string   // common name
	Names []string // host names and IP addresses that it must hold
	// More names go into a new certificate and do not call for one: addresses of the box, which change by themselves.
	More func() []string
	// Read returns the kept file; an error that wraps fs.ErrNotExist means that there is none yet.
	Read func() ([]byte, error)
	// Write keeps it, whole or not at all, where nobody else can read it.
	Write func([]byte) error
	Now   func() time.Time
}

// Load returns the kept pair, or a new one that was kept.
func (s *SelfMade) Load() (chain, key []byte, err error) {
	text, err := s.Read()
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, nil, fmt.Errorf("self-made certificate: %w", err)
	case s.good(text):
		return text, text, nil
	}
	if text, err = s.make(); err == nil {
		err = s.Write(text)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("self-made certificate: %w", err)
	}
	return text, text, nil
}

// good reports whether a kept pair can be used on; a damaged one is made anew.
func (s *SelfMade) good(text []byte) bool {
	block, _ := pem.Decode(text)
	if block == nil || !bytes.Contains(text, []byte("PRIVATE KEY")) {
		return false
	}
	leaf, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return false
	}
	now := s.Now()
	// one that begins in the future was made before the clock was set back: it is good again when the clock is right
	if now.After(leaf.NotAfter.Add(-renewal)) {
		return false
	}
	return !slices.ContainsFunc(s.Names, func(n string) bool { return leaf.VerifyHostname(n) != nil })
}

func (s *SelfMade) make() ([]byte, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 126)) // RFC 5280, section 4.1.2.2: at most 20 octets
	if err != nil {
		return nil, err
	}
	now := s.Now().UTC().Truncate(time.Second)
	names, addresses := s.names()
	// no authority of any kind: whoever steals the key can play this box and nobody else
	t := &x509.Certificate{
		SerialNumber: serial.Add(serial, big.NewInt(1)), Subject: pkix.Name{CommonName: clip(s.Site)}, DNSNames: names, IPAddresses: addresses,
		NotBefore: now.Add(-early), NotAfter: now.Add(life - early),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, key.Public(), key)
	if err != nil {
		return nil, err
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	return append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})...), nil
}

// names sorts out host names and addresses, each once.
func (s *SelfMade) names() (names []string, addresses []net.IP) {
	all := slices.Clone(s.Names)
	if s.More != nil {
		all = append(all, s.More()...)
	}
	var seen []string
	for _, n := range all {
		if n == "" || slices.Contains(seen, n) {
			continue
		}
		seen = append(seen, n)
		if ip := net.ParseIP(n); ip != nil {
			addresses = append(addresses, ip)
		} else {
			names = append(names, n)
		}
	}
	return names, addresses
}

// clip keeps a common name within 64 letters (RFC 5280, appendix A.1, ub-common-name).
func clip(s string) string {
	if r := []rune(s); len(r) > 64 {
		return string(r[:64])
	}
	return s
}
