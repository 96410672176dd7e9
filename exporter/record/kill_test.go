package record_test

import (
	"bufio"
	"context"
	"encoding/gob"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
	"roundsman/rules"
)

// childEnv makes the test binary one of the processes that tests start: its value says which.
const childEnv = "ROUNDSMAN_RECORD_CHILD"

func TestMain(m *testing.M) {
	children := map[string]func() error{"judge": judgeUntilKilled, "disk": fillDisk, "limit": fillLimit, "nobody": openAsNobody, "trend": takeUntilKilled}
	if child := children[os.Getenv(childEnv)]; child != nil {
		if err := child(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// childCommand starts this test binary as a child.
func childCommand(ctx context.Context, which string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, os.Args[0], args...)
	cmd.Env = append(os.Environ(), childEnv+"="+which)
	cmd.Stderr = os.Stderr
	return cmd
}

// message is what the child tells of itself, with moments on the record's scale.
type message struct {
	Kind   messageKind
	Steady collector.Moment // now
	Change record.Change    // of an intent
	State  record.State     // of a hello: what was restored
}

type messageKind uint8

const (
	hello messageKind = iota + 1 // open, and restored
	intent
	ack // the latest intent is committed
)

const killPoints, killRules = 40, 120

func killSet() rules.Set {
	set := rules.Set{Conditions: []rules.Condition{{Name: "closed", Hold: 20 * time.Millisecond, Terms: []rules.Term{{Point: 0, Op: rules.Greater, Value: 9, Condition: -1}}}}}
	for i := range killRules {
		r := rules.Rule{Name: fmt.Sprintf("rule-%d", i), Point: collector.PointID(i % killPoints), Kind: rules.Low, Limit: 4, Deadband: 1,
			OnDelay: time.Duration(i%7) * 4 * time.Millisecond, OffDelay: time.Duration(i%5) * 10 * time.Millisecond}
		switch i % 6 {
		case 1:
			r.Kind, r.Limit = rules.High, 7
		case 2:
			r.Kind, r.Limit, r.Deadband, r.Window, r.Latch = rules.StartsAbove, 3, 0, 300*time.Millisecond, true
		case 3:
			r.SuppressWhen = []int{0}
			r.OnTotal, r.OnWithin = 30*time.Millisecond, 200*time.Millisecond
		case 4:
			r.OnDelay = time.Hour // in progress for the whole test
			r.Limit = 9.9
		case 5:
			r.Kind, r.Limit, r.Deadband, r.OnDelay = rules.BadSignal, 0, 0, 0
		}
		set.Rules = append(set.Rules, r)
	}
	return set
}

// judgeUntilKilled is the child: a daemon in small, on simulated readings as fast as the disk takes them. It tells what
// it is about to commit and what is committed. When its input ends it stops as planned.
func judgeUntilKilled() error {
	seed, err := strconv.ParseUint(os.Args[2], 10, 64)
	if err != nil {
		return err
	}
	d := &small{clock: collector.NewClock(), random: rand.New(rand.NewPCG(seed, 8)), tell: gob.NewEncoder(os.Stdout)}
	if d.record, err = record.Open(os.Args[1], record.Options{Clock: d.clock, BeatEvery: 10 * time.Millisecond, Reserve: 16 << 10}); err != nil {
		return err
	}
	if err := d.begin(); err != nil {
		return err
	}
	var stop atomic.Bool
	done := make(chan struct{})
	go func() {
		defer close(done)
		_, _ = io.Copy(io.Discard, os.Stdin)
		stop.Store(true)
	}()
	for !stop.Load() {
		if err := d.round(false); err != nil {
			return err
		}
	}
	<-done
	if err := d.round(true); err != nil {
		return err
	}
	return d.record.Close()
}

// small is a daemon in small.
type small struct {
	clock  *collector.Clock
	random *rand.Rand
	tell   *gob.Encoder
	record *record.Record
	points []collector.Point
	set    rules.Set
	engine *rules.Engine
	meter  *duty.Meter
	ended  []record.Finished // intervals of the meter that are not kept yet
	count  compute.Count
	offset time.Duration
	change record.Change
	events []rules.Event
	rounds int
}

func (d *small) begin() error {
	for p := range killPoints {
		d.points = append(d.points, collector.Point{ID: collector.PointID(p), Name: fmt.Sprintf("p%d", p)})
	}
	d.set = killSet()
	var err error
	if d.engine, err = rules.New(d.points, d.set); err != nil {
		return err
	}
	s, err := d.record.Restore()
	if err != nil {
		return err
	}
	for l, err := range d.record.Journal(context.Background(), record.Query{Newest: true, Limit: 1}) {
		if err != nil {
			return err
		}
		d.offset = l.Steady.Sub(l.At)
	}
	now := d.clock.Now()
	d.engine.Restore(now, s.Memory)
	d.engine.Track()
	d.meter = duty.New(duty.Spec{Name: "pump", Join: -1})
	d.meter.OnInterval(func(i duty.Interval) { d.ended = append(d.ended, record.Finished{Equipment: "pump", Interval: i}) })
	d.meter.Restore(s.Duty["pump"], now)
	d.count = s.Counts["litres"]
	s.Memory = s.Memory.Shifted(d.offset)
	for name, k := range s.Duty {
		s.Duty[name] = k.Shifted(d.offset)
	}
	for name, k := range s.Counts {
		k.At = k.At.Add(d.offset)
		s.Counts[name] = k
	}
	return d.tell.Encode(message{Kind: hello, Steady: d.clock.Now().Add(d.offset), State: s})
}

func (d *small) round(last bool) error {
	d.rounds++
	c := &d.change
	c.Clear()
	c.At = d.clock.Now()
	readings := d.read(c.At)
	d.events, _ = d.engine.Step(c.At, readings, d.events[:0])
	if d.random.IntN(3) == 0 {
		// A refusal changes nothing and tells nothing.
		d.events, _ = d.engine.Act(c.At, d.act(), d.events)
	}
	for i := range d.events {
		c.Lines = append(c.Lines, record.Event(d.clock, d.points, d.set.Rules, &d.events[i]))
	}
	d.engine.Changed(c.KeepAlarm, c.KeepCondition)
	if last {
		c.KeepAll(d.engine.Save())
	}
	if d.rounds%20 == 0 || last {
		c.Duty = map[string]duty.Kept{"pump": d.meter.Keep()}
		c.Intervals, d.ended = d.ended, nil
		c.Counts = map[string]compute.Count{"litres": d.count}
	}
	if c.Empty() {
		return d.record.Beat(c.At)
	}
	if err := d.tell.Encode(d.intent()); err != nil {
		return err
	}
	if err := d.record.Commit(c); err != nil {
		return err
	}
	return d.tell.Encode(message{Kind: ack, Steady: c.At.Add(d.offset)})
}

// intent is the change as it must be found on the record.
func (d *small) intent() message {
	m := message{Kind: intent, Steady: d.change.At.Add(d.offset), Change: d.change}
	memory := rules.Memory{Alarms: d.change.Alarms, Conditions: d.change.Conditions}.Shifted(d.offset)
	m.Change.Alarms, m.Change.Conditions = memory.Alarms, memory.Conditions
	m.Change.Duty, m.Change.Counts, m.Change.Lines = map[string]duty.Kept{}, map[string]compute.Count{}, nil
	for name, k := range d.change.Duty {
		m.Change.Duty[name] = k.Shifted(d.offset)
	}
	for name, k := range d.change.Counts {
		k.Point, k.At = collector.NoPoint, k.At.Add(d.offset)
		m.Change.Counts[name] = k
	}
	for _, l := range d.change.Lines {
		l.At = l.At.Add(d.offset)
		l.Time, l.Until = l.Time.Truncate(time.Millisecond), l.Until.Truncate(time.Millisecond)
		m.Change.Lines = append(m.Change.Lines, l)
	}
	return m
}

func (d *small) read(now collector.Moment) []collector.Reading {
	var list []collector.Reading
	for range 4 {
		p := collector.PointID(d.random.IntN(killPoints))
		r := collector.Reading{Point: p, Value: 10 * d.random.Float64(), Quality: collector.Good, At: now}
		if d.random.IntN(12) == 0 {
			r = collector.Fail(p, collector.NoAnswer, 0, now, "")
		}
		d.meter.Observe(now, &r)
		d.count.Pulses, d.count.At = d.count.Pulses+float64(d.random.IntN(3)), now
		list = append(list, r)
	}
	return list
}

func (d *small) act() rules.Act {
	return rules.Act{Kind: rules.ActKind(d.random.IntN(6)), Rule: d.random.IntN(killRules), Who: "Maeve", Why: "a try",
		For: time.Duration(1+d.random.IntN(1000)) * time.Duration(1+d.random.IntN(3)*3000) * time.Millisecond}
}

// killer is the parent's side: what one record must hold.
type killer struct {
	t       *testing.T
	path    string
	random  *rand.Rand
	model   *recordtest.Model
	pending *record.Change // told and not acknowledged
	planned bool           // the child before was stopped as planned
	lives   int
	latest  collector.Moment // steady, of the latest acknowledgement
	ended   time.Time        // when the child before was gone
	doubled int              // commits that were found though not acknowledged
	hellos  int
}

// 200 kills at random instants under load: nothing that was acknowledged is lost, nothing is doubled, the order holds;
// alarms, ends of shelves, delays and counters are those of the model, and time went on by what really passed.
func TestKilledAtAnyInstant(t *testing.T) {
	const files = 4
	kills := 52 / fewer
	if testing.Short() {
		kills = 5
	}
	for n := range files {
		t.Run(fmt.Sprint("record ", n), func(t *testing.T) {
			t.Parallel()
			k := &killer{t: t, path: path(t), random: rand.New(rand.NewPCG(uint64(n), 1)), model: recordtest.NewModel()}
			for range kills {
				k.life()
				if t.Failed() {
					return
				}
			}
			recordtest.Check(t, k.path)
			if k.hellos < kills/3 || len(k.model.Lines) < 10*k.hellos {
				t.Errorf("%d lives reached their work and journalled %d lines: too tame", k.hellos, len(k.model.Lines))
			}
			t.Logf("%d kills, %d lines, %d commits that were found unacknowledged", kills, len(k.model.Lines), k.doubled)
		})
	}
}

// life starts a child, ends it at a random instant, and holds the record against the model.
func (k *killer) life() {
	t := k.t
	k.lives++
	cmd := childCommand(t.Context(), "judge", k.path, strconv.Itoa(k.lives))
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	spawned := time.Now()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	atStart, planned := k.random.IntN(5) == 0, k.random.IntN(12) == 0
	end := func() {
		if planned {
			_ = in.Close()
		} else {
			_ = cmd.Process.Kill()
		}
	}
	after := k.random.IntN(40)
	var timer *time.Timer
	if atStart {
		timer = time.AfterFunc(time.Duration(k.random.IntN(60_000))*time.Microsecond, end)
	}
	k.pending = nil
	began := false
	var changes []record.Change
	messages := gob.NewDecoder(bufio.NewReader(out))
	for {
		var m message
		if err := messages.Decode(&m); err != nil {
			break // cut off in the middle, as a kill may do
		}
		switch m.Kind {
		case hello:
			began = true
			k.hello(&m, spawned)
		case intent:
			k.pending = &m.Change
		case ack:
			changes = append(changes, *k.pending)
			k.pending, k.latest = nil, m.Steady
		}
		if began && timer == nil && len(changes) >= after { // then at any instant of the next few commits
			timer = time.AfterFunc(time.Duration(k.random.IntN(3000))*time.Microsecond, end)
		}
	}
	if timer != nil {
		timer.Stop()
	}
	_, _ = io.Copy(io.Discard, out)
	if err := cmd.Wait(); planned && err != nil && began {
		t.Errorf("life %d: the planned stop: %v", k.lives, err)
	}
	k.ended = time.Now()
	k.compare(changes, began, planned && began)
}

// hello holds what a child restored against the model.
func (k *killer) hello(m *message, spawned time.Time) {
	k.hellos++
	if diff := k.model.SameState(&m.State); diff != "" {
		k.t.Errorf("life %d: restored (-want +got):\n%s", k.lives, diff)
	}
	if m.State.Planned != k.planned {
		k.t.Errorf("life %d: planned is %v, want %v", k.lives, m.State.Planned, k.planned)
	}
	if k.latest == 0 {
		return
	}
	const slack = 10 * time.Second // for a busy machine; the lower bound is strict
	if passed := m.Steady.Sub(k.latest); passed < spawned.Sub(k.ended) || passed > time.Since(k.ended)+slack {
		k.t.Errorf("life %d: the record's time went on by %v, the real one by %v", k.lives, passed, time.Since(k.ended))
	}
}

// compare reads the lines this life added.
func (k *killer) compare(changes []record.Change, began, planned bool) {
	t := k.t
	r, err := record.Read(k.path)
	if err != nil {
		// Before the first life got far enough there is nothing to read, and the next one must manage.
		if began || len(k.model.Lines) > 0 {
			t.Errorf("life %d: %v", k.lives, err)
		}
		return
	}
	defer r.Close()
	got := recordtest.Lines(t, r, record.Query{After: uint64(len(k.model.Lines))})
	for i, l := range got {
		if want := uint64(len(k.model.Lines) + i + 1); l.Seq != want {
			t.Fatalf("life %d: line %d stands where %d must", k.lives, l.Seq, want)
		}
	}
	marks := 0
	for marks < len(got) && got[marks].Alarm == "" && marks < 2 && got[marks].Kind != record.BoxStopped {
		marks++
	}
	k.marks(got[:marks], began)
	for _, l := range got[:marks] {
		k.model.Lines = append(k.model.Lines, recordtest.Plain(l))
	}
	rest := got[marks:]
	if planned {
		if n := len(rest); n == 0 || rest[n-1].Kind != record.BoxStopped {
			t.Fatalf("life %d: the planned stop is not journalled", k.lives)
		}
		if k.pending != nil {
			t.Errorf("life %d: the planned stop left a change behind", k.lives)
		}
	}
	if marks > 0 {
		k.planned = planned
	}
	with := k.model.Clone()
	for i := range changes {
		with.Apply(&changes[i])
	}
	without := with.Clone()
	if k.pending != nil {
		with.Apply(k.pending)
	}
	if planned {
		stop := recordtest.Plain(rest[len(rest)-1])
		with.Lines, without.Lines = append(with.Lines, stop), append(without.Lines, stop)
	}
	k.choose(r, with, without, rest)
}

// choose takes the model that the file agrees with: the change under way at the kill is wholly there or not at all.
func (k *killer) choose(r *record.Reader, with, without *recordtest.Model, rest []record.Line) {
	plain := k.model.Lines[:len(k.model.Lines):len(k.model.Lines)]
	for _, l := range rest {
		plain = append(plain, recordtest.Plain(l))
	}
	found, err := r.State(context.Background())
	if err != nil {
		k.t.Fatal(err)
	}
	a := recordtest.SameLines(with.Lines, plain) + with.SameState(&found)
	if a == "" {
		if k.pending != nil {
			k.doubled++
		}
		k.model = with
		return
	}
	b := recordtest.SameLines(without.Lines, plain) + without.SameState(&found)
	if b != "" {
		k.t.Errorf("life %d: neither with the change under way (-want +got):\n%s\nnor without it:\n%s", k.lives, a, b)
	}
	k.model = without
}

// marks holds the lines of the start: all or none of them.
func (k *killer) marks(lines []record.Line, began bool) {
	var want []record.Kind
	switch {
	case len(k.model.Lines) == 0 || k.planned:
		want = []record.Kind{record.BoxStarted}
	default:
		want = []record.Kind{record.Outage, record.BoxStarted}
	}
	var got []record.Kind
	for _, l := range lines {
		got = append(got, l.Kind)
	}
	if len(got) == 0 && !began {
		return
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		k.t.Errorf("life %d: the start is journalled as %q, want %q", k.lives, got, want)
	}
}

// Killed while the file is made: the next start manages, whatever is there by then.
func TestKilledAtBirth(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 9))
	for n := range 60 / fewer {
		p := path(t)
		cmd := childCommand(t.Context(), "judge", p, "1")
		cmd.Stderr = nil // it may find that its pipe is gone
		in, err := cmd.StdinPipe()
		if err != nil {
			t.Fatal(err)
		}
		defer in.Close()
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// From the first sign of it on, so that a busy machine kills no sooner.
		for range 10_000 {
			if _, err := os.Stat(p + ".lock"); err == nil {
				break
			}
			time.Sleep(100 * time.Microsecond)
		}
		time.Sleep(time.Duration(random.IntN(12_000)) * time.Microsecond)
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		r, err := record.Open(p, record.Options{Clock: collector.NewClock(), Reserve: -1})
		if err != nil {
			t.Fatalf("birth %d: %v", n, err)
		}
		closed(t, r, p)
	}
}
