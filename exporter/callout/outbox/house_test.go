package outbox_test

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/desk"
	"roundsman/exporter/callout/outbox"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
	"roundsman/rules"
)

// phone is a channel that notes what it got and when.
type phone struct {
	mu   sync.Mutex
	got  []string
	took func(m *callout.Message)
	err  error
}

func (p *phone) Kind() string { return "sms" }

func (p *phone) Send(_ context.Context, m *callout.Message) (callout.Receipt, error) {
	if p.took != nil {
		p.took(m)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.err != nil {
		return callout.Receipt{}, p.err
	}
	p.got = append(p.got, m.Person+": "+m.Short)
	return callout.Receipt{}, nil
}

func (p *phone) fail(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.err = err
}

func (p *phone) texts() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.got)
}

// house is a daemon in small: rules, desk, record and sender as the judge drives them.
type house struct {
	clock  *collector.Clock
	points []collector.Point
	set    rules.Set
	engine *rules.Engine
	record *record.Record
	box    *outbox.Outbox
	sender *callout.Sender
	links  *callout.Links
	change record.Change
	in     chan []collector.Reading
	answer chan callout.Answer
	cancel context.CancelFunc
	parts  sync.WaitGroup
	err    error
}

func openHouse(t testing.TB, path string, set rules.Set, points []collector.Point, plan callout.Plan, p *phone) *house {
	t.Helper()
	h := &house{clock: collector.NewClock(), set: set, points: points, in: make(chan []collector.Reading), answer: make(chan callout.Answer)}
	var err error
	if h.record, err = record.Open(path, record.Options{Clock: h.clock, Reserve: -1, Boot: func() record.Boot { return record.Boot{ID: "boot", Up: time.Duration(h.clock.Now())} }}); err != nil {
		t.Fatal(err)
	}
	if h.engine, err = rules.New(points, set); err != nil {
		t.Fatal(err)
	}
	kept, err := h.record.Restore()
	if err != nil {
		t.Fatal(err)
	}
	h.engine.Restore(h.clock.Now(), kept.Memory)
	h.engine.Track()
	d, err := desk.New(desk.Options{Plan: plan, Rules: set.Rules, Points: points, Time: h.clock.Time})
	if err != nil {
		t.Fatal(err)
	}
	used, err := outbox.UsedLinks(&kept)
	if err != nil {
		t.Fatal(err)
	}
	if h.links, err = callout.NewLinks([]byte(strings.Repeat("k", 32)), 0, used); err != nil {
		t.Fatal(err)
	}
	h.sender = callout.NewSender(callout.SenderOptions{Clock: h.clock, Random: func() float64 { return 0.5 }})
	h.sender.Use(map[string]callout.Channel{"sms": p}, plan.Contacts)
	h.box = outbox.New(outbox.Options{Clock: h.clock, Desk: d, Sender: h.sender, Links: h.links})
	if err := h.box.Restore(h.clock.Now(), &kept, h.engine.Status(nil)); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	h.cancel = cancel
	h.parts.Go(func() { _ = h.sender.Run(ctx) })
	h.parts.Go(func() { h.judge(ctx) })
	return h
}

// close stops as planned.
func (h *house) close(t testing.TB) {
	t.Helper()
	h.cancel()
	h.parts.Wait()
	h.change.Clear()
	h.box.Rest(h.clock.Now(), &h.change)
	if err := errors.Join(h.err, h.record.Commit(&h.change), h.record.Close()); err != nil {
		t.Error(err)
	}
}

func (h *house) judge(ctx context.Context) {
	next := h.clock.Now()
	for {
		wake := time.NewTimer(max(0, next.Sub(h.clock.Now())))
		h.change.Clear()
		var readings []collector.Reading
		var answers []callout.Answer
		select {
		case <-ctx.Done():
			wake.Stop()
			return
		case readings = <-h.in:
		case a := <-h.answer:
			answers = append(answers, a)
		case r := <-h.sender.Reports():
			h.box.Report(h.clock.Now(), r, &h.change)
		case <-wake.C:
		}
		wake.Stop()
		next = h.step(readings, answers)
	}
}

func (h *house) step(readings []collector.Reading, answers []callout.Answer) collector.Moment {
	now := h.clock.Now()
	events, _ := h.engine.Step(now, readings, nil)
	for _, act := range h.box.Step(now, events, answers, &h.change) {
		more, _ := h.engine.Act(now, act, nil) // what is done already is refused
		h.box.Step(now, more, nil, &h.change)
		events = append(events, more...)
	}
	for i := range events {
		h.change.Lines = append(h.change.Lines, record.Event(h.clock, h.points, h.set.Rules, &events[i]))
	}
	h.engine.Changed(h.change.KeepAlarm, h.change.KeepCondition)
	if !h.change.Empty() {
		h.change.At = now
		if err := h.record.Commit(&h.change); err != nil {
			h.err = errors.Join(h.err, err)
		}
	}
	h.box.Committed()
	return min(h.engine.Next(), h.box.Next())
}

func (h *house) read(values ...float64) {
	var list []collector.Reading
	for i, v := range values {
		list = append(list, collector.Reading{Point: collector.PointID(i), Value: v, Quality: collector.Good, At: h.clock.Now()})
	}
	h.in <- list
}

// blackout is a room where everything hangs on the mains: 12 contacts fail within a second of it.
func blackout() (rules.Set, []collector.Point, callout.Plan) {
	points := []collector.Point{{ID: 0, Name: "mains.good", Station: "power", Kind: collector.State}}
	set := rules.Set{Rules: []rules.Rule{{Name: "mains-lost", Point: 0, Kind: rules.Equals, Other: collector.NoPoint, OnDelay: 2 * time.Second, Priority: rules.HighPriority, Severity: rules.Severe, CallOut: "on-call", Response: "Clear people from the tunnel."}}}
	for i := 1; i <= 12; i++ {
		points = append(points, collector.Point{ID: collector.PointID(i), Name: fmt.Sprintf("air.pump.%d.good", i), Station: "air", Kind: collector.State})
		set.Rules = append(set.Rules, rules.Rule{Name: fmt.Sprintf("pump-%d-lost", i), Point: collector.PointID(i), Kind: rules.Equals, Other: collector.NoPoint,
			OnDelay: time.Duration(i) * 300 * time.Millisecond, Priority: rules.HighPriority, CallOut: "on-call", CausedBy: []int{0}})
	}
	contacts := []callout.Contact{{ID: "ann", Name: "Ann", Addresses: []callout.Address{{Channel: "sms", To: "+3535550000"}}}, {ID: "ben", Name: "Ben", Addresses: []callout.Address{{Channel: "sms", To: "+3535550001"}}}}
	return set, points, callout.Plan{Site: "Ardenmoor", Contacts: contacts, Routes: []callout.Route{{Name: "on-call",
		Steps: []callout.Step{{Who: []callout.Who{{Person: "ann"}}}, {After: 5 * time.Minute, Who: []callout.Who{{Person: "ben"}}}}}}}
}

// The mains fail: one message, in which the twelve that follow are counted; an answer by SMS stops the escalation; the
// return is told; the journal has it all in order.
func TestBlackout(t *testing.T) {
	set, points, plan := blackout()
	path := filepath.Join(t.TempDir(), "roundsman.db")
	synctest.Test(t, func(t *testing.T) {
		p := &phone{}
		h := openHouse(t, path, set, points, plan, p)
		dark, light := make([]float64, 13), slices.Repeat([]float64{1}, 13)
		h.read(light...)
		time.Sleep(time.Minute)
		h.read(dark...)
		time.Sleep(2 * time.Minute)
		h.answer <- callout.Answer{From: "+353 555 0000", Text: "ok 1"}
		time.Sleep(10 * time.Minute)
		h.read(light...)
		time.Sleep(2 * time.Minute)
		h.close(t)
		got := p.texts()
		if len(got) != 2 || !strings.Contains(got[0], "Ann: Ardenmoor POWER mains lost, severe") || !strings.Contains(got[0], "12 alarms follow, first: AIR pump 1 lost. Clear people from the tunnel.") ||
			!strings.Contains(got[1], "NORMAL POWER mains lost") || !strings.Contains(got[1], "by Ann") {
			t.Errorf("got\n%s", strings.Join(got, "\n"))
		}
	})
	recordtest.Check(t, path)
	r, err := record.Read(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	kinds := map[record.Kind]int{}
	for _, l := range recordtest.Lines(t, r, record.Query{}) {
		kinds[l.Kind]++
	}
	if kinds[record.Answered] != 1 || kinds["acknowledged"] != 1 {
		t.Errorf("journal: got %v", kinds)
	}
	sent, err := r.Outbox(t.Context(), record.OutboxQuery{})
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range sent {
		if s.State != "handed over" || !s.Done || s.Channel != "sms" || s.Tries != 1 {
			t.Errorf("message %s: %s through %q after %d tries", s.Key, s.State, s.Channel, s.Tries)
		}
	}
}

// The box stops with a message unsent and a call unanswered: after the start both go on, by the time that passed, and
// a link that was used stays used.
func TestStopAndStart(t *testing.T) {
	set, points, plan := blackout()
	path := filepath.Join(t.TempDir(), "roundsman.db")
	synctest.Test(t, func(t *testing.T) {
		p := &phone{err: errors.New("no network")}
		h := openHouse(t, path, set, points, plan, p)
		h.read(make([]float64, 13)...)
		time.Sleep(time.Minute)
		token := h.links.Mint("mains-lost", 1, "ann", h.clock.Time(h.clock.Now()))
		if _, err := h.links.Use(token, h.clock.Time(h.clock.Now())); err != nil {
			t.Fatal(err)
		}
		h.read(make([]float64, 13)...)
		synctest.Wait()
		if n := len(p.texts()); n != 0 {
			t.Fatalf("%d messages went without a network", n)
		}
		h.close(t)
		time.Sleep(3 * time.Minute)
		p.fail(nil)
		h = openHouse(t, path, set, points, plan, p)
		if _, err := h.links.Look(token, h.clock.Time(h.clock.Now())); !errors.Is(err, callout.ErrLinkUsed) {
			t.Errorf("a link used before the stop: got %v", err)
		}
		time.Sleep(90 * time.Second) // five and a half minutes after the start of the alarm
		got := p.texts()
		if len(got) != 2 || !strings.HasPrefix(got[0], "Ann: ") || !strings.HasPrefix(got[1], "Ben: ") {
			t.Errorf("got\n%s", strings.Join(got, "\n"))
		}
		if st := h.sender.Status(); st.Waiting != 0 {
			t.Errorf("%d still wait", st.Waiting)
		}
		h.close(t)
	})
	recordtest.Check(t, path)
}

// A record that cannot be written does not silence a call.
func TestCallsWithoutARecord(t *testing.T) {
	set, points, plan := blackout()
	path := filepath.Join(t.TempDir(), "roundsman.db")
	synctest.Test(t, func(t *testing.T) {
		p := &phone{}
		h := openHouse(t, path, set, points, plan, p)
		if err := h.record.Close(); err != nil {
			t.Fatal(err)
		}
		h.read(make([]float64, 13)...)
		time.Sleep(time.Minute)
		if n := len(p.texts()); n != 1 {
			t.Errorf("got %d messages, want 1", n)
		}
		h.cancel()
		h.parts.Wait()
		if h.err == nil {
			t.Error("the record could be written")
		}
	})
}
