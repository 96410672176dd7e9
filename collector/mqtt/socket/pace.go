package socket

import (
	"net"
	"time"
)

// Pace lets what comes in gather: after a read that brought messages, the next one waits until some time has passed since
// then, so that a thousand messages a second are read by a few reads and wake a few goroutines, not a thousand. The first
// message after a pause is read at once, and so is everything while more lies there than a read takes. One goroutine
// reads.
type Pace struct {
	net.Conn
	every   time.Duration
	last    time.Time // of the last read
	drained bool      // it took all that lay there
	busy    bool      // it brought messages
}

// NewPace returns conn read at most once in every while it brings messages. It belongs beneath TLS, whose reads end with
// each record.
func NewPace(conn net.Conn, every time.Duration) *Pace { return &Pace{Conn: conn, every: every} }

// Read waits for the pace, then reads what is there.
func (c *Pace) Read(p []byte) (int, error) {
	if c.busy && c.drained {
		time.Sleep(c.every - time.Since(c.last))
	}
	n, err := c.Conn.Read(p)
	c.last, c.drained, c.busy = time.Now(), n < len(p), false
	return n, err
}
