//go:build !linux

package serial

import (
	"errors"
	"io"
	"time"
)

// Port is an open serial line.
type Port struct{ io.ReadWriteCloser }

// SetDeadline does nothing here: no Port can be had.
func (p *Port) SetDeadline(time.Time) error { return errors.ErrUnsupported }

// Open always returns an error: serial lines are read on Linux only.
func Open(path string, m Mode) (*Port, error) {
	return nil, errors.New(path + ": serial lines are read on Linux only")
}

// Pause waits d.
func Pause(d time.Duration) { time.Sleep(d) }
