package record_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
	"roundsman/rules"
)

// walk does random things to a record and the same to a model.
type walk struct {
	*machine
	random *rand.Rand
	r      *record.Record
	model  *recordtest.Model // what must be on the disk, but for what waits
	wait   []record.Change   // commits that failed
	broken bool
	acts   map[string]uint64
	state  map[string]rules.State
	did    map[string]int
}

// Against plain maps, under random commits, failures to write, kills, planned stops, reboots and prunings.
func TestRecordAgainstModel(t *testing.T) {
	for seed := range uint64(6 / fewer) {
		synctest.Test(t, func(t *testing.T) {
			w := &walk{machine: newMachine(t), random: rand.New(rand.NewPCG(seed, 2)), model: recordtest.NewModel(),
				acts: map[string]uint64{}, state: map[string]rules.State{}, did: map[string]int{}}
			w.r = w.open()
			defer func() { _ = w.r.Close() }()
			w.marks(record.BoxStarted)
			for range 250 {
				w.step()
				if t.Failed() {
					return
				}
			}
			if err := w.r.BreakWrites(false); err != nil {
				t.Fatal(err)
			}
			w.stop()
			for _, what := range []string{"commit", "failure", "kill", "stop", "prune", "removed"} {
				if w.did[what] == 0 {
					t.Errorf("seed %d never did a %s", seed, what)
				}
			}
		})
	}
}

func (w *walk) step() {
	time.Sleep(time.Duration(w.random.IntN(4000)) * time.Millisecond)
	switch n := w.random.IntN(40); {
	case n < 32:
		w.commit()
	case n < 34:
		w.toggle()
	case n == 34 && !w.broken:
		w.kill()
	case n == 35 && !w.broken:
		w.stop()
	case n == 36 && !w.broken:
		w.prune()
	default:
		if err := w.r.Beat(w.clock.Now()); err == nil {
			w.written()
		} else if !w.broken {
			w.t.Error(err)
		}
	}
	if !w.broken && len(w.wait) == 0 {
		w.compare()
	}
}

func (w *walk) commit() {
	c := w.change()
	err := w.r.Commit(&c)
	w.wait = append(w.wait, c)
	switch {
	case err == nil:
		w.did["commit"]++
		w.written()
	case w.broken:
		w.did["failure"]++
		if !errors.Is(err, record.ErrReadOnly) || !strings.Contains(err.Error(), "; alarms go on, ") {
			w.t.Errorf("a failing write is told as %q", err)
		}
	default:
		w.t.Error(err)
	}
}

// written moves what waited into the model.
func (w *walk) written() {
	for i := range w.wait {
		w.model.Apply(&w.wait[i])
	}
	w.wait = nil
}

func (w *walk) toggle() {
	w.broken = !w.broken
	if err := w.r.BreakWrites(w.broken); err != nil {
		w.t.Fatal(err)
	}
	if !w.broken {
		time.Sleep(2 * time.Second) // until it is tried again
	}
}

// change is one that an engine could make.
func (w *walk) change() record.Change {
	now := w.clock.Now()
	c := record.Change{At: now, Alarms: map[string]rules.AlarmMemory{}, Conditions: map[string]rules.ConditionMemory{},
		Duty: map[string]duty.Kept{}, Counts: map[string]compute.Count{}}
	for range w.random.IntN(4) {
		w.event(&c, now)
	}
	if w.random.IntN(4) == 0 {
		name := fmt.Sprint("alarm ", w.random.IntN(12))
		c.Alarms[name] = w.memory(name, now)
	}
	if w.random.IntN(6) == 0 {
		c.Conditions["closed"] = rules.ConditionMemory{Truth: w.random.IntN(2) == 0, Known: true, Began: now, Terms: []rules.Truth{rules.True, rules.NotKnown, rules.False}}
	}
	if w.random.IntN(6) == 0 {
		age := now.Sub(collector.At(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)))
		c.Duty["pump"] = duty.Kept{Run: age / 3, Seen: age, Starts: uint64(age / time.Minute), Runs: uint64(age/time.Minute) + 1, Looked: true,
			At: now, From: now.Add(-5), HourStarts: []collector.Moment{now.Add(-time.Minute), now}}
		c.Counts["litres"] = compute.Count{Point: collector.NoPoint, Pulses: age.Seconds(), Last: 7, At: now}
	}
	if w.random.IntN(30) == 0 {
		w.remove(&c, now)
	}
	if w.random.IntN(30) == 0 {
		w.whole(&c, now)
	}
	return c
}

func (w *walk) memory(name string, now collector.Moment) rules.AlarmMemory {
	m := rules.AlarmMemory{State: w.state[name], Activations: w.acts[name], Since: now, HasValue: true, Value: w.random.NormFloat64(),
		Delay: rules.Wait{Running: true, First: now.Add(-time.Second)}, Tally: []rules.Span{{From: now - 7, To: now}}, Samples: []rules.Sample{{At: now, Value: 3}}}
	if m.State == rules.Shelved {
		m.Until, m.By, m.Why = now.Add(time.Hour), "Maeve", "it's \x00 \"odd\" \u2603"
	}
	return m
}

func (w *walk) event(c *record.Change, now collector.Moment) {
	name := fmt.Sprint("alarm ", w.random.IntN(12))
	to := rules.State(w.random.IntN(9))
	l := record.Line{At: now, Time: w.clock.Time(now), Kind: "acknowledged", Alarm: name, Point: "p", From: w.state[name], To: to,
		Value: w.random.Float64(), Limit: math.NaN(), Quality: collector.Quality(w.random.IntN(4)), Unit: "bar", Who: "Maeve",
		Priority: rules.Priority(to) % 5}
	switch to {
	case rules.Unacknowledged:
		l.Kind = "started"
		w.acts[name]++
	case rules.Shelved:
		l.Kind, l.Until = "shelved", l.Time.Add(time.Hour)
	}
	w.state[name] = to
	c.Lines = append(c.Lines, l)
	c.Alarms[name] = w.memory(name, now)
}

// remove takes an alarm off as a reload does.
func (w *walk) remove(c *record.Change, now collector.Moment) {
	name := fmt.Sprint("alarm ", w.random.IntN(12))
	c.Lines = append(c.Lines, record.Line{At: now, Time: w.clock.Time(now), Kind: record.AlarmRemoved, Alarm: name, From: w.state[name], To: rules.Normal, Value: math.NaN(), Limit: math.NaN()})
	c.Gone = append(c.Gone, name)
	delete(c.Alarms, name)
	w.state[name], w.acts[name] = rules.Normal, 0
	w.did["removed"]++
}

// whole tells all there is.
func (w *walk) whole(c *record.Change, now collector.Moment) {
	m := rules.Memory{Alarms: map[string]rules.AlarmMemory{}, Conditions: map[string]rules.ConditionMemory{}}
	for name := range w.state {
		m.Alarms[name] = w.memory(name, now)
	}
	c.KeepAll(m)
	w.did["whole"]++
}

func (w *walk) kill() {
	w.did["kill"]++
	if err := w.r.Abandon(); err != nil {
		w.t.Fatal(err)
	}
	w.wait = nil // what waited is gone, and the engine goes on from what was kept
	clear(w.state)
	clear(w.acts)
	for name, m := range w.model.Alarms {
		w.state[name], w.acts[name] = m.State, m.Activations
	}
	w.again(record.Outage, record.BoxStarted)
}

func (w *walk) stop() {
	w.did["stop"]++
	if err := w.r.Close(); err != nil {
		w.t.Fatal(err)
	}
	w.broken = false
	w.written()
	recordtest.Check(w.t, w.path)
	w.again(record.BoxStopped, record.BoxStarted)
}

// again opens the record after a while, perhaps in another boot, and holds what it restored against the model.
func (w *walk) again(kinds ...record.Kind) {
	time.Sleep(time.Duration(w.random.IntN(1000)) * time.Second)
	if w.random.IntN(2) == 0 {
		w.reboot()
	}
	w.r = w.open()
	w.marks(kinds...)
	s := w.restored(w.r)
	if diff := w.model.SameState(&s); diff != "" {
		w.t.Errorf("restored (-want +got):\n%s", diff)
	}
}

// marks takes the box's own latest lines into the model.
func (w *walk) marks(kinds ...record.Kind) {
	lines := recordtest.Lines(w.t, w.r.Reader, record.Query{Newest: true, Limit: len(kinds)})
	slices.Reverse(lines)
	for i, l := range lines {
		if l.Kind != kinds[i] {
			w.t.Errorf("line %d is %q, want %q", l.Seq, l.Kind, kinds[i])
		}
		w.model.Lines = append(w.model.Lines, recordtest.Plain(l))
	}
}

func (w *walk) prune() {
	before := time.Now().Add(-time.Duration(w.random.IntN(3600)) * time.Second)
	n, err := w.r.Prune(before)
	if err != nil {
		w.t.Error(err)
	}
	for range n {
		if !w.model.Lines[0].Time.Before(before) {
			w.t.Errorf("pruned a line of %v, before %v", w.model.Lines[0].Time, before)
		}
		w.model.Lines = w.model.Lines[1:]
	}
	if len(w.model.Lines) > 0 && w.model.Lines[0].Time.Before(before.Truncate(time.Millisecond)) {
		w.t.Errorf("a line of %v is left, pruned before %v", w.model.Lines[0].Time, before)
	}
	w.did["prune"] += int(n)
}

// compare holds the journal and the file's own laws against the model.
func (w *walk) compare() {
	if w.random.IntN(5) > 0 {
		return
	}
	var got []record.Line
	for _, l := range recordtest.Lines(w.t, w.r.Reader, record.Query{}) {
		got = append(got, recordtest.Plain(l))
	}
	want := slices.Clone(w.model.Lines)
	for i := range want {
		want[i].Time, want[i].Until = want[i].Time.Truncate(time.Millisecond), want[i].Until.Truncate(time.Millisecond)
	}
	if diff := recordtest.SameLines(want, got); diff != "" {
		w.t.Errorf("journal (-want +got):\n%s", diff)
	}
	if err := w.r.Check(w.t.Context()); err != nil {
		w.t.Error(err)
	}
}

// When more lines wait than there is room for, the oldest go, counted, and the order of the rest holds.
func TestQueueFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMachine(t)
		o := m.options()
		o.Queue = 10
		r, err := record.Open(m.path, o)
		if err != nil {
			t.Fatal(err)
		}
		if err := r.BreakWrites(true); err != nil {
			t.Fatal(err)
		}
		begun := time.Now()
		for n := range 25 {
			time.Sleep(time.Second)
			c := record.Change{Lines: []record.Line{{Kind: record.Remark, Who: "Maeve", Why: fmt.Sprint(n)}}}
			if err := r.Commit(&c); err == nil {
				t.Fatal("a broken record was written")
			}
		}
		s := r.Status()
		if s.OK() || !errors.Is(s.Err, record.ErrReadOnly) || s.Waiting != 10 || s.Lost != 15 || m.clock.Time(s.Failing).Sub(begun) != time.Second {
			t.Errorf("status is %+v", s)
		}
		if err := r.BreakWrites(false); err != nil {
			t.Fatal(err)
		}
		if err := r.Beat(m.clock.Now()); err == nil {
			t.Error("written sooner than RetryEvery after the last failure")
		}
		time.Sleep(time.Second)
		if err := r.Beat(m.clock.Now()); err != nil {
			t.Fatal(err)
		}
		if s := r.Status(); !s.OK() || s.Waiting != 0 || s.Lost != 0 || s.Seq != 12 || s.Reason() != "" {
			t.Errorf("status is %+v", s)
		}
		lines := recordtest.Lines(t, r.Reader, record.Query{After: 1})
		lost := lines[0]
		if lost.Kind != record.LinesLost || lost.Count != 15 || lost.Until.Sub(begun) != time.Second || lost.Time.Sub(begun) != 15*time.Second {
			t.Errorf("lost are %+v", lost)
		}
		for i, l := range lines[1:] {
			if l.Why != fmt.Sprint(15+i) || l.Time.Sub(begun) != time.Duration(16+i)*time.Second {
				t.Errorf("line %d is %+v", i, l)
			}
		}
		closed(t, r, m.path)
		if err := r.Commit(&record.Change{}); !errors.Is(err, record.ErrClosed) {
			t.Errorf("got %v from a closed record", err)
		}
	})
}

// A memory that cannot be written down is named, and holds up nothing else.
func TestUnkeepable(t *testing.T) {
	p := path(t)
	r := recordtest.Open(t, p, record.Options{Clock: collector.NewClock(), Reserve: -1})
	c := record.Change{Lines: []record.Line{{Kind: record.Remark}}}
	c.KeepAlarm("odd", rules.AlarmMemory{Peak: math.Inf(1)})
	c.KeepAlarm("fine", rules.AlarmMemory{Activations: 3})
	if err := r.Commit(&c); !errors.Is(err, record.ErrUnkeepable) || !strings.Contains(err.Error(), "alarm odd") {
		t.Errorf("got %v", err)
	}
	s, err := r.State(t.Context())
	if err != nil || s.Memory.Alarms["fine"].Activations != 3 || len(s.Memory.Alarms) != 1 || r.Status().Seq != 2 {
		t.Errorf("got %+v, %v", s, err)
	}
}

// What is damaged beyond reading is named; the rest is restored.
func TestRestoreNamesTheUnreadable(t *testing.T) {
	p := path(t)
	o := record.Options{Clock: collector.NewClock(), Reserve: -1}
	r, err := record.Open(p, o)
	if err != nil {
		t.Fatal(err)
	}
	c := record.Change{}
	c.KeepAlarm("a", rules.AlarmMemory{Activations: 3})
	c.KeepAlarm("b", rules.AlarmMemory{Activations: 4})
	commit(t, r, c)
	if err := errors.Join(r.Exec(`UPDATE alarms SET memory = '{"state":' WHERE name = 'a'`), r.Close()); err != nil {
		t.Fatal(err)
	}
	if r, err = record.Open(p, o); err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	s, err := r.Restore()
	if err == nil || !strings.Contains(err.Error(), "restore: alarm a: what was kept of it cannot be read") || s.Memory.Alarms["b"].Activations != 4 {
		t.Errorf("got %v, %v", err, s.Memory)
	}
}

// A log whose end is scrambled or cut, as by a power cut on a card that lies, opens as a clean prefix.
func TestLogScrambled(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	p := path(t)
	o := record.Options{Clock: collector.NewClock(), Reserve: -1}
	r, err := record.Open(p, o)
	if err != nil {
		t.Fatal(err)
	}
	state, acts := rules.Normal, uint64(0)
	for n := range 40 {
		var c record.Change
		to, kind := rules.Unacknowledged, record.Kind("started")
		if state == rules.Unacknowledged {
			to, kind = rules.Normal, "returned"
		} else {
			acts++
		}
		c.Lines = []record.Line{{Kind: kind, Alarm: "a", From: state, To: to, Why: fmt.Sprint(n)}}
		c.KeepAlarm("a", rules.AlarmMemory{State: to, Activations: acts})
		state = to
		commit(t, r, c)
	}
	lengths := map[int]bool{}
	for n := range 60 / fewer {
		copied := path(t)
		for _, end := range []string{"", "-wal"} {
			copyFile(t, p+end, copied+end)
		}
		spoil(t, copied+"-wal", random, n%2 == 0)
		again, err := record.Open(copied, o)
		if err != nil {
			t.Fatal(err)
		}
		lines := recordtest.Lines(t, again.Reader, record.Query{Alarm: "a"})
		for i, l := range lines {
			if l.Why != fmt.Sprint(i) {
				t.Errorf("line %d is %q", i, l.Why)
			}
		}
		lengths[len(lines)] = true
		if err := again.Check(t.Context()); err != nil {
			t.Errorf("after %d lines: %v", len(lines), err)
		}
		closed(t, again, copied)
	}
	if len(lengths) < 5 {
		t.Errorf("only prefixes of %v lines were seen", lengths)
	}
	closed(t, r, p)
}

// spoil cuts a file or turns its end into noise.
func spoil(t *testing.T, path string, random *rand.Rand, cut bool) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	size, err := f.Seek(0, io.SeekEnd)
	if err != nil {
		t.Fatal(err)
	}
	from := size/4 + random.Int64N(size*3/4)
	if cut {
		err = f.Truncate(from)
	} else {
		noise := make([]byte, size-from)
		for i := range noise {
			noise[i] = byte(random.Uint32())
		}
		_, err = f.WriteAt(noise, from)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	text, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, text, 0o644); err != nil {
		t.Fatal(err)
	}
}
