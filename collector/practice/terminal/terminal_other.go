//go:build !(linux || darwin || dragonfly || freebsd || netbsd || openbsd)

// Package terminal gives the practice plant its serial line where the system has pseudo terminals.
package terminal

import "errors"

// Terminal is a pseudo terminal; this system has none.
type Terminal struct{ Path string }

var errNone = errors.New("pseudo terminal: not on this system")

// Open fails on this system.
func Open() (*Terminal, error) { return nil, errNone }

// Read fails.
func (p *Terminal) Read([]byte) (int, error) { return 0, errNone }

// Write fails.
func (p *Terminal) Write([]byte) (int, error) { return 0, errNone }

// Close does nothing.
func (p *Terminal) Close() error { return nil }
