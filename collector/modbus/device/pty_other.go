//go:build !(linux || darwin || dragonfly || freebsd || netbsd || openbsd)

package device

import "errors"

// PTY is a pseudo terminal; this system has none.
type PTY struct{ Path string }

var errNoPTY = errors.New("pseudo terminal: not on this system")

// OpenPTY fails on this system.
func OpenPTY() (*PTY, error) { return nil, errNoPTY }

// Read fails.
func (p *PTY) Read([]byte) (int, error) { return 0, errNoPTY }

// Write fails.
func (p *PTY) Write([]byte) (int, error) { return 0, errNoPTY }

// Close does nothing.
func (p *PTY) Close() error { return nil }
