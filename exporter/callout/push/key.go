package push

import (
	"crypto/ecdh"
	"crypto/ecdsa"
	"crypto/rand"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// pemType of a private key (RFC 7468, section 10), so that common tools can read the file.
const pemType = "PRIVATE KEY"

// signingKey is the site's key in the library's spelling: base64url.
type signingKey struct{ private, public string }

// ensureKey makes the key file if there is none, and checks it otherwise. It
// never writes over a file: a new key would silence every phone.
func ensureKey(file string) error {
	if file == "" {
		return errors.New("no file named")
	}
	_, err := readKey(file)
	if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	key, err := ecdh.P256().GenerateKey(rand.Reader)
	if err != nil {
		return err
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	if err := writeNew(file, pem.EncodeToMemory(&pem.Block{Type: pemType, Bytes: der})); err != nil {
		return err
	}
	_, err = readKey(file)
	return err
}

// writeNew writes a file beside, syncs it and renames it into place, so that
// after a power cut there is a whole file or none.
func writeNew(file string, data []byte) error {
	folder := filepath.Dir(file)
	f, err := os.CreateTemp(folder, ".key-*") // mode 0600
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // nothing is left of that name once it is renamed
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), file); err != nil {
		return err
	}
	d, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// readKey reads the key anew; a file that others than its owner can read is refused.
func readKey(file string) (signingKey, error) {
	info, err := os.Stat(file)
	if err != nil {
		return signingKey{}, err
	}
	if info.Mode().Perm()&0o077 != 0 {
		return signingKey{}, fmt.Errorf("%s: mode is %04o: others can read it; chmod 600", file, info.Mode().Perm())
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return signingKey{}, err
	}
	block, _ := pem.Decode(text)
	if block == nil || block.Type != pemType {
		return signingKey{}, fmt.Errorf("%s: holds no private key in PEM form", file)
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return signingKey{}, fmt.Errorf("%s: the private key cannot be read", file)
	}
	key, ok := parsed.(*ecdsa.PrivateKey)
	if !ok {
		return signingKey{}, fmt.Errorf("%s: not an elliptic curve key", file)
	}
	shared, err := key.ECDH()
	if err != nil || shared.Curve() != ecdh.P256() {
		return signingKey{}, fmt.Errorf("%s: not a P-256 key", file)
	}
	return signingKey{
		private: base64.RawURLEncoding.EncodeToString(shared.Bytes()),
		public:  base64.RawURLEncoding.EncodeToString(shared.PublicKey().Bytes()),
	}, nil
}
