package practice

import (
	"fmt"
	"log/slog"
	"net"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
)

// broker is the embedded MQTT broker. It can go down and come back at the same
// address, then without its retained messages, as after a power cut.
type broker struct {
	address string
	log     *slog.Logger

	mu     sync.Mutex // guards all below
	first  net.Listener
	server *mqtt.Server // nil while down
	port   *port        // the server's
	ended  bool
}

// newBroker opens the broker's port.
func newBroker(address string, log *slog.Logger) (*broker, error) {
	l, err := listen(address)
	if err != nil {
		return nil, err
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &broker{address: l.Addr().String(), log: log, first: l}, nil
}

func (b *broker) start() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.startLocked()
}

// startLocked serves on the port opened first, or opens it again. Everybody
// may connect: the port is on loopback unless the caller chose another.
func (b *broker) startLocked() error {
	if b.server != nil || b.ended {
		return nil
	}
	l := b.first
	b.first = nil
	if l == nil {
		var err error
		if l, err = relisten(b.address); err != nil {
			return err
		}
	}
	capabilities := mqtt.NewDefaultServerCapabilities()
	capabilities.MaximumMessageExpiryInterval = int64(10 * 365 * 24 * time.Hour / time.Second) // keep retained values
	s := mqtt.New(&mqtt.Options{Logger: b.log, Capabilities: capabilities})
	if err := s.AddHook(new(openDoor), nil); err != nil {
		return fmt.Errorf("broker: %w", err)
	}
	b.port = &port{Listener: l, open: map[net.Conn]struct{}{}}
	if err := s.AddListener(listeners.NewNet("yard", b.port)); err != nil {
		return fmt.Errorf("broker: %w", err)
	}
	if err := s.Serve(); err != nil {
		return fmt.Errorf("broker: %w", err)
	}
	b.server = s
	return nil
}

// relisten waits a little for a port that is being given back.
func relisten(address string) (net.Listener, error) {
	for try := 0; ; try++ {
		l, err := net.Listen("tcp", address)
		if err == nil || try >= 20 {
			return l, err
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// pause takes the broker down; its clients are thrown out.
func (b *broker) pause() {
	b.mu.Lock()
	defer b.mu.Unlock()
	_ = b.stopLocked()
}

// resume brings it back; a port taken meanwhile keeps it down.
func (b *broker) resume() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.startLocked(); err != nil {
		b.log.Error("broker stays down", "reason", err)
	}
}

// stop ends the broker for good.
func (b *broker) stop() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ended = true
	return b.stopLocked()
}

// stopLocked closes each server once: a second Close of the library panics.
func (b *broker) stopLocked() error {
	if b.first != nil {
		err := b.first.Close()
		b.first = nil
		return err
	}
	if b.server == nil {
		return nil
	}
	err := b.server.Close()
	b.server = nil
	b.port.hangUp()
	return err
}

// port is a listener that can hang up on everybody. The library forgets a
// client that comes while it closes, and that one would wait for an answer.
type port struct {
	net.Listener
	mu   sync.Mutex
	down bool
	open map[net.Conn]struct{}
}

// Accept accepts a connection that hangUp can reach.
func (p *port) Accept() (net.Conn, error) {
	c, err := p.Listener.Accept()
	if err != nil {
		return nil, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.down {
		_ = c.Close()
		return nil, net.ErrClosed
	}
	p.open[c] = struct{}{}
	return held{c, p}, nil
}

func (p *port) hangUp() {
	_ = p.Listener.Close()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.down = true
	for c := range p.open {
		_ = c.Close()
	}
	clear(p.open)
}

// held is a connection that its port knows of until it is closed.
type held struct {
	net.Conn
	port *port
}

// Close closes the connection and lets the port forget it.
func (h held) Close() error {
	h.port.mu.Lock()
	delete(h.port.open, h.Conn)
	h.port.mu.Unlock()
	return h.Conn.Close()
}
