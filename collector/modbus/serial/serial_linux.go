package serial

import (
	"errors"
	"fmt"
	"os"
	"runtime"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Port is an open serial line. Close may be called from any goroutine and ends a running Read.
type Port struct{ *os.File }

// Open opens and sets the device at path. Bytes that waited there are thrown away.
// A second Open of the device fails until the first is closed (except for root).
func Open(path string, m Mode) (*Port, error) {
	if err := m.Check(); err != nil {
		return nil, err
	}
	f, err := os.OpenFile(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	p := &Port{f}
	if err := p.control(func(fd int) error { return set(fd, m) }); err != nil {
		f.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return p, nil
}

// control calls fn with the descriptor, leaving it in non-blocking mode.
func (p *Port) control(fn func(fd int) error) error {
	raw, err := p.SyscallConn()
	if err != nil {
		return err
	}
	var inner error
	if err := raw.Control(func(fd uintptr) { inner = fn(int(fd)) }); err != nil {
		return err
	}
	return inner
}

func set(fd int, m Mode) error {
	t, err := termios(m)
	if err != nil {
		return err
	}
	if err := unix.IoctlSetTermios(fd, unix.TCSETS, t); err != nil {
		return fmt.Errorf("set %v: %w", m, err)
	}
	if err := unix.IoctlSetInt(fd, unix.TIOCEXCL, 0); err != nil {
		return fmt.Errorf("hold it alone: %w", err)
	}
	if m.RS485 {
		if err := switchDirection(fd); err != nil {
			return err
		}
	}
	if err := unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH); err != nil {
		return fmt.Errorf("clear: %w", err)
	}
	return nil
}

// termios returns raw mode. VMIN is 1: with 0 an empty read would look like the end of the file.
func termios(m Mode) (*unix.Termios, error) {
	rate, err := rate(m.Baud)
	if err != nil {
		return nil, err
	}
	t := &unix.Termios{Cflag: unix.CS8 | unix.CREAD | unix.CLOCAL | rate, Ispeed: rate, Ospeed: rate}
	t.Cc[unix.VMIN] = 1
	if m.StopBits == 2 {
		t.Cflag |= unix.CSTOPB
	}
	switch m.Parity {
	case 'E':
		t.Cflag |= unix.PARENB
	case 'O':
		t.Cflag |= unix.PARENB | unix.PARODD
	}
	if m.Parity != 'N' {
		t.Iflag |= unix.INPCK // a character with wrong parity arrives as 0 and the CRC finds it
	}
	return t, nil
}

func rate(baud int) (uint32, error) {
	switch baud {
	case 300:
		return unix.B300, nil
	case 600:
		return unix.B600, nil
	case 1200:
		return unix.B1200, nil
	case 2400:
		return unix.B2400, nil
	case 4800:
		return unix.B4800, nil
	case 9600:
		return unix.B9600, nil
	case 19200:
		return unix.B19200, nil
	case 38400:
		return unix.B38400, nil
	case 57600:
		return unix.B57600, nil
	case 115200:
		return unix.B115200, nil
	case 230400:
		return unix.B230400, nil
	case 460800:
		return unix.B460800, nil
	case 921600:
		return unix.B921600, nil
	}
	return 0, fmt.Errorf("baud %d: no usual rate", baud)
}

// switchDirection asks the driver to switch an RS-485 transceiver (struct serial_rs485 of linux/serial.h).
func switchDirection(fd int) error {
	const enabled, rtsOnSend = 1 << 0, 1 << 1
	v := struct {
		flags, before, after uint32
		_                    [5]uint32
	}{flags: enabled | rtsOnSend}
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), unix.TIOCSRS485, uintptr(unsafe.Pointer(&v)))
	if errno != 0 {
		return fmt.Errorf("the driver does not switch direction (%w); leave rs485 off if the adapter does it by itself", errno)
	}
	return nil
}

// The last stretch of a Pause: below finest the runtime's timers, late by up
// to a millisecond, are not used at all, and the last spin is spent busy.
const (
	finest = 2 * time.Millisecond
	spin   = 25 * time.Microsecond
)

// Pause waits d and never less, exact to some 0.01 ms on a machine that is not
// busy: the runtime's timers are too coarse for the silence between frames.
func Pause(d time.Duration) {
	end := time.Now().Add(d)
	if d > 2*finest {
		time.Sleep(d - finest)
	}
	nap(end.Add(-spin))
	for time.Now().Before(end) {
	}
}

// nap sleeps until end by the system call, whose slack is 0.05 ms unless the thread asks for less.
func nap(end time.Time) {
	if time.Until(end) <= 0 {
		return
	}
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	// A system that knows no slack wakes us late, and that is all.
	_ = unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0)
	defer func() { _ = unix.Prctl(unix.PR_SET_TIMERSLACK, 0, 0, 0, 0) }() // 0: back to the usual
	for left := time.Until(end); left > 0; left = time.Until(end) {
		t := unix.NsecToTimespec(int64(left))
		if err := unix.Nanosleep(&t, nil); err != nil && !errors.Is(err, unix.EINTR) {
			time.Sleep(left)
		}
	}
}
