package device

import (
	"context"
	"encoding/binary"
	"io"
	"net"
	"time"

	"golang.org/x/sync/errgroup"
)

// ServeTCP serves Modbus TCP on l until ctx ends, then closes l and every
// connection, waits for their goroutines and returns nil. A unit id that the
// server lacks gets exception 0B, as from a gateway.
func (s *Server) ServeTCP(ctx context.Context, l net.Listener) error {
	return s.serve(ctx, l, s.serveMBAP)
}

// ServeRTUOverTCP is ServeTCP for RTU frames without MBAP header, as serial
// device servers carry them. A unit id that the server lacks gets no answer.
func (s *Server) ServeRTUOverTCP(ctx context.Context, l net.Listener) error {
	return s.serve(ctx, l, func(ctx context.Context, c net.Conn) {
		_ = s.frames(ctx, c, Line{}) // ends with its connection
	})
}

// ServeConn serves Modbus TCP on one connection until it or ctx ends, and closes it.
func (s *Server) ServeConn(ctx context.Context, c net.Conn) {
	stop := context.AfterFunc(ctx, func() { _ = c.Close() })
	defer stop()
	defer c.Close()
	s.serveMBAP(ctx, c)
}

func (s *Server) serve(ctx context.Context, l net.Listener, one func(context.Context, net.Conn)) error {
	g, inner := errgroup.WithContext(ctx)
	stop := context.AfterFunc(inner, func() { _ = l.Close() })
	defer stop()
	g.Go(func() error {
		for {
			c, err := l.Accept()
			if err != nil {
				return err
			}
			if !s.enter() {
				_ = c.Close()
				continue
			}
			g.Go(func() error {
				defer s.leave()
				defer c.Close()
				end := context.AfterFunc(inner, func() { _ = c.Close() })
				defer end()
				one(inner, c)
				return nil
			})
		}
	})
	err := g.Wait()
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// serveMBAP answers one request after the other until the connection ends or
// the header is not Modbus TCP's.
func (s *Server) serveMBAP(ctx context.Context, c net.Conn) {
	var head [7]byte
	for {
		if _, err := io.ReadFull(c, head[:]); err != nil {
			return
		}
		n := int(binary.BigEndian.Uint16(head[4:])) - 1
		if binary.BigEndian.Uint16(head[2:]) != 0 || n < 1 || n > maxPDU {
			return
		}
		pdu := make([]byte, n)
		if _, err := io.ReadFull(c, pdu); err != nil {
			return
		}
		if !s.replyMBAP(ctx, c, head, pdu) {
			return
		}
	}
}

// replyMBAP reports whether the connection lives on.
func (s *Server) replyMBAP(ctx context.Context, c net.Conn, head [7]byte, pdu []byte) bool {
	unit := head[6]
	if s.banks[unit] == nil {
		_, err := c.Write(mbap(head, unit, exception(pdu[0], GatewayNoAnswer)))
		return err == nil
	}
	r := s.respond(unit, pdu)
	if !pause(ctx, r.delay) {
		return false
	}
	if r.reset {
		_ = reset(c)
		return false
	}
	if r.silent {
		return true
	}
	if r.echo {
		if _, err := c.Write(append(head[:], pdu...)); err != nil {
			return false
		}
	}
	if r.check {
		binary.BigEndian.PutUint16(head[:], binary.BigEndian.Uint16(head[:])-1)
	}
	return pieces(ctx, c, s.bytes(r, mbap(head, r.unit, r.pdu)), r)
}

func mbap(head [7]byte, unit uint8, pdu []byte) []byte {
	out := append(make([]byte, 0, 7+len(pdu)), head[:]...)
	binary.BigEndian.PutUint16(out[4:], uint16(len(pdu)+1))
	out[6] = unit
	return append(out, pdu...)
}

// pieces writes the frame whole or split, and reports success.
func pieces(ctx context.Context, w io.Writer, frame []byte, r reply) bool {
	for r.piece > 0 && len(frame) > r.piece {
		if _, err := w.Write(frame[:r.piece]); err != nil || !pause(ctx, r.pause) {
			return false
		}
		frame = frame[r.piece:]
	}
	_, err := w.Write(frame)
	return err == nil
}

// reset ends a TCP connection by a reset and reports whether it was one.
func reset(c io.Writer) bool {
	t, ok := c.(*net.TCPConn)
	if ok {
		_ = t.SetLinger(0) // so that Close sends a reset
		_ = t.Close()
	}
	return ok
}

// pause waits and reports whether ctx lives on.
func pause(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
