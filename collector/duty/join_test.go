package duty_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
)

// A meter that began with nothing, because what was kept could not be read at a start, is joined to it later: that is what a
// meter counts which went on at the start, but for whether a run went on over the gap, which nobody saw. What is
// counted is the sum of the intervals, which do not overlap.
func TestJoin(t *testing.T) {
	hours := &duty.Register{Unit: time.Hour, Step: 0.01}
	starts := &duty.Register{Step: 1}
	for name, spec := range map[string]duty.Spec{
		"contact": {HoldAtMost: 3 * time.Second}, "no bounce": {HoldAtMost: 3 * time.Second, Join: -1},
		"starts counted": {HoldAtMost: 3 * time.Second, Starts: starts}, "hour meter": {Hours: hours, HoldAtMost: 3 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			for seed := range uint64(300) {
				j := &joined{T: t, seed: seed, random: rand.New(rand.NewPCG(seed, 3)), now: collector.Moment(time.Hour), counter: 40}
				j.hold(spec)
				if t.Failed() {
					return
				}
			}
		})
	}
}

// joined is a machine, and three meters that look at it.
type joined struct {
	*testing.T
	seed    uint64
	random  *rand.Rand
	now     collector.Moment
	on      bool
	ran     time.Duration
	counter float64
	later   duty.Seen
}

// pass lets the machine work for a while, with looks by the meters.
func (j *joined) pass(spec duty.Spec, looks int, meters ...*duty.Meter) {
	for range looks {
		d := time.Duration(j.random.IntN(1500)) * time.Millisecond
		if j.random.IntN(40) == 0 {
			d = 10 * time.Second
		}
		j.now = j.now.Add(d)
		if j.on {
			j.ran += d
		}
		if j.random.IntN(6) == 0 {
			if j.on = !j.on; j.on {
				j.counter++
			}
		}
		j.look(spec, meters)
	}
}

func (j *joined) look(spec duty.Spec, meters []*duty.Meter) {
	r := collector.Reading{Quality: collector.Good, At: j.now, Value: map[bool]float64{true: 1}[j.on]}
	if spec.Hours != nil {
		r.Value = 100 + float64(int(j.ran.Hours()*100))/100
	}
	if j.random.IntN(25) == 0 {
		r = collector.Fail(0, collector.NotRead, 0, j.now, "")
	}
	n := collector.Reading{Quality: collector.Good, At: j.now, Value: j.counter}
	if j.later.From == 0 && len(meters) > 1 {
		j.later.From = j.now
	}
	if j.later.Hours == nil && spec.Hours != nil && len(meters) > 1 && r.Quality.Usable() {
		j.later.Hours = &r
	}
	if j.later.Starts == nil && spec.Starts != nil && len(meters) > 1 {
		j.later.Starts = &n
	}
	for _, m := range meters {
		m.Observe(j.now, &r)
		m.ObserveStarts(j.now, &n)
	}
}

func (j *joined) hold(spec duty.Spec) {
	j.Helper()
	var before, after, whole []duty.Interval
	first, second, went := duty.New(spec), duty.New(spec), duty.New(spec)
	first.OnInterval(func(i duty.Interval) { before = append(before, i) })
	second.OnInterval(func(i duty.Interval) { after = append(after, i) })
	went.OnInterval(func(i duty.Interval) { whole = append(whole, i) })
	j.pass(spec, 1+j.random.IntN(60), first)
	kept := first.Keep()
	whole = append(whole, before...)
	d := time.Duration(j.random.IntN(5000)) * time.Millisecond
	j.now = j.now.Add(d)
	if j.on {
		j.ran += d
	}
	start := j.now
	went.Restore(kept, start)
	j.pass(spec, 1+j.random.IntN(60), second, went)
	j.later.Kept = second.Keep()
	j.later.Ended = func(i duty.Interval) { before = append(before, i) }
	got, want := duty.Join(spec, kept, start, j.later), went.Keep()
	all := append(before, after...)
	all = append(all, got.Rest()...)
	var sum duty.Totals
	last := collector.Moment(0)
	for _, i := range all {
		if sum.Add(i); i.Kind == duty.Counted {
			continue
		}
		if i.Still < 0 || i.From.Add(-i.Still) < last || i.To < i.From {
			j.Errorf("seed %d: %v: the interval before ends at %v", j.seed, i, last)
		}
		last = i.To
	}
	if sum != got.Totals() {
		j.Errorf("seed %d: counted %+v, the intervals tell %+v", j.seed, got.Totals(), sum)
	}
	slack := time.Duration(0)
	if spec.Hours != nil {
		slack = 2 * 36 * time.Second // a step of the hour meter on each side
	}
	if (got.Run-want.Run).Abs() > slack+spec.Join.Abs()+2*time.Second || (got.Seen+got.Unseen-want.Seen-want.Unseen).Abs() > 0 && spec.Hours == nil {
		j.Errorf("seed %d: joined %+v, gone on %+v", j.seed, got.Totals(), want.Totals())
	}
	if dr, ds := int(got.Runs)-int(want.Runs), int(got.Starts)-int(want.Starts); dr < -1 || dr > 1 || ds < -1 || ds > 1 {
		j.Errorf("seed %d: joined %d runs and %d starts, gone on %d and %d", j.seed, got.Runs, got.Starts, want.Runs, want.Starts)
	}
	if spec.Starts != nil && got.Starts != want.Starts {
		j.Errorf("seed %d: the counter of starts tells %d, joined %d", j.seed, want.Starts, got.Starts)
	}
}
