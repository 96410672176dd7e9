package modbus

import (
	"bytes"
	"context"
	"slices"
	"time"

	"roundsman/collector/modbus/wire"
)

// ear is a line that keeps what was last sent over it and what was heard since.
// It hides the descriptor, so that all that comes passes through Read.
type ear struct {
	wire.Conn
	sent  []byte
	begun time.Time // of the last request
	last  time.Time // of the last byte heard
	heard []byte    // since the last request
	stray []byte    // before it, since the one before was done
}

// hearing makes the options' lines ears; latest is the one opened last.
func hearing(opts Options) (with Options, latest func() *ear) {
	open := opts.Open
	if open == nil {
		open = opener(opts)
	}
	var now *ear
	opts.Open = func(ctx context.Context) (wire.Conn, error) {
		c, err := open(ctx)
		if err != nil {
			return nil, err
		}
		now = &ear{Conn: c}
		return now, nil
	}
	return opts, func() *ear { return now }
}

// Read keeps what it reads.
func (e *ear) Read(b []byte) (int, error) {
	n, err := e.Conn.Read(b)
	if n > 0 {
		e.heard, e.last = append(e.heard, b[:n]...), time.Now()
	}
	return n, err
}

// Write keeps the request and begins to listen anew.
func (e *ear) Write(b []byte) (int, error) {
	e.sent, e.stray, e.heard = bytes.Clone(b), e.heard, nil
	e.begun = time.Now()
	e.last = e.begun
	return e.Conn.Write(b)
}

// listen hears for so long and returns what came.
func (e *ear) listen(long time.Duration) []byte {
	before := len(e.heard)
	if e.SetDeadline(time.Now().Add(long)) != nil {
		return nil
	}
	buf := make([]byte, 256)
	for {
		if _, err := e.Read(buf); err != nil {
			return e.heard[before:]
		}
	}
}

// forget drops what was heard: the exchange it belongs to is told.
func (e *ear) forget() { e.heard, e.stray = nil, nil }

// sort of what was heard after one request on a line with RTU frames.
type sort uint8

const (
	nothing    sort = iota
	answer          // one sound answer or exception, and nothing else
	twice           // a sound answer and a second sound frame of the same unit
	crowded         // a sound answer and further bytes
	spoiled         // begins as the answer does; as long as it or shorter, CRC wrong
	mixed           // begins as the answer does and is longer than it: two answers at once
	cut             // the beginning of an answer, and no more
	otherUnit       // a sound frame of another unit
	garbage         // bytes that are no frame
	ownRequest      // the request alone came back
)

// heardOf sorts what was heard after a request, both with their CRC. echo says
// that the request itself came first.
func heardOf(request, heard []byte) (s sort, echo bool) {
	if echo = bytes.HasPrefix(heard, request); echo {
		heard = heard[len(request):]
	}
	switch {
	case len(heard) == 0 && echo:
		return ownRequest, echo
	case len(heard) == 0:
		return nothing, echo
	case heard[0] != request[0] || len(heard) > 1 && heard[1]&^0x80 != request[1]:
		return strange(heard), echo
	}
	return toUs(request, heard), echo
}

// strange sorts what does not begin as an answer to the request.
func strange(heard []byte) sort {
	if soundPrefix(heard) > 0 {
		return otherUnit
	}
	return garbage
}

// toUs sorts what begins with the unit and the function asked for.
func toUs(request, heard []byte) sort {
	want := expected(request, heard)
	switch {
	case want == 0: // of no fixed length
		if wire.Sound(heard) {
			return answer
		}
		return spoiled
	case len(heard) < want:
		return cut
	case !wire.Sound(heard[:want]) && len(heard) > want:
		return mixed
	case !wire.Sound(heard[:want]):
		return spoiled
	case len(heard) == want:
		return answer
	}
	if rest := heard[want:]; rest[0] == request[0] && soundPrefix(rest) > 0 {
		return twice
	}
	return crowded
}

// expected returns the length of the answer to a request for registers or bits, or of an exception; 0: not known.
func expected(request, heard []byte) int {
	const exception, head = 5, 5
	if len(heard) > 1 && heard[1]&0x80 != 0 {
		return exception
	}
	if len(request) != 8 {
		return 0
	}
	count := int(request[4])<<8 | int(request[5])
	if Table(request[1]).Bits() {
		return head + (count+7)/8
	}
	return head + 2*count
}

// soundPrefix returns the length of the sound frame that b begins with, 0 for none. Frames of four bytes are not
// looked for: one in 65,536 of them would be sound by chance at each length.
func soundPrefix(b []byte) int {
	const shortest, longest = 5, 256
	for n := shortest; n <= min(len(b), longest); n++ {
		if wire.Sound(b[:n]) {
			return n
		}
	}
	return 0
}

// unitsIn returns the unit ids of the sound frames in b, each once, in the order heard.
func unitsIn(b []byte) []uint8 {
	var out []uint8
	for len(b) > 0 {
		n := soundPrefix(b)
		if n == 0 {
			b = b[1:]
			continue
		}
		if !slices.Contains(out, b[0]) {
			out = append(out, b[0])
		}
		b = b[n:]
	}
	return out
}
