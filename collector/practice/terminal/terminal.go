//go:build linux || darwin || dragonfly || freebsd || netbsd || openbsd

// Package terminal gives the practice plant its serial line: a pseudo terminal
// whose one end is served as a device (collector/modbus/device) and whose
// other end a program opens like any serial port.
//
//	t, err := terminal.Open()
//	err = meters.ServeSerial(ctx, t, device.Line{Baud: 19200}) // while a client uses t.Path
package terminal

import (
	"fmt"
	"os"
	"sync"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// Terminal is a pseudo terminal that stands in for a serial line: the server talks
// on it, the client opens Path as its serial device. It knows no baud rate and
// no parity; Line gives the times.
type Terminal struct {
	Path string // of the client's side

	master *os.File
	slave  *os.File // kept open: else a client that leaves would end the server's reading
	once   sync.Once
	err    error
}

// Open opens a pseudo terminal without echo or line editing.
func Open() (*Terminal, error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("pseudo terminal: %w", err)
	}
	p := &Terminal{Path: slave.Name(), master: master, slave: slave}
	if err := p.control(makeRaw); err != nil {
		_ = p.Close()
		return nil, fmt.Errorf("pseudo terminal %s: raw mode: %w", p.Path, err)
	}
	return p, nil
}

func (p *Terminal) control(do func(fd int) error) error {
	raw, err := p.slave.SyscallConn()
	if err != nil {
		return err
	}
	var inner error
	if err := raw.Control(func(fd uintptr) { inner = do(int(fd)) }); err != nil {
		return err
	}
	return inner
}

// Read reads what the client sent. Since the terminal outlives its clients,
// it also takes back a client's exclusive use: else the next could not open it.
func (p *Terminal) Read(b []byte) (int, error) {
	n, err := p.master.Read(b)
	if err == nil {
		_ = p.control(shareLine)
	}
	return n, err
}

// Write sends to the client.
func (p *Terminal) Write(b []byte) (int, error) { return p.master.Write(b) }

// Close ends both sides and a running Read. It may be called more than once.
func (p *Terminal) Close() error {
	p.once.Do(func() {
		p.err = p.master.Close()
		if err := p.slave.Close(); p.err == nil {
			p.err = err
		}
	})
	return p.err
}

func shareLine(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCNXCL, 0) }

// makeRaw is cfmakeraw of termios(3).
func makeRaw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, getTermios)
	if err != nil {
		return err
	}
	t.Iflag &^= unix.IGNBRK | unix.BRKINT | unix.PARMRK | unix.ISTRIP | unix.INLCR | unix.IGNCR | unix.ICRNL | unix.IXON
	t.Oflag &^= unix.OPOST
	t.Lflag &^= unix.ECHO | unix.ECHONL | unix.ICANON | unix.ISIG | unix.IEXTEN
	t.Cflag &^= unix.CSIZE | unix.PARENB
	t.Cflag |= unix.CS8
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(fd, setTermios, t)
}
