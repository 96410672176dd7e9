// Package socket makes the connections of MQTT clients endable from outside and
// impatient: what the client library leaves open.
package socket

import (
	"net"
	"sync"
	"time"
)

// Held is the socket of one session, to be closed from outside. The zero value holds none yet. It may be used from
// any goroutine.
type Held struct {
	mu   sync.Mutex
	conn net.Conn
	shut bool
}

// Hold keeps the socket, or closes it at once if Close was called before.
func (h *Held) Hold(conn net.Conn) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.conn = conn
	if h.shut {
		conn.Close()
	}
}

// Close closes the socket, now or as soon as it is held.
func (h *Held) Close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.shut = true
	if h.conn != nil {
		h.conn.Close()
	}
}

// Impatient gives each write on conn a deadline. The client's own write timeout covers only what it publishes: with a
// full socket buffer the ping of a client that only listens would wait for ever, and with it the notice that the line
// is dead.
func Impatient(conn net.Conn, limit time.Duration) net.Conn { return impatient{conn, limit} }

type impatient struct {
	net.Conn
	limit time.Duration
}

func (c impatient) Write(p []byte) (int, error) {
	if err := c.SetWriteDeadline(time.Now().Add(c.limit)); err != nil {
		return 0, err
	}
	return c.Conn.Write(p)
}
