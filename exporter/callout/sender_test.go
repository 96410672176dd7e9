package callout_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/rules"
)

// fake is a channel that does what a function says.
type fake struct {
	kind string
	send func(m *callout.Message) (callout.Receipt, error)

	mu    sync.Mutex
	sent  []callout.Message
	users int
	ready atomic.Pointer[error]
}

func (f *fake) Kind() string { return f.kind }

func (f *fake) Ready() error {
	if err := f.ready.Load(); err != nil {
		return *err
	}
	return nil
}

func (f *fake) Send(_ context.Context, m *callout.Message) (callout.Receipt, error) {
	f.mu.Lock()
	if f.users++; f.users > 1 {
		panic("a channel is used by two at once")
	}
	f.sent = append(f.sent, *m)
	f.mu.Unlock()
	r, err := f.send(m)
	f.mu.Lock()
	f.users--
	f.mu.Unlock()
	return r, err
}

// log returns the messages it was given.
func (f *fake) log() []callout.Message {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.sent)
}

// rig runs a sender in a bubble of fake time; its reports are kept at once.
type rig struct {
	s       *callout.Sender
	clock   *collector.Clock
	mu      sync.Mutex
	latest  map[string]callout.Dispatch
	history []string
	stop    func()
}

func newRig(t *testing.T, o callout.SenderOptions, channels map[string]callout.Channel, contacts ...callout.Contact) *rig {
	t.Helper()
	r := &rig{clock: collector.NewClock(), latest: map[string]callout.Dispatch{}}
	o.Clock, o.Random = r.clock, func() float64 { return 0.5 }
	r.s = callout.NewSender(o)
	r.s.Use(channels, contacts)
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := r.s.Run(ctx); !errors.Is(err, context.Canceled) {
			t.Errorf("run: got %v", err)
		}
	})
	wg.Go(func() {
		for {
			select {
			case <-ctx.Done():
				return
			case rep := <-r.s.Reports():
				r.keep(rep.Dispatch)
				rep.Kept()
			}
		}
	})
	r.stop = func() { cancel(); wg.Wait() }
	return r
}

func (r *rig) keep(d callout.Dispatch) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.latest[d.Message.Key] = d
	r.history = append(r.history, fmt.Sprintf("%s %v", d.Message.Key, d.State))
}

func (r *rig) state(key string) callout.Dispatch {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.latest[key]
}

func (r *rig) dispatch(key string, priority rules.Priority, channels ...string) callout.Dispatch {
	d := callout.Dispatch{Message: callout.Message{Key: key, Priority: priority, Short: "text " + key, Created: time.Now()}, Contact: "ann", Patience: time.Minute, Made: r.clock.Now()}
	for _, c := range channels {
		d.Addresses = append(d.Addresses, callout.Address{Channel: c, To: c + ":ann"})
	}
	return d
}

func accept(*callout.Message) (callout.Receipt, error) { return callout.Receipt{Reference: "ref"}, nil }

func down(*callout.Message) (callout.Receipt, error) {
	return callout.Receipt{}, errors.New("no network")
}

func TestSenderOutcomes(t *testing.T) {
	gone := func(*callout.Message) (callout.Receipt, error) {
		return callout.Receipt{}, callout.Gone(errors.New("410"))
	}
	refuse := func(*callout.Message) (callout.Receipt, error) {
		return callout.Receipt{}, callout.ForGood(errors.New("no such user"))
	}
	delivered := func(*callout.Message) (callout.Receipt, error) { return callout.Receipt{Delivered: true}, nil }
	for _, tt := range []struct {
		name   string
		sms    func(*callout.Message) (callout.Receipt, error)
		mail   func(*callout.Message) (callout.Receipt, error)
		to     []string
		after  time.Duration
		state  callout.State
		by     string
		tries  int
		reason string
	}{
		{"taken", accept, accept, []string{"sms", "mail"}, time.Second, callout.HandedOver, "sms", 1, ""},
		{"delivered", delivered, accept, []string{"sms"}, time.Second, callout.Delivered, "sms", 1, ""},
		{"refused: the next at once", refuse, accept, []string{"sms", "mail"}, time.Second, callout.HandedOver, "mail", 2, ""},
		{"gone: the next at once", gone, accept, []string{"sms", "mail"}, time.Second, callout.HandedOver, "mail", 2, ""},
		{"refused by all", refuse, gone, []string{"sms", "mail"}, time.Second, callout.Failed, "", 2, "410"},
		{"patience", down, accept, []string{"sms", "mail"}, 55 * time.Second, callout.Waiting, "", 4, "no network"},
		{"patience is over", down, accept, []string{"sms", "mail"}, 61 * time.Second, callout.HandedOver, "mail", 5, ""},
		{"no such channel", accept, accept, []string{"fax", "sms"}, time.Second, callout.HandedOver, "sms", 1, ""},
		{"no channel at all", accept, accept, []string{"fax"}, time.Second, callout.Failed, "", 0, `there is no channel "fax"`},
		{"no address", accept, accept, nil, time.Second, callout.Failed, "", 0, "the person has no address"},
		{"refused, then down: not refused again", refuse, down, []string{"sms", "mail"}, 10 * time.Minute, callout.Waiting, "", 8, "no network"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, callout.SenderOptions{}, map[string]callout.Channel{"sms": &fake{kind: "sms", send: tt.sms}, "mail": &fake{kind: "mail", send: tt.mail}})
				r.s.Give(r.dispatch("k", rules.HighPriority, tt.to...))
				time.Sleep(tt.after)
				synctest.Wait()
				d := r.state("k")
				if d.State != tt.state || d.Through != tt.by || d.Tries != tt.tries || !strings.Contains(d.Error, tt.reason) || tt.reason == "" && d.Error != "" {
					t.Errorf("got %v through %q after %d tries (%s), want %v through %q after %d (%s)", d.State, d.Through, d.Tries, d.Error, tt.state, tt.by, tt.tries, tt.reason)
				}
				r.stop()
			})
		})
	}
}

// After an error that leaves it open whether the message went, and after a kill in the middle, the repeat says so.
func TestSenderMarksRepeats(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := 0
		sms := &fake{kind: "sms", send: func(m *callout.Message) (callout.Receipt, error) {
			if n++; n == 1 {
				return callout.Receipt{}, callout.Perhaps(errors.New("no answer in 60 s"))
			}
			return callout.Receipt{}, nil
		}}
		r := newRig(t, callout.SenderOptions{}, map[string]callout.Channel{"sms": sms})
		r.s.Give(r.dispatch("a", rules.HighPriority, "sms"))
		time.Sleep(time.Minute)
		killed := r.dispatch("b", rules.HighPriority, "sms")
		killed.State, killed.Tries = callout.Sending, 1
		old := r.dispatch("c", rules.HighPriority, "sms")
		old.Made = old.Made.Add(-6 * time.Minute)
		r.s.Give(killed, old)
		time.Sleep(time.Minute)
		var got []string
		for _, m := range sms.log() {
			got = append(got, fmt.Sprintf("%s %d %v %v %s", m.Key, m.Try, m.Repeat, m.Late, m.Short))
		}
		want := []string{"a 1 false false text a", "a 2 true false REPEAT: text a",
			"c 1 false true LATE, written " + old.Message.Created.Format("Mon 2 Jan 15:04") + ": text c", "b 2 true false REPEAT: text b"}
		if !slices.Equal(got, want) {
			t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		r.stop()
	})
}

// A week without any network: nothing is lost, the tries stay few, and all goes once when it is back, marked late.
func TestWeekWithoutNetwork(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var up atomic.Bool
		net := func(*callout.Message) (callout.Receipt, error) {
			if !up.Load() {
				time.Sleep(10 * time.Second) // its own time limit
				return callout.Receipt{}, errors.New("no route")
			}
			return callout.Receipt{}, nil
		}
		channels := map[string]callout.Channel{}
		var fakes []*fake
		for _, name := range []string{"mail", "hook"} {
			f := &fake{kind: name, send: net}
			fakes = append(fakes, f)
			channels[name] = f
		}
		contact := callout.Contact{ID: "ann", Addresses: []callout.Address{{Channel: "mail", To: "mail:ann"}, {Channel: "hook", To: "hook:ann"}}}
		r := newRig(t, callout.SenderOptions{}, channels, contact)
		const messages = 500
		for i := range messages {
			r.s.Give(r.dispatch(fmt.Sprint(i), rules.HighPriority, "mail", "hook"))
			time.Sleep(7 * 24 * time.Hour / messages)
		}
		st := r.s.Status()
		if st.Waiting != messages || st.Oldest.Round(time.Hour) != 7*24*time.Hour || st.Reachable || len(st.Unreachable) != 1 {
			t.Errorf("after a week: got %d waiting, the oldest %v, reachable %v (%s)", st.Waiting, st.Oldest, st.Reachable, st.Reason)
		}
		tries := len(fakes[0].log()) + len(fakes[1].log())
		if tries > 2*7*24*15 { // each channel once in five minutes or so
			t.Errorf("%d tries in the week: too many", tries)
		}
		up.Store(true)
		time.Sleep(15 * time.Minute)
		synctest.Wait()
		arrived := map[string]int{}
		for _, f := range fakes {
			for _, m := range f.log() {
				if d := r.state(m.Key); m.Late && d.State == callout.HandedOver && d.Tries == m.Try {
					arrived[m.Key]++
				}
			}
		}
		for i := range messages {
			if n := arrived[fmt.Sprint(i)]; n != 1 && i < messages-1 {
				t.Errorf("message %d arrived %d times", i, n)
			}
		}
		if st := r.s.Status(); st.Waiting != 0 || st.Oldest != 0 || !st.Reachable {
			t.Errorf("when it is back: got %d waiting, the oldest %v, reachable %v", st.Waiting, st.Oldest, st.Reachable)
		}
		r.stop()
	})
}

func TestSenderIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, callout.SenderOptions{Most: 10, GiveUpAfter: 48 * time.Hour}, map[string]callout.Channel{"sms": &fake{kind: "sms", send: down}})
		for i := range 12 {
			p := rules.LowPriority
			if i%3 == 0 {
				p = rules.HighPriority
			}
			r.s.Give(r.dispatch(fmt.Sprint(i), p, "sms"))
			time.Sleep(time.Second)
		}
		time.Sleep(time.Minute)
		for key, want := range map[string]callout.State{"0": callout.Waiting, "1": callout.GivenUp, "2": callout.GivenUp, "9": callout.Waiting} {
			if d := r.state(key); d.State != want {
				t.Errorf("message %s: got %v (%s), want %v", key, d.State, d.Error, want)
			}
		}
		time.Sleep(49 * time.Hour)
		if d := r.state("0"); d.State != callout.GivenUp || d.Error != "not sent in 2 days" {
			t.Errorf("after two days: got %v (%s)", d.State, d.Error)
		}
		if st := r.s.Status(); st.Waiting != 0 {
			t.Errorf("after two days %d wait", st.Waiting)
		}
		r.stop()
	})
}

func TestSenderTriesTheMostPressingFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sms := &fake{kind: "sms", send: func(*callout.Message) (callout.Receipt, error) {
			time.Sleep(3 * time.Second)
			return callout.Receipt{}, nil
		}}
		r := newRig(t, callout.SenderOptions{}, map[string]callout.Channel{"sms": sms})
		r.s.Give(r.dispatch("first", rules.LowPriority, "sms"))
		time.Sleep(time.Second)
		r.s.Give(r.dispatch("low", rules.LowPriority, "sms"), r.dispatch("medium", rules.MediumPriority, "sms"))
		r.s.Give(r.dispatch("high", rules.HighPriority, "sms"))
		time.Sleep(time.Minute)
		var got []string
		for _, m := range sms.log() {
			got = append(got, m.Key)
		}
		if want := "first high medium low"; strings.Join(got, " ") != want {
			t.Errorf("got %q, want %q", strings.Join(got, " "), want)
		}
		r.stop()
	})
}

// The far side's word counts for how long it is left alone, and a delivery that is learned of later is reported.
func TestSenderHeedsWaitAndDelivery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var answered atomic.Bool
		hook := &fake{kind: "webhook", send: func(*callout.Message) (callout.Receipt, error) {
			if !answered.Swap(true) {
				return callout.Receipt{}, callout.Later(90*time.Second, errors.New("429"))
			}
			return callout.Receipt{Reference: "7"}, nil
		}}
		r := newRig(t, callout.SenderOptions{}, map[string]callout.Channel{"hook": hook})
		r.s.Give(r.dispatch("k", rules.HighPriority, "hook"))
		time.Sleep(89 * time.Second)
		if n := len(hook.log()); n != 1 {
			t.Errorf("%d tries within the time asked for", n)
		}
		time.Sleep(2 * time.Second)
		if d := r.state("k"); d.State != callout.HandedOver || d.Reference != "7" {
			t.Errorf("after it: got %v, %q", d.State, d.Reference)
		}
		r.s.Delivered("k")
		r.s.Delivered("unknown")
		synctest.Wait()
		if d := r.state("k"); d.State != callout.Delivered {
			t.Errorf("after the delivery: got %v", d.State)
		}
		r.stop()
	})
}

// Channels may change while messages wait: what waits for one that is gone moves on.
func TestSenderTakesNewChannels(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sms := &fake{kind: "sms", send: down}
		mail := &fake{kind: "mail", send: accept}
		r := newRig(t, callout.SenderOptions{}, map[string]callout.Channel{"sms": sms, "mail": mail})
		r.s.Give(r.dispatch("k", rules.HighPriority, "sms", "post"), r.dispatch("only", rules.HighPriority, "sms"))
		time.Sleep(2 * time.Second)
		post := &fake{kind: "mail", send: accept}
		r.s.Use(map[string]callout.Channel{"mail": mail, "post": post}, nil)
		time.Sleep(time.Second)
		synctest.Wait()
		if d := r.state("k"); d.Through != "post" {
			t.Errorf("got %v through %q (%s)", d.State, d.Through, d.Error)
		}
		if d := r.state("only"); d.State != callout.Failed {
			t.Errorf("without any channel: got %v (%s)", d.State, d.Error)
		}
		r.stop()
	})
}

// A stop in the middle of a try leaves what became of it for the record.
func TestSenderLeavesWhatWasNotKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		sms := &fake{kind: "sms", send: func(*callout.Message) (callout.Receipt, error) {
			<-release
			return callout.Receipt{}, nil
		}}
		r := newRig(t, callout.SenderOptions{}, map[string]callout.Channel{"sms": sms})
		r.s.Give(r.dispatch("a", rules.HighPriority, "sms"), r.dispatch("b", rules.HighPriority, "sms"))
		synctest.Wait()
		done := make(chan struct{})
		go func() { defer close(done); r.stop() }()
		synctest.Wait()
		close(release)
		<-done
		left := r.s.Leftover()
		if len(left) != 1 || left[0].Message.Key != "a" || left[0].State != callout.HandedOver {
			t.Errorf("left over: got %+v", left)
		}
		if d := r.state("a"); d.State != callout.Sending {
			t.Errorf("on the record: got %v", d.State)
		}
	})
}

func TestNobodyReachable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sms := &fake{kind: "sms", send: accept}
		ann := callout.Contact{ID: "ann", Addresses: []callout.Address{{Channel: "sms", To: "1"}}}
		ben := callout.Contact{ID: "ben", Addresses: []callout.Address{{Channel: "fax", To: "2"}}}
		r := newRig(t, callout.SenderOptions{}, map[string]callout.Channel{"sms": sms}, ann, ben)
		if st := r.s.Status(); !st.Reachable || !slices.Equal(st.Unreachable, []string{"ben"}) {
			t.Errorf("one of two: got %v, %v", st.Reachable, st.Unreachable)
		}
		silent := errors.New("no network registration")
		sms.ready.Store(&silent)
		if st := r.s.Status(); st.Reachable || st.Reason != "no contact can be reached; sms: no network registration" {
			t.Errorf("none: got %v, %q", st.Reachable, st.Reason)
		}
		r.stop()
	})
}
