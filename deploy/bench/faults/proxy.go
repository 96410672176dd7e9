// Package faults stands between the box and whom it talks to, and does what bad lines do: it drops, delays, truncates,
// corrupts, doubles and reorders what passes, and resets connections. Its test runs the real program between foreign
// peers and counts what went wrong:
//
//	go test -v ./deploy/bench/faults
package faults

import (
	"context"
	"io"
	"math/rand/v2"
	"net"
	"sync"
	"time"
)

// Kind is a way in which a line is bad.
type Kind uint8

// The kinds.
const (
	None Kind = iota
	Drop
	Delay
	Truncate
	Corrupt
	Duplicate
	Reorder
	Reset
)

// String returns the kind's word.
func (k Kind) String() string {
	return [...]string{"none", "drop", "delay", "truncate", "corrupt", "duplicate", "reorder", "reset"}[k]
}

// Proxy disturbs what passes through it. The fields are set before it serves.
type Proxy struct {
	// Guarded is where Corrupt must keep off: from this byte of a lump on. Modbus TCP and MQTT have no check of their own
	// and rest on TCP's, so that only their headers, which must fit, can be corrupted here. 0: nothing is guarded.
	Guarded int
	Late    time.Duration // of Delay
	Every   int           // one lump of so many is disturbed, at random
	Both    bool          // what the box sends is disturbed too, not only what it gets

	mu     sync.Mutex
	kind   Kind
	random *rand.Rand
	count  int
}

// Set chooses the fault from now on; the seed makes the choice of lumps repeatable. It returns how many were disturbed
// since the last Set.
func (p *Proxy) Set(k Kind, seed uint64) int {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := p.count
	p.kind, p.random, p.count = k, rand.New(rand.NewPCG(seed, 1)), 0
	return n
}

// Disturbed returns how many lumps were disturbed since the last Set.
func (p *Proxy) Disturbed() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.count
}

// draw says what happens to a lump.
func (p *Proxy) draw() (k Kind, at int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.kind == None || p.random.IntN(p.Every) > 0 {
		return None, 0
	}
	p.count++
	return p.kind, p.random.IntN(1 << 16)
}

// ServeTCP joins connections to l with ones to target until ctx ends.
func (p *Proxy) ServeTCP(ctx context.Context, l net.Listener, target string) {
	var work sync.WaitGroup
	defer work.Wait()
	defer context.AfterFunc(ctx, func() { _ = l.Close() })()
	for {
		near, err := l.Accept()
		if err != nil {
			return
		}
		far, err := (&net.Dialer{}).DialContext(ctx, "tcp", target)
		if err != nil {
			_ = near.Close()
			continue
		}
		work.Go(func() { p.Join(ctx, near, far) })
	}
}

// Join carries between the box and its peer until one of them or ctx ends, and closes both.
func (p *Proxy) Join(ctx context.Context, box, peer io.ReadWriteCloser) {
	shut := sync.OnceFunc(func() {
		_ = box.Close()
		_ = peer.Close()
	})
	defer context.AfterFunc(ctx, shut)()
	var work sync.WaitGroup
	work.Go(func() { defer shut(); p.carry(box, peer, true) })
	work.Go(func() { defer shut(); p.carry(peer, box, p.Both) })
	work.Wait()
}

// carry carries lumps, each of which is what one read gives: a frame, mostly.
func (p *Proxy) carry(to io.Writer, from io.Reader, disturbed bool) {
	var held []byte
	buffer := make([]byte, 4096)
	for {
		n, err := from.Read(buffer)
		if err != nil {
			return
		}
		kind, at := None, 0
		if disturbed {
			kind, at = p.draw()
		}
		lump := append([]byte(nil), buffer[:n]...)
		switch kind {
		case Drop:
			lump = nil
		case Delay:
			time.Sleep(p.Late)
		case Truncate:
			lump = lump[:n/2]
		case Corrupt:
			if p.Guarded > 0 {
				n = min(n, p.Guarded)
			}
			lump[at%n] ^= byte(1 << (at / n % 8))
		case Duplicate:
			lump = append(lump, lump...)
		case Reorder:
			if held == nil {
				held, lump = lump, nil
			}
		case Reset:
			if t, ok := to.(*net.TCPConn); ok {
				_ = t.SetLinger(0) // so that Close sends a reset
				return
			}
			lump = nil // a serial line has none
		}
		if len(lump) > 0 && held != nil {
			lump, held = append(lump, held...), nil
		}
		if len(lump) > 0 {
			if _, err := to.Write(lump); err != nil {
				return
			}
		}
	}
}
