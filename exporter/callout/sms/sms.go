// Package sms calls people through a GSM or LTE modem on a serial port: texts in PDU mode (3GPP TS 27.005, 23.040,
// 23.038), a telephone that rings (TS 27.007, ITU-T V.250), and the answers that come back. It needs no internet.
//
//	modem, err := sms.New(sms.Options{Name: "/dev/ttyUSB2", Open: open, PIN: readPIN})
//	go-routine of the daemon: modem.Run(ctx)
//	receipt, err := modem.Texts().Send(ctx, &message)
//	answer := <-modem.Answers()
//
// One goroutine owns the port: Run. Everything else asks it. The texts say what happened and what to do; they are no
// safety device.
package sms

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"roundsman/exporter/callout"
)

// Options say how a modem is used. Open is needed, all else has defaults.
type Options struct {
	Name string // of the port, for errors and logs
	// Open opens the port. It is called by Run only, again whenever the port was lost. Close must end a running Read.
	Open func(ctx context.Context) (io.ReadWriteCloser, error)
	// PIN returns the SIM's PIN; it is called at most once, when the SIM asks for it. Nil: none is known.
	PIN func() (string, error)
	// Guard keeps the mark that a PIN was refused over a restart. Nil: it is kept in memory, and the SIM's own
	// counter (AT+CPINR) is the only other protection.
	Guard PINGuard

	Validity time.Duration // how long the network keeps trying; 0 an hour
	Ring     time.Duration // how long the telephone rings; 0 25 s
	Receipts bool          // ask the network for a report of delivery: see Deliveries
	MaxParts int           // longer texts are cut; 0 is 3, at most 255
	Country  string        // country code ('353') of senders given by their national number; "" they stay as they are
	Poll     time.Duration // between two looks at signal, registration and memory; 0 a minute
	Wait     time.Duration // the longest wait for the modem's attention; 0 three minutes

	Log *slog.Logger // changes of state; nil none. Neither numbers nor texts nor the PIN are logged.
}

// PINGuard remembers over restarts that a PIN was tried and not accepted, so that a wrong one is sent once and not
// at every start: the third locks the card. MarkFile is one.
type PINGuard interface {
	Marked() (bool, error) // true: do not try
	Mark() error           // called before the PIN is sent
	Clear() error          // called after it was accepted
}

// Delivery is the network's report about a text that was sent with Receipts.
type Delivery struct {
	Key       string // of the message; "" if it was sent before the last start
	To        string
	Reference string // as in the message's Receipt
	Delivered bool   // all its parts reached the telephone
	Final     bool   // nothing more will be heard
	At        time.Time
}

// Modem owns a serial port and the modem behind it. Its channels, Answers, Deliveries and Status may be used by any
// goroutine.
type Modem struct {
	o         Options
	requests  chan *request
	answers   chan callout.Answer
	delivered chan Delivery
	status    atomic.Pointer[Status]
	running   atomic.Bool
	ended     chan struct{}
	end       sync.Once

	// Of the goroutine of Run.
	inbox    inbox
	sent     ledger
	stuck    []unfinished
	pinTried bool
	ref      byte
}

// request is what another goroutine wants done; do runs in the owner's.
type request struct {
	ctx   context.Context
	do    func(context.Context, *session) (callout.Receipt, error) // with the context of Run
	reply chan outcome                                             // holds one, so that the owner never waits
}

type outcome struct {
	receipt callout.Receipt
	err     error
}

// New checks the options. It opens nothing.
func New(o Options) (*Modem, error) {
	if o.Open == nil {
		return nil, errors.New("modem: no way to open its port")
	}
	if o.MaxParts < 0 || o.MaxParts > 255 {
		return nil, fmt.Errorf("modem: %d parts of a text: 1 to 255", o.MaxParts)
	}
	o.Validity = orElse(o.Validity, time.Hour)
	o.Ring = orElse(o.Ring, 25*time.Second)
	o.Poll = orElse(o.Poll, time.Minute)
	o.Wait = orElse(o.Wait, 3*time.Minute)
	o.MaxParts = orElse(o.MaxParts, 3)
	o.Name = orElse(o.Name, "modem")
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	m := &Modem{
		o:         o,
		requests:  make(chan *request),
		answers:   make(chan callout.Answer),
		delivered: make(chan Delivery),
		ended:     make(chan struct{}),
		inbox:     inbox{country: o.Country},
		ref:       byte(rand.N(256)),
	}
	m.status.Store(&Status{Problem: "not opened yet"})
	return m, nil
}

func orElse[T comparable](v, other T) T {
	var zero T
	if v == zero {
		return other
	}
	return v
}

// Status returns what is known of the modem now. It does not wait.
func (m *Modem) Status() Status { return *m.status.Load() }

// Answers gives the texts that came in, also those that came while the box was off. A text is deleted from the SIM
// only after it was taken here, so it may come twice after a power cut. While nobody takes them at most 64 are held
// in memory and the rest stays in the SIM.
func (m *Modem) Answers() <-chan callout.Answer { return m.answers }

// Deliveries gives the network's reports, if Receipts is set. At most 64 wait to be taken; then the oldest goes.
func (m *Modem) Deliveries() <-chan Delivery { return m.delivered }

// Waits between two tries to open the port.
const (
	reopenFirst   = time.Second
	reopenLongest = time.Minute
)

// Run opens the port, starts the modem and serves the channels until ctx ends, which is the only error it returns.
// A port that vanishes or talks nonsense is closed and opened again after 1 s, then twice as long each time up to a
// minute. Run may be called once.
func (m *Modem) Run(ctx context.Context) error {
	if m.running.Swap(true) {
		return errors.New("modem: run twice")
	}
	defer m.end.Do(func() { close(m.ended) })
	wait := reopenFirst
	for {
		good, err := m.serve(ctx)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if good {
			wait = reopenFirst
		}
		m.lost(err)
		if err := m.pause(ctx, wait/2+rand.N(wait/2), err); err != nil {
			return err
		}
		wait = min(2*wait, reopenLongest)
	}
}

// serve opens the port and serves it until it is lost. It reports whether the modem was usable.
func (m *Modem) serve(ctx context.Context) (good bool, err error) {
	port, err := m.o.Open(ctx)
	if err != nil {
		return false, fmt.Errorf("open: %w", err)
	}
	s := newSession(m, port)
	var reader sync.WaitGroup
	reader.Go(s.read)
	defer reader.Wait()
	defer s.close()
	if err := s.start(ctx); err != nil {
		return false, err
	}
	m.update(func(st *Status) { st.Open, st.Opened = true, st.Opened+1 })
	return true, s.loop(ctx)
}

// lost notes that the port is closed, and why.
func (m *Modem) lost(err error) {
	m.update(func(st *Status) {
		st.Open, st.Ready, st.SignalKnown, st.Registration = false, false, false, NotAsked
	})
	m.problem(err.Error())
}

// pause waits between two tries to open the port and turns down what is asked meanwhile.
func (m *Modem) pause(ctx context.Context, d time.Duration, cause error) error {
	t := time.NewTimer(d)
	defer t.Stop()
	for {
		answers, a := m.offer()
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-t.C:
			return nil
		case r := <-m.requests:
			r.reply <- outcome{err: m.named(cause)}
		case answers <- a:
			m.handed()
		}
	}
}

// offer returns the channel and the oldest answer if there is one, else a nil channel, which never takes.
func (m *Modem) offer() (chan<- callout.Answer, callout.Answer) {
	a, ok := m.inbox.next()
	if !ok {
		return nil, a
	}
	return m.answers, a
}

func (m *Modem) handed() {
	m.inbox.taken()
	m.update(func(st *Status) { st.Received++ })
}

// named says which modem an error is of.
func (m *Modem) named(err error) error { return fmt.Errorf("modem %s: %w", m.o.Name, err) }

// update changes the status. Only the owner calls it.
func (m *Modem) update(change func(*Status)) {
	st := *m.status.Load()
	change(&st)
	m.status.Store(&st)
}

// problem notes and logs a change of what is wrong; "" nothing is.
func (m *Modem) problem(text string) {
	if m.status.Load().Problem == text {
		return
	}
	m.update(func(st *Status) { st.Problem, st.Since = text, time.Now() })
	if text == "" {
		m.o.Log.Info("modem works", "modem", m.o.Name)
	} else {
		m.o.Log.Warn("modem does not work", "modem", m.o.Name, "reason", text)
	}
}

// ask has do done by the owner. It waits for the modem's attention at most Options.Wait.
func (m *Modem) ask(ctx context.Context, do func(context.Context, *session) (callout.Receipt, error)) (callout.Receipt, error) {
	r := &request{ctx: ctx, do: do, reply: make(chan outcome, 1)}
	t := time.NewTimer(m.o.Wait)
	defer t.Stop()
	select {
	case m.requests <- r:
	case <-ctx.Done():
		return callout.Receipt{}, m.named(ctx.Err())
	case <-t.C:
		return callout.Receipt{}, m.named(ErrBusy)
	case <-m.ended:
		return callout.Receipt{}, m.named(ErrEnded)
	}
	select {
	case out := <-r.reply:
		return out.receipt, out.err
	case <-ctx.Done():
		return callout.Receipt{}, callout.Perhaps(m.named(ctx.Err()))
	}
}
