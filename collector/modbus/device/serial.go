package device

import (
	"context"
	"io"
	"time"

	"golang.org/x/sync/errgroup"
)

// Line says how a serial line carries characters. The zero value carries them
// at once.
type Line struct {
	Baud     int
	CharBits int // bits a character with start, parity and stop; 0: 11 (SL 2.5.1)
	// Lump is how many characters arrive together, as behind a USB adapter; 0: 1.
	Lump int
	// Wait returns at the given time; nil: exact to some 10 us by a short busy wait.
	// In a bubble of fake time give one that sleeps.
	Wait func(time.Time)
}

// Characters returns the time that n characters take on the line.
func (l Line) Characters(n int) time.Duration {
	if l.Baud <= 0 {
		return 0
	}
	bits := l.CharBits
	if bits == 0 {
		bits = 11
	}
	return time.Duration(float64(n*bits) * 1e9 / float64(l.Baud))
}

// Silence returns t3.5, the silence that ends a frame (SL 2.5.1).
func (l Line) Silence() time.Duration {
	switch {
	case l.Baud <= 0:
		return 0
	case l.Baud > 19200:
		return 1750 * time.Microsecond
	}
	return l.Characters(7) / 2
}

func (l Line) wait(until time.Time) {
	if l.Wait != nil {
		l.Wait(until)
		return
	}
	waitUntil(until)
}

// ServeSerial serves Modbus RTU on port until ctx ends, then closes port,
// waits for its goroutine and returns nil. It returns early with the port's
// error when that ends. It takes the line's time for the request, too, since a
// pseudo terminal delivers it at once; then t3.5 and the turnaround pass before
// the answer. Requests to other unit ids get no answer.
func (s *Server) ServeSerial(ctx context.Context, port io.ReadWriteCloser, line Line) error {
	stop := context.AfterFunc(ctx, func() { _ = port.Close() })
	defer func() {
		if stop() {
			_ = port.Close()
		}
	}()
	err := s.frames(ctx, port, line)
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// frames answers RTU frames until the port or ctx ends. One goroutine reads,
// so that a silence can be told from a slow frame.
func (s *Server) frames(ctx context.Context, port io.ReadWriter, line Line) error {
	g, ctx := errgroup.WithContext(ctx)
	in := make(chan chunk, 16)
	g.Go(func() error { return readChunks(ctx, port, in) })
	g.Go(func() error {
		f := framer{in: in, gap: line.Silence() + slack}
		for {
			frame, first, err := f.next(ctx)
			if err != nil {
				return nil // the reader tells why
			}
			if !s.replyFrame(ctx, port, line, frame, first) {
				closeIf(port)
				return io.ErrClosedPipe
			}
		}
	})
	return g.Wait()
}

func closeIf(port io.ReadWriter) {
	if c, ok := port.(io.Closer); ok {
		_ = c.Close()
	}
}

// replyFrame reports whether the port lives on.
func (s *Server) replyFrame(ctx context.Context, port io.Writer, line Line, frame []byte, first time.Time) bool {
	begin := first.Add(line.Characters(len(frame)))
	if now := time.Now(); now.After(begin) {
		begin = now // the sender took the line's time by itself
	}
	unit, pdu := frame[0], frame[1:len(frame)-2]
	if s.banks[unit] == nil {
		return ctx.Err() == nil
	}
	r := s.respond(unit, pdu)
	if r.echo && !transmit(ctx, port, line, frame, first, reply{}) {
		return false
	}
	if r.reset {
		return !reset(port)
	}
	if r.silent {
		return true
	}
	if !pause(ctx, r.delay-slack) {
		return false
	}
	out := appendCRC(append([]byte{r.unit}, r.pdu...))
	if r.check {
		out[len(out)-1] ^= 0x5A
	}
	return transmit(ctx, port, line, s.bytes(r, out), begin.Add(line.Silence()+r.delay), r)
}

// transmit writes each character when its last bit would have come.
func transmit(ctx context.Context, port io.Writer, line Line, frame []byte, begin time.Time, r reply) bool {
	lump := max(line.Lump, 1)
	if line.Baud <= 0 {
		line.wait(begin)
		return pieces(ctx, port, frame, r)
	}
	for i := 0; i < len(frame); i += lump {
		part := frame[i:min(i+lump, len(frame))]
		if r.piece > 0 && i > 0 && i%r.piece == 0 {
			if !pause(ctx, r.pause) {
				return false
			}
			begin = begin.Add(r.pause)
		}
		line.wait(begin.Add(line.Characters(i + len(part))))
		if ctx.Err() != nil {
			return false
		}
		if _, err := port.Write(part); err != nil {
			return false
		}
	}
	return true
}
