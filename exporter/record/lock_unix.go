//go:build linux || darwin || freebsd

package record

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/sys/unix"
)

// lock keeps a second writer out. It is a file of its own because closing any descriptor of the database would drop
// SQLite's locks on it. The system releases it however the process ends; the file stays.
func lock(path string) (io.Closer, error) {
	f, err := os.OpenFile(path+".lock", os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, err
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		err = holder(f)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	// Only for the message of the next one who asks; on a full disk it stays empty.
	if f.Truncate(0) == nil {
		_, _ = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	}
	return f, nil
}

// holder names the process that has the lock.
func holder(f *os.File) error {
	text, err := io.ReadAll(io.LimitReader(f, 32))
	if pid := strings.TrimSpace(string(text)); err == nil && pid != "" {
		return fmt.Errorf("%w %s", ErrInUse, pid)
	}
	return ErrInUse
}

// space returns the bytes left for the file at path and the size of its disk, both as far as those without
// privileges may use it; false if that cannot be known.
func space(path string) (free, size uint64, known bool) {
	var s unix.Statfs_t
	if unix.Statfs(path, &s) != nil {
		return 0, 0, false
	}
	used := uint64(s.Blocks) - uint64(s.Bfree)
	return uint64(s.Bavail) * uint64(s.Bsize), (used + uint64(s.Bavail)) * uint64(s.Bsize), true
}
