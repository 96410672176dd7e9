package wire

import (
	"bytes"
	"context"
	"fmt"
	"time"
)

// Timing is the time scale of an RTU line.
type Timing struct {
	Timeout time.Duration // longest wait for an answer, beyond the characters' own time on the line
	// Char is the time of one character; 0 over TCP.
	Char time.Duration
	// Silence is kept before each request: 3.5 characters, 1.75 ms above 19,200 baud
	// (MODBUS over Serial Line V1.02, 2.5.1.1); 0 over TCP.
	Silence time.Duration
	Gap     time.Duration // least pause between an answer and the next request, where longer than Silence
	// Pause waits; nil: time.Sleep, which is too coarse for a fast line.
	Pause func(time.Duration)
}

// RTU carries RTU frames over a serial line or over TCP.
//
// RTU frames carry no transaction id, so two answers of one shape cannot be
// told apart. After a request that was not answered the unit is therefore
// asked nothing that an answer to it could pass for: the same question may be
// repeated, another question of the same shape waits until the late answer
// came or can no longer come.
type RTU struct {
	line
	timing Timing
	stream bool // over TCP: closed after each error
	quiet  time.Time
	late   map[uint8]*lateness
	buf    [2 * rtuFrame]byte
	out    [rtuFrame]byte
}

// NewRTU returns a transporter for a serial line.
func NewRTU(open Opener, timing Timing) *RTU {
	if timing.Pause == nil {
		timing.Pause = time.Sleep
	}
	return &RTU{line: line{open: open}, timing: timing, late: map[uint8]*lateness{}}
}

// NewRTUOverTCP returns a transporter for RTU frames over a TCP connection. It closes after each error.
func NewRTUOverTCP(open Opener, timing Timing) *RTU {
	r := NewRTU(open, timing)
	r.stream = true
	return r
}

// Connect opens the line unless it is open. It is closed when ctx ends.
func (r *RTU) Connect(ctx context.Context) error {
	if r.conn == nil {
		r.quiet = time.Now().Add(r.timing.Silence)
	}
	return r.connect(ctx)
}

// Connected reports whether the line is open, as far as is known.
func (r *RTU) Connected() bool { return r.conn != nil }

// Close closes the line.
func (r *RTU) Close() error { return r.close() }

// Send sends a request and returns its answer, a proper one or an exception.
// All errors are of type *Error.
func (r *RTU) Send(request []byte) ([]byte, error) {
	if len(request) < 4 || !reading(request[1:len(request)-crcSize]) {
		return nil, forbidden(request[min(1, len(request)):])
	}
	if r.conn == nil {
		return nil, &Error{Reason: Closed}
	}
	if err := r.awaitLate(request); err != nil {
		return nil, err
	}
	r.awaitQuiet()
	sent := time.Now()
	answer, err := r.exchange(request)
	if err != nil {
		r.note(request, sent)
		r.recover(err)
		return nil, err
	}
	r.quiet = time.Now().Add(max(r.timing.Silence, r.timing.Gap))
	r.settle(request)
	return answer, nil
}

// awaitQuiet keeps the silence before a request.
func (r *RTU) awaitQuiet() {
	if d := time.Until(r.quiet); d > 0 {
		r.timing.Pause(d)
	}
}

// exchange sends the request on a clean line and waits for its answer.
func (r *RTU) exchange(request []byte) ([]byte, *Error) {
	r.drain(r.buf[:])
	wait := r.timing.Timeout + r.timing.Char*time.Duration(len(request)+answerLength(request))
	if err := r.conn.SetDeadline(time.Now().Add(wait)); err != nil {
		return nil, lineError(err)
	}
	if _, err := r.conn.Write(request); err != nil {
		return nil, lineError(err)
	}
	rx := receiver{request: request, doubtful: r.doubts(request)}
	for {
		n, err := r.conn.Read(r.buf[rx.held:])
		rx.held += n
		frame, fault := rx.look(r.buf[:])
		switch {
		case fault != nil:
			return nil, fault
		case frame != nil:
			return r.out[:copy(r.out[:], frame)], nil
		case err != nil && rx.whole(r.buf[:]):
			return r.out[:copy(r.out[:], r.buf[:rx.held])], nil
		case err != nil:
			return nil, rx.missing(lineError(err))
		}
	}
}

// answerLength returns the characters of the answer to a request, the most there can be if it does not say.
func answerLength(request []byte) int {
	if n := dataLength(request[1:]); n >= 0 {
		return 3 + n + crcSize
	}
	return rtuFrame
}

// recover makes the line fit for the next request: over TCP it closes, on a
// serial line it waits until nothing more comes.
func (r *RTU) recover(err *Error) {
	if r.stream || err.Reason == Closed {
		r.close()
		return
	}
	const lump = 20 * time.Millisecond // USB adapters deliver what came in up to 16 ms at once
	limit := time.Now().Add(r.timing.Timeout + rtuFrame*r.timing.Char)
	step := max(r.timing.Silence, lump)
	for r.listen(r.buf[:], time.Now().Add(step)) > 0 && time.Now().Before(limit) {
	}
	r.quiet = time.Now()
}

// receiver sorts what arrives during one exchange.
type receiver struct {
	request []byte
	held    int    // bytes in the buffer
	other   *Error // the last sound frame that was not the answer
	echo    bool   // our own request came back

	doubtful bool // an exception may answer an earlier request
}

// look takes frames off the front of buf until the answer is there or more
// bytes are needed. Sound frames that do not answer the request are late
// answers, or other devices': they are dropped and the wait goes on.
func (x *receiver) look(buf []byte) ([]byte, *Error) {
	for x.held > 0 {
		if x.tookEcho(buf) {
			continue
		}
		if x.mayEcho(buf) {
			return nil, nil
		}
		n, need := rtuLength(buf[:x.held])
		switch {
		case need, n > x.held, x.identifies(buf) && (n == 0 || !sound(buf[:n])):
			return nil, nil
		case n == 0:
			return nil, &Error{Reason: Garbage, Detail: fmt.Sprintf("% X", buf[:min(x.held, 16)])}
		case !sound(buf[:n]):
			return nil, &Error{Reason: BadCRC, Detail: fmt.Sprintf("frame of %d bytes", n)}
		}
		fault := x.fits(buf[:n])
		if fault == nil {
			return buf[:n], nil
		}
		x.other = fault
		x.drop(buf, n)
	}
	return nil, nil
}

// identifies reports whether an answer to 43/14 came. Its lengths are not
// always true: when they do not lead to its CRC, the line's silence ends it.
func (x *receiver) identifies(buf []byte) bool {
	return x.request[1] == encapsulated && x.held > 1 && buf[0] == x.request[0] && buf[1] == encapsulated
}

// whole reports whether all that came is one sound answer whose lengths lie.
func (x *receiver) whole(buf []byte) bool {
	return x.identifies(buf) && x.held <= rtuFrame && sound(buf[:x.held])
}

// mayEcho reports whether what came so far can only be an echo of the request
// that is not whole yet: it begins as the request does and not as the answer would.
func (x *receiver) mayEcho(buf []byte) bool {
	if x.echo || x.held < 3 || x.held >= len(x.request) || !bytes.HasPrefix(x.request, buf[:x.held]) {
		return false
	}
	return int(buf[2]) != dataLength(x.request[1:])
}

// tookEcho removes our own request from the front of buf. An answer of eight
// bytes that equals its request bit for bit cannot be told from an echo; only
// 17 to 24 coils at an address from 0x0300 on could give one.
func (x *receiver) tookEcho(buf []byte) bool {
	if x.echo || !bytes.HasPrefix(buf[:x.held], x.request) {
		return false
	}
	x.echo = true
	x.drop(buf, len(x.request))
	return true
}

func (x *receiver) drop(buf []byte, n int) {
	x.held = copy(buf, buf[n:x.held])
}

// fits checks a sound frame against the request.
func (x *receiver) fits(frame []byte) *Error {
	if frame[0] != x.request[0] {
		return &Error{Reason: WrongUnit, Detail: fmt.Sprintf("unit %d instead of %d", frame[0], x.request[0])}
	}
	if x.doubtful && frame[1]&exceptionBit != 0 {
		return &Error{Reason: TimedOut, Detail: "only an exception that may be a late answer came"}
	}
	return fitsPDU(x.request[1:len(x.request)-crcSize], frame[1:len(frame)-crcSize])
}

// missing makes the most telling error of a wait that ended with err.
func (x *receiver) missing(err *Error) *Error {
	switch {
	case err.Reason != TimedOut:
	case x.held > 0:
		return &Error{Reason: WrongLength, Detail: fmt.Sprintf("frame cut off after %d bytes", x.held)}
	case x.other != nil:
		return x.other
	case x.echo:
		return &Error{Reason: Echo}
	}
	return err
}
