// Package pushtest holds a phone that receives web push, for tests: its own reading of RFC 8188 and RFC 8291, which
// shares nothing with the library that sends. The tests of package push hold it against RFC 8291, Appendix A.
package pushtest

import (
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"crypto/ecdh"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
)

// Phone is who receives: RFC 8291's user agent.
type Phone struct {
	Private *ecdh.PrivateKey
	Secret  []byte // of the subscription, 16 bytes
}

// NewPhone returns a phone with new keys.
func NewPhone() (Phone, error) {
	private, err := ecdh.P256().GenerateKey(rand.Reader)
	secret := make([]byte, 16)
	_, _ = rand.Read(secret) // never fails
	return Phone{private, secret}, err
}

// Subscription returns what the phone's browser gives the page (W3C Push API, toJSON), with that name in its address at
// push.example.net.
func (p Phone) Subscription(name string) string {
	enc := base64.RawURLEncoding
	return `{"endpoint":"https://push.example.net/p/` + name + `","expirationTime":null,"keys":{"p256dh":"` +
		enc.EncodeToString(p.Private.PublicKey().Bytes()) + `","auth":"` + enc.EncodeToString(p.Secret) + `"}}`
}

// Steps are the intermediate values of RFC 8291, Appendix A.
type Steps struct{ Shared, PRKKey, IKM, PRK, CEK, Nonce []byte }

// Open returns what a body says (RFC 8188, RFC 8291).
func (p Phone) Open(body []byte) (plain []byte, s Steps, err error) {
	if len(body) < 21 || len(body) < 21+int(body[20]) {
		return nil, s, errors.New("shorter than its header")
	}
	salt, size, n := body[:16], binary.BigEndian.Uint32(body[16:20]), int(body[20])
	sender, sealed := body[21:21+n], body[21+n:]
	key, err := ecdh.P256().NewPublicKey(sender)
	if err != nil {
		return nil, s, err
	}
	if s.Shared, err = p.Private.ECDH(key); err != nil {
		return nil, s, err
	}
	info := "WebPush: info\x00" + string(p.Private.PublicKey().Bytes()) + string(sender)
	s.PRKKey, _ = hkdf.Extract(sha256.New, s.Shared, p.Secret)
	s.IKM, _ = hkdf.Expand(sha256.New, s.PRKKey, info, 32)
	s.PRK, _ = hkdf.Extract(sha256.New, s.IKM, salt)
	s.CEK, _ = hkdf.Expand(sha256.New, s.PRK, "Content-Encoding: aes128gcm\x00", 16)
	s.Nonce, _ = hkdf.Expand(sha256.New, s.PRK, "Content-Encoding: nonce\x00", 12)
	block, err := aes.NewCipher(s.CEK)
	if err != nil {
		return nil, s, err
	}
	gcm, err := cipher.NewGCM(block)
	if err != nil {
		return nil, s, err
	}
	if len(sealed) > int(size) {
		return nil, s, fmt.Errorf("%d bytes in records of %d: more than the one that RFC 8291, section 4 allows", len(sealed), size)
	}
	padded, err := gcm.Open(nil, s.Nonce, sealed, nil)
	if err != nil {
		return nil, s, err
	}
	plain, ok := bytes.CutSuffix(bytes.TrimRight(padded, "\x00"), []byte{2})
	if !ok {
		return nil, s, errors.New("no delimiter of a last record")
	}
	return plain, s, nil
}
