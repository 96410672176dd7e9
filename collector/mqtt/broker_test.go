package mqtt_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"roundsman/collector"
	"roundsman/collector/mqtt"
)

// pipeBroker is a real broker reached through pipes, so that a test can live
// in fake time and take the line down.
type pipeBroker struct {
	t      testing.TB
	server *broker.Server
	guard  *guard
	work   sync.WaitGroup

	mu      sync.Mutex
	down    bool
	secure  *tls.Config // nil: plain
	line    lineState
	conns   []net.Conn
	dials   int
	address string // last dialled
}

// lineState is what happens to bytes on the way.
type lineState int

const (
	passing   lineState = iota
	swallowed           // they vanish, as in a network that is dead
	blocked             // nobody takes them, as with a full socket buffer
)

// guard lets clients in and refuses what a test names.
type guard struct {
	broker.HookBase
	password string // "": everybody
	refuse   string // filters that begin with it
	tries    int
}

func (g *guard) ID() string { return "guard" }

func (g *guard) Provides(b byte) bool {
	return bytes.Contains([]byte{broker.OnConnectAuthenticate, broker.OnACLCheck}, []byte{b})
}

func (g *guard) OnConnectAuthenticate(_ *broker.Client, p packets.Packet) bool {
	g.tries++
	return g.password == "" || string(p.Connect.Password) == g.password
}

func (g *guard) OnACLCheck(_ *broker.Client, topic string, write bool) bool {
	return write || g.refuse == "" || !strings.HasPrefix(topic, g.refuse)
}

func newPipeBroker(t testing.TB) *pipeBroker {
	t.Helper()
	b := &pipeBroker{t: t, guard: &guard{}}
	b.start()
	return b
}

func (b *pipeBroker) start() {
	b.t.Helper()
	b.server = broker.New(&broker.Options{
		InlineClient: true,
		Logger:       slog.New(slog.DiscardHandler),
	})
	if err := b.server.AddHook(b.guard, nil); err != nil {
		b.t.Fatal(err)
	}
	if err := b.server.Serve(); err != nil {
		b.t.Fatal(err)
	}
	b.setDown(false)
}

func (b *pipeBroker) setLine(s lineState) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.line = s
}

// setDown cuts all lines and refuses new ones, or takes them again.
func (b *pipeBroker) setDown(down bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.down = down
	if !down {
		return
	}
	for _, c := range b.conns {
		c.Close()
	}
	b.conns = nil
}

// stop ends the broker with all that it remembers.
func (b *pipeBroker) stop() {
	b.setDown(true)
	b.server.Close()
	b.work.Wait()
}

func (b *pipeBroker) dial(_ context.Context, _, address string) (net.Conn, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.dials++
	b.address = address
	if b.down {
		return nil, errors.New("connection refused")
	}
	ours, near := net.Pipe()
	far, theirs := net.Pipe()
	b.conns = append(b.conns, far)
	server := b.server
	if b.secure != nil {
		theirs = tls.Server(theirs, b.secure)
	}
	b.work.Go(func() { server.EstablishConnection("pipe", theirs) })
	b.work.Go(func() { b.relay(near, far) })
	b.work.Go(func() { b.relay(far, near) })
	full, idle := net.Pipe()
	b.conns = append(b.conns, idle)
	return &socket{Conn: ours, full: full, broker: b}, nil
}

// socket is our end of a line. While the line is blocked nobody takes what is written.
type socket struct {
	net.Conn
	full   net.Conn // has no reader
	broker *pipeBroker
}

func (s *socket) Write(p []byte) (int, error) {
	if s.broker.lineIs(blocked) {
		return s.full.Write(p)
	}
	return s.Conn.Write(p)
}

func (s *socket) SetWriteDeadline(t time.Time) error {
	return errors.Join(s.Conn.SetWriteDeadline(t), s.full.SetWriteDeadline(t))
}

func (s *socket) SetDeadline(t time.Time) error {
	return errors.Join(s.Conn.SetDeadline(t), s.full.SetDeadline(t))
}

func (s *socket) Close() error { return errors.Join(s.Conn.Close(), s.full.Close()) }

func (b *pipeBroker) lineIs(s lineState) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.line == s
}

// dialled returns how often the broker was dialled, and the last address.
func (b *pipeBroker) dialled() (int, string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.dials, b.address
}

// relay carries bytes one way until an end is closed. The news of that is carried too, but not over a dead line.
func (b *pipeBroker) relay(to, from net.Conn) {
	defer from.Close()
	buffer := newSocketBuffer()
	b.work.Go(func() {
		switch buffer.drain(to) {
		case told:
			to.Close()
		case unread:
			from.Close()
		}
	})
	buf := make([]byte, 1<<16)
	for {
		n, err := from.Read(buf)
		if err != nil {
			buffer.end(b.lineIs(passing))
			return
		}
		if b.lineIs(passing) {
			buffer.put(buf[:n])
		}
	}
}

// socketBuffer holds what was written and not yet read, as the kernel does, of any length.
type socketBuffer struct {
	mu           sync.Mutex
	changed      *sync.Cond
	bytes        []byte
	ended, shuts bool
}

func newSocketBuffer() *socketBuffer {
	s := &socketBuffer{}
	s.changed = sync.NewCond(&s.mu)
	return s
}

func (s *socketBuffer) put(p []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.bytes = append(s.bytes, p...)
	s.changed.Signal()
}

// end notes that nothing more comes, and whether the reader hears of it.
func (s *socketBuffer) end(shuts bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.ended, s.shuts = true, shuts
	s.changed.Signal()
}

// ending is how a buffer's last bytes went.
type ending int

const (
	untold ending = iota // the reader knows nothing of the end
	told                 // the reader is to be told
	unread               // the reader is gone
)

// drain writes what comes to a reader until the end.
func (s *socketBuffer) drain(to net.Conn) ending {
	for {
		s.mu.Lock()
		for len(s.bytes) == 0 && !s.ended {
			s.changed.Wait()
		}
		p, last := s.bytes, s.ended
		s.bytes = nil
		s.mu.Unlock()
		if len(p) > 0 {
			if _, err := to.Write(p); err != nil {
				to.Close()
				return unread
			}
			continue
		}
		switch {
		case last && s.shuts:
			return told
		case last:
			return untold
		}
	}
}

func (b *pipeBroker) publish(topic, payload string, retain bool) {
	b.t.Helper()
	if err := b.server.Publish(topic, []byte(payload), retain, 1); err != nil {
		b.t.Fatal(err)
	}
}

// running is a link at work and what it sent.
type running struct {
	link  *mqtt.Link
	clock *collector.Clock
	stop  func()

	mu       sync.Mutex
	readings []collector.Reading
}

// start runs a link over the broker.
func start(t testing.TB, b *pipeBroker, opts mqtt.Options, points ...mqtt.Point) *running {
	t.Helper()
	return startOver(t, b.dial, opts, points...)
}

func startOver(t testing.TB, dial func(context.Context, string, string) (net.Conn, error), opts mqtt.Options, points ...mqtt.Point) *running {
	t.Helper()
	r := &running{clock: collector.NewClock()}
	opts.Points, opts.Dial = points, dial
	if opts.Name == "" {
		opts.Name = "yard"
	}
	if opts.Broker == "" {
		opts.Broker = "tcp://broker"
	}
	opts.Status, opts.QoS = 0, 1
	link, err := mqtt.New(opts, site(), r.clock)
	if err != nil {
		t.Fatal(err)
	}
	r.link = link
	ctx, cancel := context.WithCancel(t.Context())
	var work sync.WaitGroup
	out := make(chan collector.Batch)
	work.Go(func() {
		if err := link.Run(ctx, out); err != nil {
			t.Errorf("Run: %v", err)
		}
		close(out)
	})
	work.Go(func() {
		for batch := range out {
			r.mu.Lock()
			r.readings = append(r.readings, batch.Readings...)
			r.mu.Unlock()
		}
	})
	r.stop = func() { cancel(); work.Wait() }
	return r
}

// site is a small list of points: 0 is the link's status, 1 to 4 are levels in
// metres, 5 is a state, 6 a text.
func site() []collector.Point {
	points := []collector.Point{{Name: "yard.link", Kind: collector.State}}
	for _, name := range []string{"fresh.tank.level", "ro.tank.level", "tank.3.level", "tank.4.level"} {
		points = append(points, collector.Point{Name: name, Unit: "m"})
	}
	points = append(points, collector.Point{Name: "yard.gateway.online", Kind: collector.State},
		collector.Point{Name: "gateway.version", Kind: collector.Text})
	for i := range points {
		points[i].ID = collector.PointID(i)
	}
	return points
}

// settle lets everything happen that needs no time, and the link look at its queue.
func settle() {
	time.Sleep(100 * time.Millisecond)
	synctest.Wait()
}

// of returns the readings of a point so far.
func (r *running) of(id collector.PointID) []collector.Reading {
	r.mu.Lock()
	defer r.mu.Unlock()
	var list []collector.Reading
	for _, reading := range r.readings {
		if reading.Point == id {
			list = append(list, reading)
		}
	}
	return list
}

// last returns a point's latest reading.
func (r *running) last(id collector.PointID) collector.Reading {
	list := r.of(id)
	if len(list) == 0 {
		return collector.Reading{Point: collector.NoPoint}
	}
	return list[len(list)-1]
}

// want checks a point's latest reading.
func (r *running) want(t *testing.T, when string, id collector.PointID, value float64, fault collector.Fault) {
	t.Helper()
	got := r.last(id)
	if got.Point != id || got.Fault != fault || got.Quality != fault.Quality() ||
		got.Quality.Usable() && got.Value != value {
		t.Errorf("%s: point %d reads %v %v (%s), want %v %q", when, id, got.Value, got.Quality, got.Reason(), value, fault)
	}
}

func (r *running) wantReason(t *testing.T, when string, id collector.PointID, want string) {
	t.Helper()
	if got := r.last(id).Reason(); got != want {
		t.Errorf("%s: point %d: %s, want %s", when, id, got, want)
	}
}

// bubble runs a test in fake time with a broker; everything must have ended when it returns.
func bubble(t *testing.T, test func(t *testing.T, b *pipeBroker)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := newPipeBroker(t)
		defer b.stop()
		test(t, b)
	})
}
