package terminal

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// rates are the usual bit rates by their termios words.
var rates = map[uint32]int{
	unix.B1200: 1200, unix.B2400: 2400, unix.B4800: 4800, unix.B9600: 9600, unix.B19200: 19200,
	unix.B38400: 38400, unix.B57600: 57600, unix.B115200: 115200,
}

// Baud returns the rate that the client set its side to: a device that was set
// otherwise would not understand it. The system keeps no parity of a pseudo
// terminal. The error says that it is closed or that the rate is no usual one.
func (p *Terminal) Baud() (int, error) {
	var word uint32
	err := p.control(func(fd int) error {
		t, err := unix.IoctlGetTermios(fd, getTermios)
		if err == nil {
			word = t.Cflag & unix.CBAUD
		}
		return err
	})
	baud, known := rates[word]
	switch {
	case err != nil:
		return 0, fmt.Errorf("pseudo terminal %s: %w", p.Path, err)
	case !known:
		return 0, fmt.Errorf("pseudo terminal %s: no usual rate (%#x)", p.Path, word)
	}
	return baud, nil
}
