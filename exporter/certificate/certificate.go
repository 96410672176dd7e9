// Package certificate has the TLS certificate that the pages are served with:
// read from files and anew when they are renewed, or made by the box itself. A
// broken new pair never takes the place of a good one. It has no clock and
// touches no disk but through what it is given.
//
//	keeper, err := certificate.New(certificate.FromFiles("box.pem", "box.key", os.ReadFile, readSecret), time.Now)
//	server.TLSConfig = keeper.Config()
//	keeper.Look() // from time to time
package certificate

import (
	"bytes"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"
)

// Source gives a certificate with its key.
type Source interface {
	// Load returns the texts of the certificate chain and the key, in PEM. It is asked about once a minute.
	Load() (chain, key []byte, err error)
}

// FromFiles reads a pair from two files, each with its own reader: the key is a secret.
func FromFiles(chain, key string, readChain, readKey func(path string) ([]byte, error)) Source {
	return files{chain, key, readChain, readKey}
}

type files struct {
	chain, key         string
	readChain, readKey func(string) ([]byte, error)
}

// Load reads both files whole: they are small, and a time stamp may lie.
func (f files) Load() (chain, key []byte, err error) {
	if chain, err = f.readChain(f.chain); err != nil {
		return nil, nil, fmt.Errorf("certificate %s: %w", f.chain, err)
	}
	if key, err = f.readKey(f.key); err != nil {
		return nil, nil, fmt.Errorf("key %s: %w", f.key, err)
	}
	return chain, key, nil
}

// Keeper holds the pair in force. It is safe for simultaneous use.
type Keeper struct {
	source Source
	now    func() time.Time
	pair   atomic.Pointer[tls.Certificate]

	looking sync.Mutex
	text    []byte // of the chain and key looked at last
	trouble string
}

// New returns a keeper of the source's pair; there must be a good one to begin with. Now tells the wall time.
func New(source Source, now func() time.Time) (*Keeper, error) {
	k := &Keeper{source: source, now: now}
	if _, err := k.Look(); err != nil && k.pair.Load() == nil {
		return nil, err
	}
	return k, nil
}

// Look reads the source and takes over a new pair if it is good; else the old one stays in force and the error says why
// the new one is not. changed is true when another pair is in force than before.
func (k *Keeper) Look() (changed bool, err error) {
	k.looking.Lock()
	defer k.looking.Unlock()
	changed, err = k.look()
	k.trouble = ""
	if err != nil {
		k.trouble = err.Error()
	}
	return changed, err
}

func (k *Keeper) look() (changed bool, err error) {
	chain, key, err := k.source.Load()
	if err != nil {
		return false, err
	}
	text := bytes.Join([][]byte{chain, key}, []byte{0})
	if old := k.pair.Load(); old != nil && bytes.Equal(text, k.text) {
		return false, k.fresh(old.Leaf)
	}
	pair, err := tls.X509KeyPair(chain, key)
	if err != nil {
		return false, errors.New("certificate: " + bare(err))
	}
	err = k.fresh(pair.Leaf)
	if err != nil && k.pair.Load() != nil {
		return false, err
	}
	k.text = text
	k.pair.Store(&pair) // even an old one, where it is all there is: a browser tells what is wrong with it
	return true, err
}

// fresh says whether a certificate is good today.
func (k *Keeper) fresh(leaf *x509.Certificate) error {
	if now := k.now(); now.After(leaf.NotAfter) {
		return fmt.Errorf("certificate: it was good until %s", leaf.NotAfter.UTC().Format("2 January 2006"))
	}
	return nil
}

// bare drops the library's own prefix.
func bare(err error) string {
	text := err.Error()
	for _, prefix := range []string{"tls: ", "x509: "} {
		text = string(bytes.TrimPrefix([]byte(text), []byte(prefix)))
	}
	return text
}

// Trouble is what is wrong with the pair that the source has now; "" for nothing.
func (k *Keeper) Trouble() string {
	k.looking.Lock()
	defer k.looking.Unlock()
	return k.trouble
}

// Leaf is the certificate in force.
func (k *Keeper) Leaf() *x509.Certificate { return k.pair.Load().Leaf }

// Config serves the pair in force. TLS 1.2 is the least (RFC 9325, section 3.1.1); suites and curves are the library's
// own choice, which moves with the Go release.
func (k *Keeper) Config() *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS12,
		// streams have deadlines of their own for each event, which one connection for all could not have
		NextProtos:     []string{"http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return k.pair.Load(), nil },
	}
}

// Fingerprint is the SHA-256 of a certificate as browsers show it: pairs of hexadecimal digits with colons.
func Fingerprint(c *x509.Certificate) string {
	sum := sha256.Sum256(c.Raw)
	var b bytes.Buffer
	for i, v := range sum {
		if i > 0 {
			b.WriteByte(':')
		}
		fmt.Fprintf(&b, "%02X", v)
	}
	return b.String()
}
