package record_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

// outboxModel is what the outbox must hold, in plain Go.
type outboxModel struct {
	order  []string
	all    map[string]record.Sending
	papers map[string]record.Paper
}

func (m *outboxModel) apply(o *record.Outbox) {
	for _, s := range o.Sendings {
		if _, ok := m.all[s.Key]; !ok {
			m.order = append(m.order, s.Key)
		}
		m.all[s.Key] = s
	}
	maps.Copy(m.papers, o.Papers)
}

func (m *outboxModel) undone() (list []record.Sending) {
	for _, key := range m.order {
		if s := m.all[key]; !s.Done {
			list = append(list, s)
		}
	}
	return list
}

// The outbox holds what a plain model does, through restarts, failed writes and a clock that begins elsewhere.
func TestOutboxLikeAModel(t *testing.T) {
	for seed := range uint64(4) {
		random := rand.New(rand.NewPCG(seed, 44))
		p := path(t)
		clock := collector.NewClock()
		open := func() *record.Record {
			r, err := record.Open(p, record.Options{Clock: clock, Reserve: -1, RetryEvery: time.Nanosecond, Boot: func() record.Boot { return record.Boot{ID: "b", Up: time.Duration(clock.Now())} }})
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		r := open()
		m := &outboxModel{all: map[string]record.Sending{}, papers: map[string]record.Paper{}}
		for range 300 {
			switch n := random.IntN(20); {
			case n == 0:
				if err := r.Close(); err != nil {
					t.Fatal(err)
				}
				recordtest.Check(t, p)
				r = open()
			case n == 1:
				if err := r.BreakWrites(true); err != nil {
					t.Fatal(err)
				}
				c := randomOutbox(random, m, clock.Now())
				if err := r.Commit(c); err == nil {
					t.Error("a record that cannot be written: no error")
				}
				m.apply(&c.Outbox)
				if err := r.BreakWrites(false); err != nil {
					t.Fatal(err)
				}
			default:
				c := randomOutbox(random, m, clock.Now())
				if err := r.Commit(c); err != nil {
					t.Fatal(err)
				}
				m.apply(&c.Outbox)
			}
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		r = open()
		s, err := r.Restore()
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(m.undone(), s.Sendings, cmpopts.EquateEmpty(), near()) + cmp.Diff(m.papers, s.Papers, near()); diff != "" {
			t.Errorf("seed %d: restored (-want +got):\n%s", seed, diff)
		}
		m.newest(t, r)
		closed(t, r, p)
	}
}

// near allows for the clocks being read one after the other at a start.
func near() cmp.Option {
	return cmp.Comparer(func(a, b collector.Moment) bool { return a.Sub(b).Abs() < 100*time.Millisecond })
}

// newest holds the queries against the model.
func (m *outboxModel) newest(t *testing.T, r *record.Record) {
	t.Helper()
	got, err := r.Outbox(context.Background(), record.OutboxQuery{Limit: 30})
	if err != nil {
		t.Fatal(err)
	}
	var keys, want []string
	for _, s := range got {
		keys = append(keys, s.Key)
	}
	for _, key := range slices.Backward(m.order) {
		if len(want) < 30 {
			want = append(want, key)
		}
	}
	if diff := cmp.Diff(want, keys); diff != "" {
		t.Errorf("newest first (-want +got):\n%s", diff)
	}
	one, err := r.Message(context.Background(), m.order[0])
	if diff := cmp.Diff(m.all[m.order[0]], one, near()); err != nil || diff != "" {
		t.Errorf("one message: %v (-want +got):\n%s", err, diff)
	}
	if _, err := r.Message(context.Background(), "none"); !errors.Is(err, sql.ErrNoRows) {
		t.Errorf("no such message: got %v", err)
	}
}

func randomOutbox(random *rand.Rand, m *outboxModel, now collector.Moment) *record.Change {
	c := &record.Change{}
	for range random.IntN(4) {
		key := fmt.Sprint("k", len(m.order)+len(c.Sendings))
		if len(m.order) > 0 && random.IntN(3) > 0 {
			key = m.order[random.IntN(len(m.order))]
		}
		s := m.all[key]
		if s.Key == "" {
			s = record.Sending{Key: key, Contact: "ann", Alarm: []string{"", "air-low"}[random.IntN(2)], Subject: "alarm", Time: time.UnixMilli(1e12 + int64(random.IntN(1e9))).UTC()}
		}
		s.State, s.Done, s.Tries, s.Made = []string{"waiting", "handed over"}[random.IntN(2)], random.IntN(2) == 0, s.Tries+1, now
		s.Channel, s.Doc = []string{"", "sms"}[random.IntN(2)], fmt.Appendf(nil, `{"n":%d}`, random.IntN(1000))
		c.KeepSending(s)
	}
	if random.IntN(2) == 0 {
		c.KeepPaper([]string{"desk", "links"}[random.IntN(2)], record.Paper{At: now, Doc: fmt.Appendf(nil, `{"p":%d}`, random.IntN(1000))})
	}
	return c
}

// Moments of the outbox follow the new clock after a restart: what was written an hour ago is an hour ago.
func TestOutboxMomentsMove(t *testing.T) {
	p := path(t)
	boot := record.Boot{ID: "b", Up: time.Hour}
	o := record.Options{Clock: collector.NewClock(), Reserve: -1, Boot: func() record.Boot { return boot }}
	for run := range 3 { // the first one's scale is that of the record
		r, err := record.Open(p, o)
		if err != nil {
			t.Fatal(err)
		}
		s, err := r.Restore()
		if err != nil {
			t.Fatal(err)
		}
		if run > 0 {
			for what, at := range map[string]collector.Moment{"message": s.Sendings[run-1].Made, "paper": s.Papers["desk"].At} {
				if ago := o.Clock.Now().Sub(at); ago < time.Hour-time.Minute || ago > time.Hour+time.Minute {
					t.Errorf("run %d: the %s is %v ago, want an hour", run, what, ago)
				}
			}
		}
		now := o.Clock.Now()
		c := &record.Change{At: now}
		c.KeepSending(record.Sending{Key: fmt.Sprint("k", run), State: "waiting", Contact: "ann", Subject: "alarm", Made: now, Doc: []byte("{}")})
		c.KeepPaper("desk", record.Paper{At: now, Doc: []byte("{}")})
		if err := r.Commit(c); err != nil {
			t.Fatal(err)
		}
		closed(t, r, p)
		boot.Up += time.Hour
	}
}

// Done messages are let go of as newer ones get done, those that wait never.
func TestOutboxIsBounded(t *testing.T) {
	p := path(t)
	r := recordtest.Open(t, p, record.Options{Clock: collector.NewClock(), Reserve: -1})
	c := &record.Change{}
	for i := range 3 * record.OutboxKept {
		c.KeepSending(record.Sending{Key: fmt.Sprint(i), State: "x", Done: i%100 != 0, Contact: "ann", Subject: "alarm", Doc: []byte("{}")})
		if i%500 == 499 {
			if err := r.Commit(c); err != nil {
				t.Fatal(err)
			}
			c.Clear()
		}
	}
	all, err := r.Outbox(context.Background(), record.OutboxQuery{})
	if err != nil {
		t.Fatal(err)
	}
	undone, err := r.Outbox(context.Background(), record.OutboxQuery{Undone: true})
	if err != nil {
		t.Fatal(err)
	}
	if len(undone) != 3*record.OutboxKept/100 || len(all) > record.OutboxKept+len(undone) || len(all) < record.OutboxKept {
		t.Errorf("%d kept, %d wait", len(all), len(undone))
	}
}
