package configs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"roundsman/configs/strict"
)

// longestSecret is the longest password, PIN, key or address taken from a file, in bytes.
const longestSecret = 4 << 10

// secretFiles makes readers of files that hold secrets. No secret is read while files are loaded: 'check' runs as any
// user, and the text of a secret has no place in a value that is printed and compared.
type secretFiles struct {
	dir  string // of the site file: relative files lie there
	look bool   // whether the files' modes are looked at now
}

// reader returns what reads the file that v names, each time it is called; nil if v is nil. Its errors name the file,
// never what is in it.
func (s secretFiles) reader(v *strict.Value) func() (string, error) {
	if v == nil {
		return nil
	}
	path := s.path(v.Text())
	if s.look {
		s.complain(v, path)
	}
	return func() (string, error) { return ReadSecret(path) }
}

func (s secretFiles) path(name string) string {
	if filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(s.dir, name)
}

// complain says already at loading that a file is open to others. One that is not there may be so on purpose: the
// files are checked on another machine.
func (s secretFiles) complain(v *strict.Value, path string) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		v.Warnf("%s is not there%s", path, credentialHint(path))
	case err != nil: // what this user cannot look at, the daemon's may
	default:
		if err := private(info); err != nil {
			v.Failf("%s: %v", path, err)
		} else if info.Size() == 0 {
			v.Warnf("%s is empty; write the secret into it, as one line", path)
		}
	}
}

// credentialHint says how a file comes to where the service manager puts secrets (systemd.exec(5), LoadCredential=).
func credentialHint(path string) string {
	rest, ok := strings.CutPrefix(path, "/run/credentials/")
	unit, name, found := strings.Cut(rest, "/")
	if !ok || !found {
		return ""
	}
	return fmt.Sprintf("; it is while the service runs, if its unit has LoadCredential=%s:FILE (systemctl edit %s)", name, strings.TrimSuffix(unit, ".service"))
}

// ReadSecret reads a secret from a file that nobody but its owner can read or change. Blanks and line ends around it
// are dropped. Its errors name the file, never what is in it.
func ReadSecret(path string) (string, error) {
	text, err := ReadPrivate(path, longestSecret)
	if err != nil {
		return "", err
	}
	secret := bytes.TrimSpace(text)
	if len(secret) == 0 {
		return "", fmt.Errorf("%s: it is empty", path)
	}
	return string(secret), nil
}

// ReadPrivate reads a file of at most so many bytes that nobody but its owner can read or change. Its errors name the
// file, never what is in it; they wrap those of the system.
func ReadPrivate(path string, most int) ([]byte, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0) // a pipe must not make us wait
	if err != nil {
		return nil, fmt.Errorf("%s: %w%s", path, bare(err), credentialHint(path))
	}
	defer f.Close()
	info, err := f.Stat()
	if err == nil {
		err = private(info)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, bare(err))
	}
	text, err := io.ReadAll(io.LimitReader(f, int64(most)+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, bare(err))
	}
	if len(text) > most {
		return nil, fmt.Errorf("%s: it has more than %d bytes", path, most)
	}
	return text, nil
}

// bare is an error without the path that it names: ours name it already.
func bare(err error) error {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		return pe.Err
	}
	return err
}

// private reports why a file is no place for a secret.
func private(info fs.FileInfo) error {
	if !info.Mode().IsRegular() {
		return errors.New("it is no plain file")
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok || exposed(info.Mode(), st.Uid, st.Gid) {
		return fmt.Errorf("others can read or change it (mode %04o); chmod 600 it", info.Mode().Perm())
	}
	return nil
}

// exposed reports whether others than the owner can get at a file. A service manager that hands a secret to one user
// by an access list leaves the file with root and shows the list's mask in the group's place: 0440, root, root.
func exposed(mode fs.FileMode, uid, gid uint32) bool {
	listed := mode.Perm() == 0o440 && uid == 0 && gid == 0
	return mode.Perm()&0o077 != 0 && !listed
}
