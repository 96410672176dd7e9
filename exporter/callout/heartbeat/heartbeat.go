// Package heartbeat tells somebody outside, at a set interval, that the box is
// alive: by a request to a URL or a message to a topic. Who listens there
// notices when it stops; the box itself cannot say that it is dead.
//
//	beat, err := heartbeat.New(options)
//	err = beat.Run(ctx)   // until ctx ends
//	beat.Status()         // for the panel and the box's own alarms
package heartbeat

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"strconv"
	"sync"
	"time"

	"roundsman/exporter/callout"
	"roundsman/exporter/callout/internal/post"
)

// The interval.
const (
	DefaultEvery = 5 * time.Minute
	ShortestGap  = 10 * time.Second // the least interval
)

// Options describe a heartbeat. Either URL or Channel is set.
type Options struct {
	Site  string
	Every time.Duration // 0: DefaultEvery
	// Jitter is the most that a beat comes late on purpose, so that many boxes do not beat at one moment; 0: a tenth
	// of Every. It does not add up: beats keep to their grid.
	Jitter time.Duration

	URL    func() (string, error) // read at each beat: it is often a secret itself
	Method string                 // GET or POST; "" POST, with a JSON body
	Plain  bool                   // allows http to other machines than this one

	// Channel takes the beats as messages about the heartbeat, to the address To: a topic.
	Channel callout.Channel
	To      string

	// Alive is asked before each beat; an error holds it back, and the listener outside hears silence. It tells that
	// the work goes on, not only this loop. Nil: always alive.
	Alive func() error

	Timeout time.Duration // of one request; 0: 10 s
	Proxy   string        // "" none, whatever the environment says
	CAFile  string        // "" the system's certificates

	// Dial opens the way, before any TLS; nil: the network. Tests give a pipe.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
	// Now tells the time that beats carry; nil: time.Now.
	Now func() time.Time
}

// Status is how the beats went.
type Status struct {
	Up       bool      // the last beat arrived
	Last     time.Time // when one arrived last; zero: never
	Since    time.Time // of Up as it is; zero: no beat was tried yet
	Error    string    // why the last did not arrive, "" if it did
	Arrived  uint64
	Missed   uint64
	HeldBack uint64 // of the missed ones: because the work did not go on
}

// Beat sends the beats.
type Beat struct {
	opts   Options
	client *post.Client

	mu     sync.Mutex // guards status
	status Status
}

// New checks the options.
func New(o Options) (*Beat, error) {
	o = defaults(o)
	switch {
	case (o.URL == nil) == (o.Channel == nil):
		return nil, errors.New("heartbeat: needs either a URL or a channel")
	case o.Method != http.MethodGet && o.Method != http.MethodPost:
		return nil, fmt.Errorf("heartbeat: method %q is neither GET nor POST", o.Method)
	case o.Every < ShortestGap:
		return nil, fmt.Errorf("heartbeat: every %v is below %v", o.Every, ShortestGap)
	case o.Jitter < 0 || o.Jitter >= o.Every:
		return nil, fmt.Errorf("heartbeat: jitter %v is not between 0 and the interval", o.Jitter)
	}
	client, err := post.New(post.Options{Timeout: o.Timeout, Proxy: o.Proxy, CAFile: o.CAFile, Dial: o.Dial})
	if err != nil {
		return nil, fmt.Errorf("heartbeat: %w", err)
	}
	return &Beat{opts: o, client: client}, nil
}

func defaults(o Options) Options {
	if o.Every == 0 {
		o.Every = DefaultEvery
	}
	if o.Jitter == 0 {
		o.Jitter = o.Every / 10
	}
	if o.Method == "" {
		o.Method = http.MethodPost
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return o
}

// Status returns how the beats went so far. It is safe for simultaneous use.
func (b *Beat) Status() Status {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.status
}

// Run beats at once and then at each interval, until ctx ends. A beat that does not arrive is tried again after a
// quarter of the interval; the grid stays as it is.
func (b *Beat) Run(ctx context.Context) error {
	defer b.client.Close()
	start := time.Now() // monotonic: a step of the wall clock moves no beat
	timer := time.NewTimer(0)
	defer timer.Stop()
	for n := uint64(1); ; n++ {
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		}
		err := b.once(ctx, n)
		if ctx.Err() != nil {
			return nil
		}
		b.note(err)
		timer.Reset(b.pause(time.Since(start), err != nil))
	}
}

// pause returns the time until the next beat, so long after the start.
func (b *Beat) pause(since time.Duration, failed bool) time.Duration {
	next := b.opts.Every - since%b.opts.Every
	if failed {
		return min(next, b.opts.Every/4) + b.late()/4
	}
	return next + b.late()
}

func (b *Beat) late() time.Duration {
	if b.opts.Jitter == 0 {
		return 0
	}
	return rand.N(b.opts.Jitter)
}

// once sends one beat.
func (b *Beat) once(ctx context.Context, n uint64) error {
	if b.opts.Alive != nil {
		if err := b.opts.Alive(); err != nil {
			return &heldBack{err}
		}
	}
	if b.opts.Channel != nil {
		_, err := b.opts.Channel.Send(ctx, b.message(n))
		return err
	}
	return b.request(ctx, n)
}

// heldBack is a beat that was not sent on purpose.
type heldBack struct{ why error }

func (h *heldBack) Error() string { return "held back: " + h.why.Error() }
func (h *heldBack) Unwrap() error { return h.why }

func (b *Beat) message(n uint64) *callout.Message {
	now := b.opts.Now()
	return &callout.Message{
		Key:     "heartbeat-" + strconv.FormatInt(now.UnixNano(), 36),
		Subject: callout.AboutHeartbeat, Site: b.opts.Site, To: b.opts.To, Try: 1, Created: now,
		Title: b.opts.Site + " is alive",
		Text:  "Heartbeat " + strconv.FormatUint(n, 10) + " since the start; the next in " + b.opts.Every.String() + ".",
	}
}

// body is what a POST carries.
type body struct {
	Site  string    `json:"site"`
	Beat  uint64    `json:"beat"` // counted from the start of the daemon, 1 first
	Sent  time.Time `json:"sent"`
	Every float64   `json:"everySeconds"` // until the next
}

func (b *Beat) request(ctx context.Context, n uint64) error {
	address, err := b.opts.URL()
	if err != nil {
		return fmt.Errorf("address: %w", err)
	}
	if _, err := post.Check(address, b.opts.Plain); err != nil {
		return err
	}
	var data []byte
	if b.opts.Method == http.MethodPost {
		if data, err = json.Marshal(body{b.opts.Site, n, b.opts.Now(), b.opts.Every.Seconds()}); err != nil {
			return err
		}
	}
	r, err := http.NewRequestWithContext(ctx, b.opts.Method, address, bytes.NewReader(data))
	if err != nil {
		return errors.New("address is not a URL") // its text would quote the address
	}
	r.Header.Set("User-Agent", "roundsman")
	r.Header.Set("Cache-Control", "no-store")
	if data != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	answer, err := b.client.Do(r)
	if err != nil {
		return err
	}
	return answer.Err()
}

// note keeps how a beat went.
func (b *Beat) note(err error) {
	now := b.opts.Now()
	b.mu.Lock()
	defer b.mu.Unlock()
	s := &b.status
	if up := err == nil; up != s.Up || s.Since.IsZero() {
		s.Up, s.Since = up, now
	}
	if err == nil {
		s.Last, s.Error = now, ""
		s.Arrived++
		return
	}
	s.Error = err.Error()
	s.Missed++
	var held *heldBack
	if errors.As(err, &held) {
		s.HeldBack++
	}
}
