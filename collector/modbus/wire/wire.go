// Package wire carries Modbus frames between a packager and a line: the
// transporters behind goburrow's client, for Modbus TCP, RTU on a serial line
// and RTU over TCP.
//
// They hold three promises that the library's own transporters do not:
// nothing but a reading request leaves the box; an answer handed back belongs
// to the request it is handed back for; and every failure has a reason with a
// type.
//
//	t := wire.NewTCP(open, time.Second)
//	if err := t.Connect(ctx); err != nil { ... }
//	client := modbus.NewClient2(packager, t)
//
// A transporter is used by one goroutine at a time. The bytes it returns are
// valid until its next Send.
package wire

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"syscall"
	"time"
)

// Conn is an open line: a TCP connection, a serial port, one end of a pipe.
type Conn interface {
	io.ReadWriteCloser
	SetDeadline(t time.Time) error
}

// Opener opens the line. It is called by Connect only, may block until ctx ends.
type Opener func(ctx context.Context) (Conn, error)

// Reason says why no answer came of a request.
type Reason uint8

// The reasons.
const (
	TimedOut      Reason = iota + 1 // nothing that fits came in time
	Refused                         // the far end refused the connection
	Unreachable                     // the line cannot be opened
	Closed                          // the line went away, or is not open
	WrongUnit                       // another unit answered
	WrongFunction                   // an answer to another function
	WrongLength                     // an answer of another length than asked for
	BadCRC                          // a frame spoiled on the line
	Garbage                         // bytes that are no frame
	Echo                            // our own request came back and nothing else
	Forbidden                       // the request is no reading request and was not sent
	Waiting                         // not asked: an answer to an earlier request may still come and pass for its own
)

var reasonWords = [...]string{
	"no reason", "no answer", "connection refused", "cannot be opened", "connection closed", "another unit answered",
	"answer to another function", "answer of another length", "bad CRC", "garbage",
	"own request came back (echo)", "not a reading request",
	"not asked while late answers may come",
}

// String returns the reason in words.
func (r Reason) String() string {
	if int(r) < len(reasonWords) {
		return reasonWords[r]
	}
	return reasonWords[0]
}

// Error is a failed exchange or connection.
type Error struct {
	Reason Reason
	Detail string // what was found, "" when the reason says it all
	Err    error  // the error of the line, nil if the bytes themselves were wrong
}

// Error returns the reason, the detail and the line's own words.
func (e *Error) Error() string {
	s := e.Reason.String()
	if e.Detail != "" {
		s += ": " + e.Detail
	}
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	return s
}

// Unwrap returns the error of the line.
func (e *Error) Unwrap() error { return e.Err }

// ReasonOf returns the reason within err, 0 when it has none.
func ReasonOf(err error) Reason {
	var e *Error
	if errors.As(err, &e) {
		return e.Reason
	}
	return 0
}

// lineError wraps an error of reading or writing a line.
func lineError(err error) *Error {
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded):
		return &Error{Reason: TimedOut}
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrClosedPipe), errors.Is(err, net.ErrClosed), errors.Is(err, os.ErrClosed):
		return &Error{Reason: Closed}
	}
	return &Error{Reason: Closed, Err: err}
}

// openError wraps an error of opening a line.
func openError(err error) *Error {
	if errors.Is(err, syscall.ECONNREFUSED) {
		return &Error{Reason: Refused}
	}
	return &Error{Reason: Unreachable, Err: hinted(err)}
}

// hinted says what helps against what keeps a line from being opened.
func hinted(err error) error {
	switch {
	case errors.Is(err, syscall.ENOENT), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV):
		return fmt.Errorf("%w: is the adapter plugged in? its name under /dev/serial/by-id stays the same", err)
	case errors.Is(err, syscall.EACCES):
		return fmt.Errorf("%w: this user may not open it; a member of the group that owns it may (on Debian dialout; in the service's unit SupplementaryGroups=)", err)
	case errors.Is(err, syscall.EPERM):
		return fmt.Errorf("%w: the service's unit lets it open no such device: DeviceAllow=", err)
	case errors.Is(err, syscall.EBUSY):
		return fmt.Errorf("%w: another program holds the line, perhaps the daemon: a line has one owner; stop that first", err)
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		return fmt.Errorf("%w: no machine has this address here: compare the box's own network and mask with the device's", err)
	case errors.Is(err, syscall.EAFNOSUPPORT):
		return fmt.Errorf("%w: the service's unit lets it have no such connection: RestrictAddressFamilies=", err)
	}
	return err
}

// The function codes that may leave the box, by AP section 6.
const (
	readCoils            = 0x01
	readDiscreteInputs   = 0x02
	readHoldingRegisters = 0x03
	readInputRegisters   = 0x04
	encapsulated         = 0x2B // with MEI type 0x0E only: read device identification
	identification       = 0x0E
	exceptionBit         = 0x80
)

// reading reports whether a request's function and data only read.
// MEI type 13 (CANopen) can write, so 0x2B passes with type 14 alone.
func reading(pdu []byte) bool {
	if len(pdu) == 0 {
		return false
	}
	switch pdu[0] {
	case readCoils, readDiscreteInputs, readHoldingRegisters, readInputRegisters:
		return len(pdu) == 5
	case encapsulated:
		return len(pdu) == 4 && pdu[1] == identification
	}
	return false
}

// forbidden is the error of a request that does not only read.
func forbidden(pdu []byte) *Error {
	if len(pdu) == 0 {
		return &Error{Reason: Forbidden, Detail: "empty request"}
	}
	return &Error{Reason: Forbidden, Detail: functionName(pdu[0])}
}

// dataLength returns the number of data bytes the answer to a reading request
// carries; -1 when the request does not say (identification).
func dataLength(pdu []byte) int {
	if pdu[0] == encapsulated {
		return -1
	}
	n := int(binary.BigEndian.Uint16(pdu[3:]))
	switch pdu[0] {
	case readCoils, readDiscreteInputs:
		return (n + 7) / 8
	case readHoldingRegisters, readInputRegisters:
		return 2 * n
	}
	return -1
}
