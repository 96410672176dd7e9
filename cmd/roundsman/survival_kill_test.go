package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"roundsman/collector/modbus/device"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

// storm is a daemon that is killed again and again, and what it told of itself while it lived.
type storm struct {
	*watch
	controls *controls
	random   *rand.Rand
	lines    []record.Line     // on the record after the latest kill
	shelved  map[string]string // alarm: until when, as it was told
	lives    int
	born     int // lives that got to their work
	spans    []life

	mu      sync.Mutex
	running bool
	toggled []time.Time // when the pump was switched, from on
	ticks   []time.Time // when each step of the plant was
}

// life is from when the daemon listened to its end.
type life struct{ from, to time.Time }

const (
	step      = 20 * time.Millisecond // of the plant
	lastPoint = stormPoints - 1       // it stays well until the last call
)

var lastAlarm = fmt.Sprintf("low%d", lastPoint)

// move makes the plant restless until ctx ends: pressures over and under their limits, a pump on and off.
func (s *storm) move(ctx context.Context, seed uint64) {
	random := rand.New(rand.NewPCG(seed, 77))
	switchAt := time.Now()
	tick := time.NewTicker(step)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		s.controls.set(random.IntN(lastPoint), uint16(400+random.IntN(400)))
		s.mu.Lock()
		if now := time.Now(); now.After(switchAt) {
			switchAt = now.Add(500*time.Millisecond + time.Duration(random.IntN(1000))*time.Millisecond)
			s.running = !s.running
			s.toggled = append(s.toggled, time.Now())
			_ = s.controls.bank.Set(device.Discrete, 0, map[bool]uint16{true: 1}[s.running])
		}
		s.controls.set(tickAt, uint16(len(s.ticks)))
		s.ticks = append(s.ticks, time.Now())
		s.mu.Unlock()
	}
}

func newStorm(t *testing.T, seed uint64) *storm {
	c := newControls(t)
	s := &storm{controls: c, random: rand.New(rand.NewPCG(seed, 5)), shelved: map[string]string{}}
	s.watch = newWatch(t, c.files(t, t.TempDir()))
	return s
}

// live lets the daemon live for a time and kills it, then holds the record against what it told.
func (s *storm) live(length time.Duration) {
	s.Helper()
	s.lives++
	if s.random.IntN(6) == 0 {
		s.launch()
		time.Sleep(time.Duration(s.random.IntN(80_000)) * time.Microsecond)
		s.kill()
		s.compare()
		return
	}
	s.start()
	s.born++
	s.sameShelves()
	began := time.Now()
	killed := make(chan struct{})
	process := s.cmd.Process
	time.AfterFunc(length, func() { _ = process.Kill(); close(killed) })
	for i := 0; ; i++ {
		select {
		case <-killed:
			s.spans = append(s.spans, life{began, time.Now()})
			s.kill()
			s.compare()
			return
		case <-time.After(time.Duration(s.random.IntN(100)) * time.Millisecond):
			s.act()
		}
	}
}

// act shelves one alarm, or acknowledges one; what is refused, or cut off by the kill, tells nothing.
func (s *storm) act() {
	alarm := fmt.Sprintf("low%d", s.random.IntN(lastPoint))
	var a shownAlarm
	if s.random.IntN(8) > 0 || len(s.shelved) > stormPoints/2 || alarm == "low0" {
		_ = s.ask("POST", "/api/v1/alarms/"+alarm+"/acknowledge", `{"by":"ann"}`, &a)
		return
	}
	if s.ask("POST", "/api/v1/alarms/"+alarm+"/shelve", `{"by":"ann","for":"2h","reason":"hose changed"}`, &a) == nil {
		s.shelved[alarm] = a.Until
	}
}

// sameShelves: what was told as shelved is so after the start, until the same time.
func (s *storm) sameShelves() {
	s.Helper()
	now := s.alarms()
	for alarm, until := range s.shelved {
		want, err := time.Parse(time.RFC3339, until)
		got, err2 := time.Parse(time.RFC3339, now[alarm].Until)
		if err != nil || err2 != nil || now[alarm].State != "shelved" || got.Sub(want).Abs() > time.Second {
			s.Errorf("life %d: %s is %s until %q, was told as shelved until %q", s.lives, alarm, now[alarm].State, now[alarm].Until, until)
		}
	}
}

// compare holds the record against what was told.
func (s *storm) compare() {
	s.Helper()
	r, err := record.Read(s.readable())
	if err != nil {
		if s.born > 0 {
			s.Errorf("life %d: %v", s.lives, err)
		}
		return
	}
	defer r.Close()
	if err := r.Check(s.Context()); err != nil {
		s.Errorf("life %d: the record's own laws: %v", s.lives, err)
	}
	lines := recordtest.Lines(s.T, r, record.Query{})
	if len(lines) < len(s.lines) {
		s.Fatalf("life %d: %d lines, there were %d", s.lives, len(lines), len(s.lines))
	}
	if diff := recordtest.SameLines(s.lines, lines[:len(s.lines)]); diff != "" {
		s.Errorf("life %d: lines of before (-want +got):\n%s", s.lives, diff)
	}
	s.holdNew(lines[len(s.lines):])
	s.lines = lines
	state, err := r.State(s.Context())
	if err != nil {
		s.Fatal(err)
	}
	for alarm, want := range lastStates(lines) {
		if got := state.Memory.Alarms[alarm].State; got != want {
			s.Errorf("life %d: %s is kept as %v, its last line says %v", s.lives, alarm, got, want)
		}
	}
	s.holdMessages(r)
}

// holdNew: the lines of a life are those that it told, and at most those of the latest moments, which the kill kept it from telling.
func (s *storm) holdNew(lines []record.Line) {
	s.Helper()
	want, got := told(s.said.String()), keptWords(lines)
	if len(got) < len(want) || !slices.Equal(got[:len(want)], want) {
		s.Errorf("life %d: told\n%q\nkept\n%q", s.lives, want, got)
		return
	}
	var rest []record.Line
	for _, l := range lines {
		if l.Alarm != "" {
			rest = append(rest, l)
		}
	}
	rest = rest[len(want):]
	const commit = 2 * time.Second // of events that one step of a busy machine brings
	if n := len(rest); n > 0 && rest[n-1].Steady.Sub(rest[0].Steady) > commit {
		s.Errorf("life %d: kept and not told: %v", s.lives, keptWords(rest))
	}
}

// holdMessages: what came to the chat was written before.
func (s *storm) holdMessages(r *record.Reader) {
	s.Helper()
	rows, err := r.Outbox(s.Context(), record.OutboxQuery{})
	if err != nil {
		s.Fatal(err)
	}
	written := map[string]bool{}
	for _, row := range rows {
		written[row.Key] = true
	}
	came, taken := s.controls.messages()
	for key, text := range came {
		if !written[key] {
			s.Errorf("life %d: the message %s came and is not on the record: %q", s.lives, key, text)
		}
	}
	for _, row := range rows {
		if row.State == "handed over" && taken[row.Key] == 0 {
			s.Errorf("life %d: the message %s is kept as handed over and was never taken", s.lives, row.Key)
		}
	}
}

// A daemon under load is killed at any instant, thirty times: journal, alarm states, ends of shelves, run time and
// messages are those that were told.
func TestHeavyKillStorm(t *testing.T) {
	t.Parallel()
	kills := 30
	if long() {
		kills = 500
	}
	if testing.Short() {
		kills = 6
	}
	s := newStorm(t, 1)
	asked := 0 // of the place that takes messages, one at a time
	s.controls.refuse(func() bool { asked++; return asked%2 == 0 })
	ctx, cancel := context.WithCancel(t.Context())
	var plant sync.WaitGroup
	plant.Go(func() { s.move(ctx, 1) })
	for range kills {
		s.live(time.Duration(s.random.IntN(1_000_000)) * time.Microsecond)
		if t.Failed() {
			break
		}
	}
	cancel()
	plant.Wait()
	if s.born < kills/2 || len(s.lines) < 6*s.born || len(s.shelved) < 3 {
		t.Errorf("%d lives reached their work, %d lines, %d shelves: too tame", s.born, len(s.lines), len(s.shelved))
	}
	s.lastCall()
	s.sameRuns()
}

// lastCall: what called a person just before the kill calls after the start, and so does all that nobody took before.
func (s *storm) lastCall() {
	s.Helper()
	s.controls.refuse(func() bool { return true })
	s.start()
	s.controls.set(lastPoint, 400)
	s.until("low air", func() bool { return slices.Contains(told(s.said.String()), lastAlarm+" started unacknowledged") })
	s.kill()
	s.compare()
	if _, taken := s.taken(lastAlarm); taken {
		s.Errorf("the message was taken by a place that refuses")
	}
	s.controls.refuse(func() bool { return false })
	s.start()
	s.until("all messages are taken", func() bool {
		waits, taken := s.taken(lastAlarm)
		return taken && !waits
	})
	s.Logf("%d lives, %d lines, %d shelves; planned stop in %v", s.lives, len(s.lines), len(s.shelved), s.stop().Round(time.Millisecond))
}

// taken reports whether messages wait, and whether one about the alarm was taken.
func (s *storm) taken(alarm string) (waits, taken bool) {
	s.Helper()
	r := s.reader()
	defer r.Close()
	rows, err := r.Outbox(s.Context(), record.OutboxQuery{})
	if err != nil {
		s.Fatal(err)
	}
	_, accepted := s.controls.messages()
	for _, row := range rows {
		waits = waits || !row.Done
		taken = taken || row.Alarm == alarm && accepted[row.Key] > 0
	}
	return waits, taken
}

// sameRuns: the pump is not credited with run time that nobody saw, and what is missing is shown as unseen.
func (s *storm) sameRuns() {
	s.Helper()
	r := s.reader()
	defer r.Close()
	s.mu.Lock() // the plant may go on
	from, to, toggled := s.ticks[0], time.Now(), slices.Clone(s.toggled)
	s.mu.Unlock()
	d, err := r.Duty(s.Context(), "pump", from, to)
	if err != nil {
		s.Fatal(err)
	}
	truth := pumpRan(toggled, from, d.Until)
	const late = 200 * time.Millisecond // of each switching: the interval, and a busy machine
	slack := time.Duration(len(toggled)) * late / 2
	if d.Run > truth+slack || d.Run+d.Unseen < truth-slack {
		s.Errorf("the pump ran %v; on the record %v and %v unseen", truth, d.Run, d.Unseen)
	}
	seen := d.Run + d.Still + d.Unseen
	if whole := d.Until.Sub(s.spans[0].from); (whole - seen).Abs() > 2*time.Second {
		s.Errorf("run, still and unseen are %v of %v", seen, whole)
	}
	if d.Run == 0 || d.Starts == 0 || d.Starts > len(toggled) {
		s.Errorf("%d starts on the record, switched %d times", d.Starts, len(toggled))
	}
	s.Logf("the pump ran %v; on the record %v run, %v still, %v unseen, %d starts", truth, d.Run, d.Still, d.Unseen, d.Starts)
}

// pumpRan is how long the pump really ran.
func pumpRan(toggled []time.Time, from, to time.Time) (sum time.Duration) {
	for i := 0; i < len(toggled); i += 2 {
		begin, end := toggled[i], to
		if i+1 < len(toggled) {
			end = toggled[i+1]
		}
		if begin.Before(from) {
			begin = from
		}
		if end.After(to) {
			end = to
		}
		sum += max(0, end.Sub(begin))
	}
	return sum
}

// Lives long enough for the record's windows: a kill loses at most ten seconds of readings, and none of what is kept is a wrong one.
func TestHeavyKillLosesTenSecondsOfReadings(t *testing.T) {
	t.Parallel()
	lives := []time.Duration{12, 2}
	if long() {
		lives = []time.Duration{14, 3, 21, 35, 11, 64, 2, 29, 90, 17}
	}
	if testing.Short() {
		lives = []time.Duration{12}
	}
	s := newStorm(t, 2)
	ctx, cancel := context.WithCancel(t.Context())
	var plant sync.WaitGroup
	plant.Go(func() { s.move(ctx, 2) })
	for _, seconds := range lives {
		s.start()
		began := time.Now()
		time.Sleep(seconds*time.Second + time.Duration(s.random.IntN(1000))*time.Millisecond)
		s.spans = append(s.spans, life{began, time.Now()})
		s.kill()
		s.compare()
	}
	cancel()
	plant.Wait()
	s.holdReadings()
}

// holdReadings: each reading kept is of its time, and each life's reach up to ten seconds before its end.
func (s *storm) holdReadings() {
	s.Helper()
	r := s.reader()
	defer r.Close()
	trend, err := r.Trend(s.Context(), "tick")
	if err != nil {
		s.Fatal(err)
	}
	n, lives := 0, make([]time.Time, len(s.spans))
	for sample, err := range trend.Readings(s.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			s.Fatal(err)
		}
		at := slices.IndexFunc(s.spans, func(l life) bool { return sample.Time().Before(l.to.Add(step)) })
		if at < 0 {
			s.Fatalf("a reading of %v, after all lives", sample.Time())
		}
		lives[at] = sample.Time()
		if !sample.Quality.Usable() {
			continue
		}
		n++
		const slow = 2 * time.Second // a busy machine
		tick := s.ticks[int(sample.Value)]
		if age := sample.Time().Sub(tick); age < -step || age > slow {
			s.Errorf("at %v the register held what it held at %v", sample.Time(), tick)
		}
	}
	var lost []time.Duration
	for i, l := range s.spans {
		kept := lives[i]
		if kept.IsZero() {
			kept = l.from
		}
		lost = append(lost, l.to.Sub(kept).Round(time.Millisecond))
		if lost[i] > 10*time.Second+500*time.Millisecond {
			s.Errorf("life %d: readings are lost from %v on, it ended at %v", i, kept, l.to)
		}
	}
	s.Logf("%d readings kept; lost at the kills: %v", n, lost)
}
