package duty_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector/duty"
)

// room is a true machine with its hour meter, which counts tenths and is changed from time to time.
type room struct {
	rng       *rand.Rand
	m         *duty.Meter
	told      duty.Totals // of the finished intervals
	truth     int         // seconds that it ran
	meter     int         // seconds since the meter read 0
	running   bool
	dark      int  // minutes for which nobody reads it any more
	light     int  // minutes for which it was read
	changed   bool // in this darkness
	changes   int
	was, last float64 // what the old meter showed before the darkness and at its end
	first     float64
	kind      duty.JumpKind
}

func newRoom(seed uint64) *room {
	r := &room{rng: rand.New(rand.NewPCG(seed, 9)), m: duty.New(hourMeter(0))}
	r.m.OnInterval(r.told.Add)
	r.meter = r.rng.IntN(400 * 3600)
	return r
}

func (r *room) shows() float64 { return float64(r.meter/360) / 10 }

// minute passes: it runs or stands; perhaps it gets dark, and in the dark a meter is changed or set to 0.
func (r *room) minute(i int) {
	if r.rng.IntN(60) == 0 {
		r.running = !r.running
	}
	if r.running {
		r.truth, r.meter = r.truth+60, r.meter+60
	}
	if r.light++; r.dark == 0 && r.light > 10 && r.rng.IntN(400) == 0 { // a new meter is believed by then
		r.light, r.dark, r.changed, r.was = 0, 60+r.rng.IntN(600), false, r.shows()
	}
	if r.dark > 0 {
		r.light = 0
		if r.dark--; !r.changed && r.dark < 40 {
			r.change()
		}
		minutes(r.m, i, math.NaN())
		return
	}
	minutes(r.m, i, r.shows())
}

func (r *room) change() {
	r.changes++
	r.changed, r.last, r.meter, r.kind = true, r.shows(), 0, duty.Reset
	if r.rng.IntN(2) == 0 {
		r.meter, r.kind = (2000+r.rng.IntN(5000))*3600, duty.Replaced
	}
	r.first = r.shows()
}

// check fails unless what is counted is of one piece, and no less than before.
func (r *room) check(t *testing.T, before duty.Totals) duty.Totals {
	t.Helper()
	k := r.m.Keep()
	all := r.told
	for _, i := range k.Rest() {
		all.Add(i)
	}
	all.Sum(k.Before)
	now := k.Totals()
	if all != now {
		t.Fatalf("the intervals and what is in none are %+v, counted is %+v", all, now)
	}
	if now.Run < before.Run || now.Starts < before.Starts || now.Run > now.Seen || now.Unseen < 0 || now.Seen+now.Unseen < before.Seen+before.Unseen {
		t.Fatalf("counted is %+v after %+v", now, before)
	}
	return now
}

// TestExplain: whoever tells what the meters showed has the true hours again, but for the steps of the meters. Before and
// after, totals only rise, nothing is negative, and a restart between any two looks changes nothing of what follows.
func TestExplain(t *testing.T) {
	explained, held := 0, 0
	for round := range uint64(120) {
		r := newRoom(round)
		var before duty.Totals
		changes := 0
		for i := range 4 * 24 * 60 {
			r.minute(i)
			before = r.check(t, before)
			asked := r.m.Asked()
			if len(asked) == 0 {
				continue
			}
			changes++
			e := duty.Explanation{Was: r.kind, Last: r.last, First: r.first}
			again := duty.New(hourMeter(0))
			again.Restore(r.m.Keep(), r.m.Keep().At)
			got, err := r.m.Explain(true, e)
			if err != nil {
				t.Fatalf("round %d: %+v with %+v: %v", round, asked[0], e, err)
			}
			if restarted, err := again.Explain(true, e); err != nil || restarted != got || !cmp.Equal(again.Keep(), r.m.Keep()) {
				t.Fatalf("round %d: after a restart it is %+v, %v, without %+v", round, restarted, err, got)
			}
			if now := r.m.Keep(); now.Run != before.Run+got.Run || now.Seen+now.Unseen != before.Seen+before.Unseen {
				t.Fatalf("round %d: %+v of %+v makes %+v", round, got, before, now.Totals())
			}
			if _, err := r.m.Explain(true, e); !errors.Is(err, duty.ErrNotAsked) {
				t.Fatalf("round %d: explained twice: %v", round, err)
			}
			before = r.check(t, before)
			explained++
		}
		steps := time.Duration(2+3*changes) * 6 * time.Minute
		if changes != r.changes {
			continue // one looked like counting on: nobody is asked, nobody can know; or it has not come to light yet
		}
		held++
		if truth := time.Duration(r.truth) * time.Second; r.dark == 0 && (before.Run > truth+steps || before.Run < truth-steps) {
			t.Errorf("round %d: counted %v, it ran %v, with %d changes of the meter", round, before.Run, truth, changes)
		}
	}
	if explained < 200 || held < 80 {
		t.Fatalf("only %d changes were explained, and %d machines followed through all of theirs", explained, held)
	}
}

// TestExplainRefused: what cannot be is refused and changes nothing, not even that it is asked.
func TestExplainRefused(t *testing.T) {
	nan := math.NaN()
	for _, tc := range []struct {
		name  string
		hours bool
		e     duty.Explanation
		run   time.Duration
		err   error
	}{
		{"nothing known of a replaced one", true, duty.Explanation{Was: duty.Replaced, Last: nan, First: nan}, 0, nil},
		{"the old one's end", true, duty.Explanation{Was: duty.Replaced, Last: 500.4, First: nan}, 24 * time.Minute, nil},
		{"both", true, duty.Explanation{Was: duty.Replaced, Last: 500.4, First: 19.9}, 30 * time.Minute, nil},
		{"misread", true, duty.Explanation{Was: duty.Misread, Last: 1, First: 2}, 0, nil},
		{"less than was read", true, duty.Explanation{Was: duty.Replaced, Last: 499, First: nan}, 0, duty.ErrUnlikely},
		{"began above what was read", true, duty.Explanation{Was: duty.Replaced, Last: nan, First: 21}, 0, duty.ErrUnlikely},
		{"more than the time there was", true, duty.Explanation{Was: duty.Replaced, Last: 510, First: nan}, 0, duty.ErrUnlikely},
		{"reset, but 20 h in one", true, duty.Explanation{Was: duty.Reset, Last: nan, First: nan}, 0, duty.ErrUnlikely},
		{"rolled over in the middle", true, duty.Explanation{Was: duty.RolledOver, Last: nan, First: nan}, 0, duty.ErrUnlikely},
		{"endless", true, duty.Explanation{Was: duty.Replaced, Last: math.Inf(1), First: nan}, 0, duty.ErrUnlikely},
		{"another register", false, duty.Explanation{Was: duty.Replaced, Last: nan, First: nan}, 0, duty.ErrNotAsked},
	} {
		m := duty.New(hourMeter(0))
		for i, v := range []float64{500, 500, 500, 500, 500, 500, 500, 500, 500, 500, 500, 500, 500} {
			minutes(m, i, v)
		}
		for i := 13; i < 60; i++ {
			minutes(m, i, nan)
		}
		for i := 60; i < 63; i++ {
			minutes(m, i, 20)
		}
		before := m.Keep()
		got, err := m.Explain(tc.hours, tc.e)
		if !errors.Is(err, tc.err) || got.Run != tc.run {
			t.Errorf("%s: %v, %v; want %v, %v", tc.name, got.Run, err, tc.run, tc.err)
		}
		if after := m.Keep(); err != nil && !cmp.Equal(before, after) || err == nil && (len(after.Asked) != 0 || after.Run != before.Run+tc.run) {
			t.Errorf("%s: %+v became %+v", tc.name, before, after)
		}
	}
}
