package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// The limits of the web server, so that nobody holds it up for the others: a bad mobile link must fit, a client that
// dawdles on purpose must not. Streams lift them for themselves.
const (
	headLimit   = 5 * time.Second  // for the head of a request, and for shaking hands
	askLimit    = 15 * time.Second // for a whole request
	answerLimit = time.Minute      // for a whole answer
	idleLimit   = 2 * time.Minute
	// mostBody in the body of a request, in bytes; handlers allow less.
	mostBody = 256 << 10
	// mostConnections at once, and from one address; a connection with TLS takes some 40 kB. The box itself may have
	// all: what is in front of it, if anything, asks from there.
	mostConnections = 512
	mostOfAddress   = 128
	// newAtOnce connections are taken as they come, then one each newEvery; the others wait at the kernel's door. Each costs
	// a handshake, some milliseconds of a slow core, and the rounds of the room come first.
	newAtOnce = 256
	newEvery  = 10 * time.Millisecond
)

// newServer serves h within the limits. Live streams watch ctx, so a stop need not wait for them.
func newServer(ctx context.Context, h http.Handler) *http.Server {
	return &http.Server{
		Handler:           bounded(h),
		ReadHeaderTimeout: headLimit,
		ReadTimeout:       askLimit,
		WriteTimeout:      answerLimit,
		IdleTimeout:       idleLimit,
		MaxHeaderBytes:    64 << 10,

		DisableGeneralOptionsHandler: true,

		BaseContext: func(net.Listener) context.Context { return ctx },
		ErrorLog:    slog.NewLogLogger(slog.DiscardHandler, 0), // broken handshakes are the clients' affair
	}
}

// serveHTTP serves until ctx ends.
func serveHTTP(ctx context.Context, l net.Listener, h http.Handler) error {
	srv := newServer(ctx, h)
	stopped := make(chan error, 1)
	defer context.AfterFunc(ctx, func() {
		limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopLimit)
		defer cancel()
		stopped <- srv.Shutdown(limit)
	})()
	if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return <-stopped
}

// bounded refuses bodies that nobody here has a use for: those that say their size before a byte is read.
func bounded(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.ContentLength > mostBody {
			w.Header().Set("Connection", "close") // the rest is not read
			w.Header().Set("Content-Type", "application/problem+json")
			w.WriteHeader(http.StatusRequestEntityTooLarge)
			_, _ = fmt.Fprintf(w, `{"type":"about:blank","title":"Request Entity Too Large","status":413,"detail":"the body has more than %d bytes"}`, mostBody)
			return
		}
		if r.Body != nil {
			r.Body = http.MaxBytesReader(w, r.Body, mostBody)
		}
		h.ServeHTTP(w, r)
	})
}

// crowd lets so many connections in; the next is closed at once.
type crowd struct {
	net.Listener
	most, mostEach int
	log            *slog.Logger

	mu   sync.Mutex // guards what follows
	all  int
	each map[netip.Addr]int
	full bool // as it was logged last

	taken pace // of new connections; only Accept's
}

func newCrowd(l net.Listener, log *slog.Logger) *crowd {
	return &crowd{Listener: l, most: mostConnections, mostEach: mostOfAddress, log: log, each: map[netip.Addr]int{}}
}

// Accept returns the next connection for which there is room.
func (c *crowd) Accept() (net.Conn, error) {
	for {
		conn, err := c.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if wait := c.pace(time.Now()); wait > 0 {
			time.Sleep(wait) // each connection has its place by then, nobody else is held up
		}
		from := addressOf(conn)
		if c.enter(from) {
			return &visit{Conn: conn, leave: sync.OnceFunc(func() { c.leave(from) })}, nil
		}
		_ = conn.Close()
	}
}

// pace takes a place for a new connection and returns how long it is to wait for it.
func (c *crowd) pace(now time.Time) time.Duration {
	var wait time.Duration
	c.taken, wait = c.taken.take(now, newAtOnce, newEvery)
	return wait
}

func addressOf(conn net.Conn) netip.Addr {
	a, err := netip.ParseAddrPort(conn.RemoteAddr().String())
	if err != nil {
		return netip.Addr{}
	}
	return a.Addr().Unmap()
}

func (c *crowd) enter(from netip.Addr) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.all >= c.most || !from.IsLoopback() && c.each[from] >= c.mostEach {
		if !c.full {
			c.full = true
			c.log.Warn("too many connections, more are closed at once", "open", c.all, "from", from)
		}
		return false
	}
	c.all++
	c.each[from]++
	return true
}

func (c *crowd) leave(from netip.Addr) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.all--
	if c.each[from]--; c.each[from] == 0 {
		delete(c.each, from)
	}
	if c.full && c.all < c.most/2 {
		c.full = false
		c.log.Info("there is room for connections again", "open", c.all)
	}
}

// visit is one connection of the crowd.
type visit struct {
	net.Conn
	leave func()
}

// Close makes room for the next.
func (v *visit) Close() error {
	v.leave()
	return v.Conn.Close()
}
