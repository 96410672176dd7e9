package wire

import (
	"context"
	"encoding/binary"
	"fmt"
	"time"
)

// Sizes by the Modbus Messaging on TCP/IP Implementation Guide V1.0b.
const (
	mbapHeader = 7   // transaction, protocol, length, unit
	tcpFrame   = 260 // header and 253 bytes of PDU
)

// TCP carries frames with an MBAP header. Every failed exchange closes the
// connection, so that an answer that comes too late meets nobody.
type TCP struct {
	line
	timeout time.Duration
	id      uint16 // of the last request sent
	sent    int    // requests sent over this connection
	held    int    // bytes in buf that no frame has used yet
	buf     [2 * tcpFrame]byte
	out     [tcpFrame]byte // the frame handed to the caller
}

// NewTCP returns a transporter that waits at most timeout for each answer.
// It stamps the transaction ids itself: one count for all units of the link.
func NewTCP(open Opener, timeout time.Duration) *TCP {
	return &TCP{line: line{open: open}, timeout: timeout}
}

// Connect opens the connection unless it is open. It is closed when ctx ends.
func (t *TCP) Connect(ctx context.Context) error {
	if t.conn == nil {
		t.sent, t.held = 0, 0
	}
	return t.connect(ctx)
}

// Connected reports whether the connection is open, as far as is known.
func (t *TCP) Connected() bool { return t.conn != nil }

// Close closes the connection.
func (t *TCP) Close() error { return t.close() }

// Send sends a request and returns its answer, a proper one or an exception.
// All errors are of type *Error; all but Forbidden leave the connection closed.
func (t *TCP) Send(request []byte) ([]byte, error) {
	if len(request) < mbapHeader || !reading(request[mbapHeader:]) {
		return nil, forbidden(request[min(mbapHeader, len(request)):])
	}
	if t.conn == nil {
		return nil, &Error{Reason: Closed}
	}
	answer, err := t.exchange(request)
	if err != nil {
		t.close()
		return nil, err
	}
	return answer, nil
}

func (t *TCP) exchange(request []byte) ([]byte, *Error) {
	t.id++
	t.sent++
	binary.BigEndian.PutUint16(request, t.id)
	if err := t.conn.SetDeadline(time.Now().Add(t.timeout)); err != nil {
		return nil, lineError(err)
	}
	if _, err := t.conn.Write(request); err != nil {
		return nil, lineError(err)
	}
	for {
		frame, err := t.frame()
		if err != nil {
			return nil, err
		}
		if t.stale(frame) {
			continue
		}
		if err := fits(request, frame); err != nil {
			return nil, err
		}
		return frame, nil
	}
}

// frame returns the next whole frame. It takes what comes in one look at the
// line: a frame rarely needs a second one.
func (t *TCP) frame() ([]byte, *Error) {
	for {
		if t.held >= mbapHeader {
			n := int(binary.BigEndian.Uint16(t.buf[4:])) + mbapHeader - 1
			if p := binary.BigEndian.Uint16(t.buf[2:]); p != 0 {
				return nil, &Error{Reason: Garbage, Detail: fmt.Sprintf("protocol id %d", p)}
			}
			if n <= mbapHeader+1 || n > tcpFrame {
				return nil, &Error{Reason: Garbage, Detail: fmt.Sprintf("frame length %d", n)}
			}
			if t.held >= n {
				return t.take(n), nil
			}
		}
		n, err := t.conn.Read(t.buf[t.held:])
		t.held += n
		if err != nil && n == 0 {
			return nil, t.cut(err)
		}
	}
}

func (t *TCP) take(n int) []byte {
	copy(t.out[:], t.buf[:n])
	t.held = copy(t.buf[:], t.buf[n:t.held])
	return t.out[:n]
}

// cut says what is missing when the line ended within a frame.
func (t *TCP) cut(err error) *Error {
	e := lineError(err)
	if t.held > 0 {
		e.Detail = fmt.Sprintf("after %d bytes of a frame", t.held)
	}
	return e
}

// stale reports whether the frame answers an earlier request of this connection.
func (t *TCP) stale(frame []byte) bool {
	behind := t.id - binary.BigEndian.Uint16(frame)
	return behind > 0 && int(behind) < t.sent
}

// fits checks an answer against its request, both with header.
func fits(request, answer []byte) *Error {
	if asked, got := binary.BigEndian.Uint16(request), binary.BigEndian.Uint16(answer); asked != got {
		return &Error{Reason: Garbage, Detail: fmt.Sprintf("transaction id %d instead of %d", got, asked)}
	}
	if request[6] != answer[6] {
		return &Error{Reason: WrongUnit, Detail: fmt.Sprintf("unit %d instead of %d", answer[6], request[6])}
	}
	return fitsPDU(request[mbapHeader:], answer[mbapHeader:])
}

// fitsPDU checks function code and length of an answer.
func fitsPDU(request, answer []byte) *Error {
	switch answer[0] {
	case request[0]:
	case request[0] | exceptionBit:
		if len(answer) != 2 {
			return &Error{Reason: WrongLength, Detail: fmt.Sprintf("exception of %d bytes", len(answer))}
		}
		return nil
	default:
		return &Error{Reason: WrongFunction, Detail: fmt.Sprintf("%s instead of %s", functionName(answer[0]), functionName(request[0]))}
	}
	want := dataLength(request[:min(len(request), 5)])
	if want < 0 {
		return nil
	}
	if got := len(answer) - 2; got != want || int(answer[1]) != want {
		return &Error{Reason: WrongLength, Detail: fmt.Sprintf("%d bytes (said to be %d) instead of %d", got, answer[1], want)}
	}
	return nil
}

func functionName(code byte) string { return fmt.Sprintf("function %d (0x%02X)", code, code) }
