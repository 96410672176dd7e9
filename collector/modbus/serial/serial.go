// Package serial opens a serial line as a Modbus RTU line wants it: raw, held
// by nobody else, cleared, with deadlines that hold and a Close that ends a
// running read. It works on Linux.
//
//	port, err := serial.Open("/dev/serial/by-id/...", serial.Mode{Baud: 19200, Parity: 'E', StopBits: 1})
package serial

import (
	"fmt"
	"time"
)

// Mode is how the line is set. Eight data bits always.
type Mode struct {
	Baud     int
	Parity   byte // 'N', 'E', 'O'
	StopBits int  // 1 or 2
	RS485    bool // let the driver switch the direction (TIOCSRS485)
}

// Check returns what is wrong with the mode, nil if nothing is.
func (m Mode) Check() error {
	switch {
	case m.Baud < 300 || m.Baud > 4_000_000:
		return fmt.Errorf("baud %d: no usual rate", m.Baud)
	case m.Parity != 'N' && m.Parity != 'E' && m.Parity != 'O':
		return fmt.Errorf("parity %q: neither N, E nor O", m.Parity)
	case m.StopBits != 1 && m.StopBits != 2:
		return fmt.Errorf("%d stop bits: neither 1 nor 2", m.StopBits)
	}
	return nil
}

// CharBits returns the bits of one character: start, 8 data, parity, stop.
// MODBUS over Serial Line V1.02, 2.5.1 wants 11; 10 (8N1) is common.
func (m Mode) CharBits() int {
	n := 1 + 8 + m.StopBits
	if m.Parity != 'N' {
		n++
	}
	return n
}

// Char returns the time one character takes.
func (m Mode) Char() time.Duration {
	return time.Duration(m.CharBits()) * time.Second / time.Duration(m.Baud)
}

// Silence returns t3.5: 3.5 characters up to 19,200 baud, 1.75 ms above
// (MODBUS over Serial Line V1.02, 2.5.1.1).
func (m Mode) Silence() time.Duration {
	if m.Baud > 19200 {
		return 1750 * time.Microsecond
	}
	return 7 * m.Char() / 2
}

// String returns baud, data bits, parity and stop bits: '19200 8E1'.
func (m Mode) String() string { return fmt.Sprintf("%d 8%c%d", m.Baud, m.Parity, m.StopBits) }
