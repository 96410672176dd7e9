package wire

import (
	"context"
	"syscall"
	"time"
)

// line is an opened Conn that closes by itself when its context ends.
type line struct {
	open   Opener
	conn   Conn
	raw    syscall.RawConn // for looking without waiting; nil where the Conn has none
	unhook func() bool
	hooked chan struct{} // closed when the hook has run
}

// connect opens the line unless it is open.
func (l *line) connect(ctx context.Context) error {
	if l.conn != nil {
		return nil
	}
	conn, err := l.open(ctx)
	if err != nil {
		return openError(err)
	}
	l.conn, l.raw = conn, nil
	if s, ok := conn.(syscall.Conn); ok {
		if raw, err := s.SyscallConn(); err == nil {
			l.raw = raw
		}
	}
	hooked := make(chan struct{})
	l.hooked = hooked
	l.unhook = context.AfterFunc(ctx, func() {
		defer close(hooked)
		conn.Close()
	})
	return nil
}

// close closes the line if it is open, and waits for the hook if that runs.
func (l *line) close() error {
	if l.conn == nil {
		return nil
	}
	if !l.unhook() {
		<-l.hooked
	}
	err := l.conn.Close()
	l.conn, l.raw = nil, nil
	return err
}

// drainLook is how long a Conn that cannot be looked at without waiting is listened to.
const drainLook = time.Millisecond

// drain throws away what has arrived and returns how much that was.
func (l *line) drain(scratch []byte) int {
	if l.raw == nil {
		return l.listen(scratch, time.Now().Add(drainLook))
	}
	total := 0
	for {
		n := 0
		err := l.raw.Read(func(fd uintptr) bool {
			n, _ = syscall.Read(int(fd), scratch)
			return true
		})
		if err != nil || n <= 0 {
			return total
		}
		total += n
	}
}

// listen throws away all that arrives until the given time and returns how much that was.
func (l *line) listen(scratch []byte, until time.Time) int {
	total := 0
	if l.conn.SetDeadline(until) != nil {
		return 0
	}
	for {
		n, err := l.conn.Read(scratch)
		total += n
		if err != nil {
			return total
		}
	}
}
