package callout

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"roundsman/collector"
)

// Defaults of SenderOptions.
const (
	DefaultPatience    = time.Minute
	DefaultFirstWait   = 5 * time.Second
	DefaultLongestWait = 5 * time.Minute
	DefaultLateAfter   = 5 * time.Minute
	DefaultGiveUpAfter = 14 * 24 * time.Hour
	DefaultMost        = 20000
)

const (
	restAfter       = 3 // failures in a row, whoever they were for, after which a channel rests
	longestPatience = time.Hour
	handedKept      = 512 // messages handed over that a report of delivery may still come for
	tendEvery       = time.Minute
)

// SenderOptions are how messages are sent. Clock is needed.
type SenderOptions struct {
	Clock       *collector.Clock
	Log         *slog.Logger   // changes of channels; nil: none. No address, text or secret is logged
	Random      func() float64 // in [0, 1), for the jitter; nil: math/rand
	FirstWait   time.Duration  // after the first failure; doubled each time, with jitter of a quarter; 0: DefaultFirstWait
	LongestWait time.Duration  // 0: DefaultLongestWait
	LateAfter   time.Duration  // older messages are marked late; 0: DefaultLateAfter
	GiveUpAfter time.Duration  // older messages are not tried any more; 0: DefaultGiveUpAfter
	Most        int            // waiting messages; beyond it the least pressing are given up; 0: DefaultMost
}

// Sender sends dispatches through channels, one goroutine each, until they are taken, refused for good by every address,
// or given up. A temporary failure is tried again after a growing wait; the next address of the person takes over when
// one refuses for good or the person's patience is over, and so on in turn. A channel that fails three times in a row
// rests, and is then tried with the most pressing message only.
//
// What becomes of a message is told by Reports, and the sender goes on with its channel when the report was kept: at
// most one message a channel is in doubt at any instant. Before a try it reports Sending, so that after a kill the
// repeat of what may have been sent says so.
type Sender struct {
	o       SenderOptions
	reports chan Report
	reload  chan struct{} // has room for one

	mu       sync.Mutex
	channels map[string]Channel
	contacts []Contact
	lines    map[string]*line
	gone     map[Address]string
	handed   []Dispatch // waiting for a report of delivery
	aside    []Dispatch // to be reported by tend
	nudge    chan struct{}
	leftover []Dispatch
	counts   map[Count]uint64
}

// line is the queue before one channel, the most pressing first.
type line struct {
	name     string
	queue    []*Dispatch
	wake     chan struct{} // has room for one
	failures int           // in a row
	rest     collector.Moment
	turn     collector.Moment // nobody's patience is over before then
	err      string
	since    collector.Moment // of the latest change between working and failing
	busy     []*Dispatch      // those that are tried now, one but for a moment at a reload; not in the queue
}

// Report is what became of a message.
type Report struct {
	Dispatch Dispatch
	kept     chan struct{}
}

// Kept tells the sender that the report is on the record, or cannot be: it goes on. Call it once.
func (r Report) Kept() { close(r.kept) }

// NewSender returns a sender without channels: see Use.
func NewSender(o SenderOptions) *Sender {
	o.FirstWait, o.LongestWait = cmp.Or(o.FirstWait, DefaultFirstWait), cmp.Or(o.LongestWait, DefaultLongestWait)
	o.LateAfter, o.GiveUpAfter, o.Most = cmp.Or(o.LateAfter, DefaultLateAfter), cmp.Or(o.GiveUpAfter, DefaultGiveUpAfter), cmp.Or(o.Most, DefaultMost)
	if o.Random == nil {
		o.Random = rand.Float64
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Sender{
		o: o, reports: make(chan Report), reload: make(chan struct{}, 1), nudge: make(chan struct{}, 1),
		lines: map[string]*line{}, gone: map[Address]string{}, counts: map[Count]uint64{},
	}
}

// Use gives the sender its channels, by their names in the contacts file, and the people, for Status. It may be called
// again while Run runs: tries under way end as they would, a channel that is the same value as before goes on, and what
// waits for one that is gone moves on.
func (s *Sender) Use(channels map[string]Channel, contacts []Contact) {
	s.mu.Lock()
	s.channels, s.contacts = channels, contacts
	clear(s.gone) // new files may name an address again
	var lost []*Dispatch
	for name, l := range s.lines {
		if channels[name] == nil {
			lost = append(lost, l.queue...)
			l.queue = nil
		}
	}
	for _, d := range lost {
		s.place(d)
	}
	s.mu.Unlock()
	poke(s.reload)
}

// Reports gives what becomes of messages. Its reader keeps each and then calls Kept. A channel waits meanwhile.
func (s *Sender) Reports() <-chan Report { return s.reports }

// Give takes dispatches that are on the record: new ones, or at a start those that were restored. It never waits. Those
// that need nothing more (held back) are passed over.
func (s *Sender) Give(list ...Dispatch) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range list {
		d := list[i]
		if d.State.Done() {
			continue
		}
		if d.State == Sending { // the box ended in the middle of a try
			d.State, d.Perhaps = Waiting, true
		}
		d.Next, d.Here = 0, 0
		s.place(&d)
	}
	s.bound()
}

// place puts a dispatch into the line of its address, or of the next that is of use. With the lock held.
func (s *Sender) place(d *Dispatch) {
	for range d.Addresses {
		if why := s.useless(d); why != "" {
			d.Error = why
			d.Dead = append(d.Dead, d.Address)
			s.onward(d)
			continue
		}
		s.enqueue(d)
		return
	}
	if s.alive(d) == 0 {
		d.Error = cmp.Or(d.Error, "the person has no address")
		s.end(d, Failed)
		s.aside = append(s.aside, *d)
		poke(s.nudge)
		return
	}
	s.enqueue(d)
}

// useless says why the present address need not be tried, "" if it must be.
func (s *Sender) useless(d *Dispatch) string {
	a := d.Addresses[d.Address]
	switch {
	case slices.Contains(d.Dead, d.Address):
		return cmp.Or(d.Error, "refused")
	case s.channels != nil && s.channels[a.Channel] == nil:
		return fmt.Sprintf("there is no channel %q", a.Channel)
	}
	return s.gone[a]
}

// onward turns to the next address that has not refused, in turn.
func (s *Sender) onward(d *Dispatch) {
	n := len(d.Addresses)
	for i := 1; i <= n; i++ {
		if next := (d.Address + i) % n; !slices.Contains(d.Dead, next) {
			d.Address = next
			break
		}
	}
	d.Here, d.Next, d.Failures = 0, 0, 0
	d.Moves++
}

func (s *Sender) alive(d *Dispatch) (n int) {
	for i := range d.Addresses {
		if !slices.Contains(d.Dead, i) {
			n++
		}
	}
	return n
}

func (s *Sender) enqueue(d *Dispatch) {
	l := s.line(d.Channel())
	if d.Here == 0 {
		d.Here = s.o.Clock.Now()
	}
	l.turn = min(l.turn, d.Here.Add(d.patience()))
	i, _ := slices.BinarySearchFunc(l.queue, d, pressing)
	l.queue = slices.Insert(l.queue, i, d)
	poke(l.wake)
}

// pressing orders by priority, then age.
func pressing(a, b *Dispatch) int {
	return cmp.Or(cmp.Compare(b.Message.Priority, a.Message.Priority), cmp.Compare(a.Made, b.Made), strings.Compare(a.Message.Key, b.Message.Key))
}

func (s *Sender) line(name string) *line {
	l := s.lines[name]
	if l == nil {
		l = &line{name: name, wake: make(chan struct{}, 1)}
		s.lines[name] = l
	}
	return l
}

// end makes a state final. With the lock held.
func (s *Sender) end(d *Dispatch, state State) {
	d.State, d.Ended = state, s.o.Clock.Time(s.o.Clock.Now())
}

// bound gives up the least pressing beyond the most that may wait, of those the oldest. With the lock held.
func (s *Sender) bound() {
	n := 0
	for _, l := range s.lines {
		n += len(l.queue)
	}
	for ; n > s.o.Most; n-- {
		l, i := s.least()
		d := l.queue[i]
		l.queue = slices.Delete(l.queue, i, i+1)
		d.Error = fmt.Sprintf("more than %d messages wait", s.o.Most)
		s.giveUp(d)
	}
}

// least finds the oldest message of the lowest priority that waits.
func (s *Sender) least() (in *line, at int) {
	for _, l := range s.lines {
		for i, d := range l.queue {
			if in == nil {
				in, at = l, i
				continue
			}
			if w := in.queue[at]; cmp.Or(cmp.Compare(d.Message.Priority, w.Message.Priority), cmp.Compare(d.Made, w.Made)) < 0 {
				in, at = l, i
			}
		}
	}
	return in, at
}

func (s *Sender) giveUp(d *Dispatch) {
	s.end(d, GivenUp)
	s.counts[Count{d.Channel(), "given up"}]++
	s.aside = append(s.aside, *d)
	poke(s.nudge)
}

// Delivered notes that a message handed over has reached the person's device, as a channel learned later.
func (s *Sender) Delivered(key string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	i := slices.IndexFunc(s.handed, func(d Dispatch) bool { return d.Message.Key == key })
	if i < 0 {
		return
	}
	d := s.handed[i]
	s.handed = slices.Delete(s.handed, i, i+1)
	d.State = Delivered
	s.counts[Count{d.Through, "delivered"}]++
	s.aside = append(s.aside, d)
	poke(s.nudge)
}

// Leftover returns what became of messages and was not kept because Run ended: the last thing to put on the record.
func (s *Sender) Leftover() []Dispatch {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append(slices.Clone(s.leftover), s.aside...)
}

// poke wakes whoever waits for c, which has room for one.
func poke(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// Run sends until ctx ends, which is the only error it returns. Every goroutine it started has ended then.
func (s *Sender) Run(ctx context.Context) error {
	var workers sync.WaitGroup
	defer workers.Wait()
	workers.Go(func() { s.tend(ctx) })
	type worker struct {
		channel Channel
		stop    chan struct{}
	}
	running := map[string]worker{}
	for {
		s.mu.Lock()
		channels := s.channels
		s.mu.Unlock()
		for name, w := range running {
			if channels[name] != w.channel {
				close(w.stop) // it ends after the try under way
				delete(running, name)
			}
		}
		for name, c := range channels {
			if _, ok := running[name]; !ok {
				w := worker{c, make(chan struct{})}
				running[name] = w
				workers.Go(func() { s.work(ctx, w.stop, name, c) })
			}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-s.reload:
		}
	}
}

// work sends what waits for one channel.
func (s *Sender) work(ctx context.Context, stop <-chan struct{}, name string, c Channel) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-stop:
			return
		case <-ctx.Done():
			return
		default:
		}
		d, wake, wait := s.pick(name)
		if d != nil {
			s.try(ctx, name, c, d)
			continue
		}
		timer.Reset(wait)
		select {
		case <-stop:
			return
		case <-ctx.Done():
			return
		case <-wake:
		case <-timer.C:
		}
	}
}

// try sends one message: on the record as under way before, and as what became of it after.
func (s *Sender) try(ctx context.Context, name string, c Channel, d *Dispatch) {
	if !s.report(ctx, *d) {
		s.back(name, d) // not tried, and on the record as waiting
		return
	}
	m := s.ready(d)
	receipt, err := c.Send(ctx, &m)
	s.settle(name, d, receipt, err)
	kept := s.report(ctx, *d)
	s.after(name, d, kept)
}

// after lets go of a message that was tried. Only now may another channel take it: its reports must not overtake.
func (s *Sender) after(name string, d *Dispatch, kept bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.idle(name, d)
	switch {
	case !kept:
		s.leftover = append(s.leftover, *d)
	case d.State == HandedOver:
		s.handed = append(s.handed, *d)
		if n := len(s.handed) - handedKept; n > 0 {
			s.handed = slices.Delete(s.handed, 0, n)
		}
	case d.State == Waiting:
		s.place(d)
	}
}

// idle notes that a message is no longer being tried.
func (s *Sender) idle(name string, d *Dispatch) {
	l := s.line(name)
	l.busy = slices.DeleteFunc(l.busy, func(b *Dispatch) bool { return b == d })
}

// back returns a dispatch that was taken for a try and was not tried.
func (s *Sender) back(name string, d *Dispatch) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.idle(name, d)
	d.State = Waiting
	d.Tries--
	s.enqueue(d)
}

// report tells what became of a message and waits until that is kept; false: ctx ended before.
func (s *Sender) report(ctx context.Context, d Dispatch) bool {
	r := Report{Dispatch: d, kept: make(chan struct{})}
	select {
	case s.reports <- r:
	case <-ctx.Done():
		return false
	}
	select {
	case <-r.kept:
		return true
	case <-ctx.Done():
		return false
	}
}

// pick takes the next message of a line for a try, or says how long to wait at most.
func (s *Sender) pick(name string) (*Dispatch, <-chan struct{}, time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.o.Clock.Now()
	l := s.line(name)
	until := s.moveOn(l, now)
	if now < l.rest {
		return nil, l.wake, min(until, l.rest).Sub(now)
	}
	for i, d := range l.queue {
		if now < d.Next {
			until = min(until, d.Next)
			continue
		}
		l.queue = slices.Delete(l.queue, i, i+1)
		l.busy = append(l.busy, d)
		d.State = Sending
		d.Tries++
		return d, nil, 0
	}
	return nil, l.wake, max(time.Millisecond, until.Sub(now))
}

// moveOn hands those whose patience is over to their next address and returns when the next one's is.
func (s *Sender) moveOn(l *line, now collector.Moment) (next collector.Moment) {
	if now < l.turn {
		return min(l.turn, now.Add(tendEvery))
	}
	next = now.Add(tendEvery)
	var gone []*Dispatch
	l.queue = slices.DeleteFunc(l.queue, func(d *Dispatch) bool {
		if s.alive(d) < 2 {
			return false
		}
		end := d.Here.Add(d.patience())
		if now < end {
			next = min(next, end)
			return false
		}
		gone = append(gone, d)
		return true
	})
	l.turn = next
	for _, d := range gone {
		s.onward(d)
		s.place(d)
	}
	return next
}

// patience is how long one address may take: longer each time all were tried, so that a long outage stays quiet.
func (d *Dispatch) patience() time.Duration {
	p := cmp.Or(d.Patience, DefaultPatience)
	for range d.Moves / max(1, len(d.Addresses)) {
		if p *= 2; p >= longestPatience {
			return longestPatience
		}
	}
	return p
}

// ready returns the message as it goes out now, with its marks.
func (s *Sender) ready(d *Dispatch) Message {
	m := d.Message
	m.To, m.Try = d.Addresses[d.Address].To, d.Tries
	m.Repeat, m.Late = d.Perhaps, s.o.Clock.Now().Sub(d.Made) > s.o.LateAfter
	mark := ""
	if m.Repeat {
		mark = "REPEAT: "
	}
	if m.Late {
		mark += "LATE, written " + m.Created.Format("Mon 2 Jan 15:04") + ": "
	}
	if mark != "" {
		m.Title, m.Short, m.Text = mark+m.Title, mark+m.Short, mark+m.Text
	}
	return m
}

// settle notes how a try ended.
func (s *Sender) settle(name string, d *Dispatch, receipt Receipt, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	l := s.line(name)
	now := s.o.Clock.Now()
	switch {
	case err == nil:
		s.taken(l, d, receipt, now)
	case errors.Is(err, ErrForGood), errors.Is(err, ErrGone):
		s.refused(l, d, err)
	default:
		s.failed(l, d, err, now)
	}
}

func (s *Sender) taken(l *line, d *Dispatch, receipt Receipt, now collector.Moment) {
	if l.failures > 0 {
		s.o.Log.Info("call-out channel works", "channel", l.name)
		l.since = now
	}
	l.failures, l.rest, l.err = 0, 0, ""
	state := HandedOver
	if receipt.Delivered {
		state = Delivered
	}
	d.Through, d.Reference, d.Error = l.name, receipt.Reference, ""
	s.end(d, state)
	s.counts[Count{l.name, state.String()}]++
}

// refused turns to the next address; the channel itself is well.
func (s *Sender) refused(l *line, d *Dispatch, err error) {
	s.counts[Count{l.name, "refused for good"}]++
	d.Error = err.Error()
	d.Dead = append(d.Dead, d.Address)
	if errors.Is(err, ErrGone) {
		s.gone[d.Addresses[d.Address]] = d.Error
	}
	if s.alive(d) == 0 {
		s.o.Log.Error("message failed", "key", d.Message.Key, "contact", d.Contact, "error", d.Error)
		s.end(d, Failed)
		return
	}
	d.State = Waiting
	s.onward(d)
}

// failed plans the next try.
func (s *Sender) failed(l *line, d *Dispatch, err error, now collector.Moment) {
	outcome := "failed for now"
	if errors.Is(err, ErrPerhaps) {
		outcome, d.Perhaps = "perhaps sent", true
	}
	s.counts[Count{l.name, outcome}]++
	d.State, d.Error = Waiting, err.Error()
	d.Failures++
	d.Next = now.Add(max(s.wait(d.Failures), Wait(err)))
	if l.failures++; l.failures == 1 {
		s.o.Log.Warn("call-out channel fails", "channel", l.name, "error", d.Error)
		l.since = now
	}
	l.err = d.Error
	if l.failures >= restAfter {
		l.rest = now.Add(max(s.wait(l.failures-restAfter+1), Wait(err)))
	}
}

// wait returns how long to wait after n failures: doubled each time, plus or minus a quarter.
func (s *Sender) wait(n int) time.Duration {
	w := s.o.FirstWait
	for i := 1; i < n && w < s.o.LongestWait; i++ {
		w *= 2
	}
	w = min(w, s.o.LongestWait)
	return w*3/4 + time.Duration(float64(w)/2*s.o.Random())
}

// tend reports what ended outside a try, and gives up what is too old.
func (s *Sender) tend(ctx context.Context) {
	tick := time.NewTicker(tendEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.nudge:
		case <-tick.C:
			s.ageOut()
		}
		for s.tellAside(ctx) {
		}
	}
}

// tellAside reports one of those; false if there is none or ctx ended.
func (s *Sender) tellAside(ctx context.Context) bool {
	s.mu.Lock()
	if len(s.aside) == 0 {
		s.mu.Unlock()
		return false
	}
	d := s.aside[0]
	s.mu.Unlock()
	if !s.report(ctx, d) {
		return false
	}
	s.mu.Lock()
	s.aside = slices.Delete(s.aside, 0, 1)
	s.mu.Unlock()
	return true
}

func (s *Sender) ageOut() {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.o.Clock.Now()
	for _, l := range s.lines {
		l.queue = slices.DeleteFunc(l.queue, func(d *Dispatch) bool {
			if now.Sub(d.Made) < s.o.GiveUpAfter {
				return false
			}
			d.Error = fmt.Sprintf("not sent in %d days", int(s.o.GiveUpAfter/(24*time.Hour)))
			s.giveUp(d)
			return true
		})
	}
}
