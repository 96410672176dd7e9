package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/netip"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"time"
)

// The order in which requests are answered, so that the rounds of the room keep their time whatever is asked. A phone with
// its page open asks a handful of things at once and then one stream; fifty of them behind one proxy come through at once.
const (
	// askAtOnce requests of one address are taken as they come, then one each askEvery; the others wait, up to longestAsk,
	// and who would wait longer is refused after that time: an answer at once would be asked for at once again.
	askAtOnce  = 512
	askEvery   = 20 * time.Millisecond
	longestAsk = 5 * time.Second
	// longestTurn is how long a request waits for its turn to be worked on, longestReview where a review may stand before it.
	longestTurn   = 5 * time.Second
	longestReview = 30 * time.Second
	// sayAgain is when whoever was refused may come again.
	sayAgain = 5 * time.Second
)

// order paces the requests of each address and has few pages made at a time: one processor is left to the links. It may be
// used from any goroutine.
type order struct {
	next                   http.Handler
	pages, alarms, reviews turns

	mu    sync.Mutex // guards what follows
	paces map[netip.Addr]pace
	swept time.Time
}

func newOrder(next http.Handler) *order {
	return &order{next: next, pages: newTurns(max(runtime.GOMAXPROCS(0)-1, 1), longestTurn), alarms: newTurns(1, longestTurn), reviews: newTurns(1, longestReview),
		paces: map[netip.Addr]pace{}}
}

// ServeHTTP answers in turn, or says when to come again.
func (o *order) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	from, _ := netip.ParseAddrPort(r.RemoteAddr)
	wait := o.take(from.Addr().Unmap(), time.Now())
	if sleep(r.Context(), min(wait, longestAsk)) != nil {
		return // gone
	}
	if wait > longestAsk {
		refuseBusy(w, r, http.StatusTooManyRequests, "this address asks too much")
		return
	}
	t := o.turnsFor(r.URL.Path)
	if t == nil {
		o.next.ServeHTTP(w, r)
		return
	}
	if !t.take(r.Context()) {
		refuseBusy(w, r, http.StatusServiceUnavailable, "too many pages are asked for just now")
		return
	}
	p := &inTurn{ResponseWriter: w, turns: t, has: true}
	defer p.end()
	o.next.ServeHTTP(p, r)
}

// take takes a place among the requests of an address and returns how long it is to wait; nothing is taken by who would
// wait too long.
func (o *order) take(from netip.Addr, now time.Time) time.Duration {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.sweep(now)
	p, wait := o.paces[from].take(now, askAtOnce, askEvery)
	if wait <= longestAsk {
		o.paces[from] = p
	}
	return wait
}

// sweep forgets, now and then, who has not asked for so long that it may ask all at once again.
func (o *order) sweep(now time.Time) {
	const rest = askAtOnce * askEvery
	if now.Sub(o.swept) < rest {
		return
	}
	o.swept = now
	for a, p := range o.paces {
		if now.Sub(p.free) >= rest {
			delete(o.paces, a)
		}
	}
}

// pace lets so many through at once and then one at a time. The zero value has let nobody through.
type pace struct{ free time.Time } // when the next is due

// take returns the pace after one more, and how long that one waits.
func (p pace) take(now time.Time, atOnce int, every time.Duration) (pace, time.Duration) {
	if earliest := now.Add(-time.Duration(atOnce) * every); p.free.Before(earliest) {
		p.free = earliest
	}
	p.free = p.free.Add(every)
	return p, p.free.Sub(now)
}

// turnsFor returns the turns that a path waits for; nil for what costs next to nothing, what lasts, and what waits for others
// than a processor.
func (o *order) turnsFor(path string) *turns {
	switch {
	case strings.HasPrefix(path, "/assets/"), path == "/health", path == "/metrics", path == "/worker.js", path == "/manifest.webmanifest",
		path == "/api/v1/stream", path == "/api/v1/reload", path == "/api/v1/drill":
		return nil
	case path == "/alarms": // it comes with figures of a month, and whoever opens it must not wait behind a review
		return &o.alarms
	case path == "/pumps", path == "/air", path == "/water", strings.HasPrefix(path, "/alarms/suggest"),
		path == "/api/v1/figures", path == "/api/v1/air", path == "/api/v1/water", strings.HasSuffix(path, "/duty"):
		return &o.reviews
	}
	return &o.pages
}

// turns is a number of places to work at, each for one at a time.
type turns struct {
	places  chan struct{} // a token for each who works
	longest time.Duration // to wait for one
}

func newTurns(n int, longest time.Duration) turns {
	return turns{places: make(chan struct{}, n), longest: longest}
}

// take waits for a place and reports whether there was one in time.
func (t *turns) take(ctx context.Context) bool {
	select {
	case t.places <- struct{}{}:
		return true
	default:
	}
	timer := time.NewTimer(t.longest)
	defer timer.Stop()
	select {
	case t.places <- struct{}{}:
		return true
	case <-timer.C:
	case <-ctx.Done():
	}
	return false
}

func (t *turns) leave() { <-t.places }

// inTurn gives the place back before the client takes the answer: a phone far down the tunnel holds nobody up.
type inTurn struct {
	http.ResponseWriter
	turns  *turns
	has    bool // the place
	status int  // that waits to be sent; 0: none
	held   bytes.Buffer
}

// mostHeld bytes of an answer wait for its end: all of a page, a part of a table of readings.
const mostHeld = 128 << 10

// Unwrap lets deadlines be set.
func (p *inTurn) Unwrap() http.ResponseWriter { return p.ResponseWriter }

// WriteHeader keeps the status until something is sent.
func (p *inTurn) WriteHeader(status int) {
	if p.status == 0 {
		p.status = status
	}
}

// Write keeps what is written, and sends when that is much; the place is free meanwhile.
func (p *inTurn) Write(b []byte) (int, error) {
	if p.held.Len()+len(b) <= mostHeld {
		return p.held.Write(b)
	}
	if err := p.send(); err != nil {
		return 0, err
	}
	return p.ResponseWriter.Write(b)
}

// FlushError sends what is kept.
func (p *inTurn) FlushError() error {
	if err := p.send(); err != nil {
		return err
	}
	return http.NewResponseController(p.ResponseWriter).Flush()
}

// send gives the place back for good: what is sent in pieces has done the most of its work, and the client sets its pace.
func (p *inTurn) send() error {
	p.free()
	if p.status > 0 {
		p.ResponseWriter.WriteHeader(p.status)
		p.status = -1
	}
	if p.held.Len() == 0 {
		return nil
	}
	_, err := p.held.WriteTo(p.ResponseWriter)
	return err
}

func (p *inTurn) free() {
	if p.has {
		p.has = false
		p.turns.leave()
	}
}

func (p *inTurn) end() {
	_ = p.send() // the client may be gone
}

// refuseBusy says when to come again, in words; a browser comes by itself.
func refuseBusy(w http.ResponseWriter, r *http.Request, status int, why string) {
	again := strconv.Itoa(int(sayAgain.Seconds()))
	h := w.Header()
	h.Set("Retry-After", again)
	h.Set("Cache-Control", "no-store")
	h.Set("X-Content-Type-Options", "nosniff")
	if strings.HasPrefix(r.URL.Path, "/api/") {
		body, err := json.Marshal(map[string]any{"type": "about:blank", "title": http.StatusText(status), "status": status, "detail": why + "; ask again in " + again + " s"})
		if err != nil { // cannot be: plain words
			body = []byte("{}")
		}
		h.Set("Content-Type", "application/problem+json")
		w.WriteHeader(status)
		_, _ = w.Write(body)
		return
	}
	if r.Method == http.MethodGet {
		h.Set("Refresh", again) // HTML Standard, 'shared declarative refresh steps'
	}
	h.Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	_, _ = fmt.Fprintf(w, "Not just now: %s. The room is watched all the same, and people are called. This page can be loaded again in %s s.\n", why, again)
}
