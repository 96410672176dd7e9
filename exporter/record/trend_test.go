package record_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/exporter/record/pack"
	"roundsman/exporter/record/recordtest"
)

// room is some points of a site for the tests of readings, and what was given of them.
type room struct {
	clock  *collector.Clock
	points []collector.Point
	rand   *rand.Rand
	told   []map[int64]collector.Reading // by point and millisecond
	last   []float64
}

func newRoom(n int) *room {
	r := &room{clock: collector.NewClock(), rand: rand.New(rand.NewPCG(1, 2)), last: make([]float64, n)}
	for i := range n {
		p := collector.Point{ID: collector.PointID(i), Name: fmt.Sprintf("point.%d", i), Unit: "bar", Low: 0, High: 16, Resolution: 16.0 / 27648}
		switch i % 4 {
		case 1:
			p = collector.Point{ID: p.ID, Name: p.Name, Kind: collector.State, Low: math.NaN(), High: math.NaN(), Resolution: 1}
		case 2:
			p.Resolution = 0
		case 3:
			p.Kind, p.Unit, p.Resolution, p.Low, p.High = collector.Counter, "L", 0.1, math.NaN(), math.NaN()
		}
		r.points = append(r.points, p)
		r.told = append(r.told, map[int64]collector.Reading{})
	}
	return r
}

// reading makes the next reading of a point.
func (r *room) reading(i int, now collector.Moment) collector.Reading {
	switch i % 4 {
	case 1:
		if r.rand.IntN(30) == 0 {
			r.last[i] = 1 - r.last[i]
		}
	case 3:
		r.last[i] += float64(r.rand.IntN(12)) / 10
	default:
		r.last[i] = math.Min(16, math.Max(0, r.last[i]+r.rand.NormFloat64()*0.02))
	}
	out := collector.Reading{Point: collector.PointID(i), Value: r.last[i], Quality: collector.Good, At: now}
	switch r.rand.IntN(200) {
	case 0:
		out = collector.Fail(out.Point, collector.NoAnswer, 0, now, "no answer in 300ms")
	case 1:
		out.Quality, out.Fault = collector.Uncertain, collector.TooFast
	}
	return out
}

// round gives the record a round of every point, each third point only every second time.
func (r *room) round(rec *record.Record, n int) {
	now := r.clock.Now()
	var all []collector.Reading
	for i := range r.points {
		if i%3 != 0 || n%2 == 0 {
			all = append(all, r.reading(i, now))
		}
	}
	rec.Take(now, all)
	ms := r.clock.Time(now).UnixMilli()
	for _, a := range all {
		r.told[a.Point][ms] = a
	}
}

// run goes on for so many seconds.
func (r *room) run(t *testing.T, rec *record.Record, seconds int) {
	t.Helper()
	for n := range seconds {
		r.round(rec, n)
		if err := rec.Beat(r.clock.Now()); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
	}
}

// compare holds what is read of a point against what was told, up to a time.
func (r *room) compare(t *testing.T, rd *record.Reader, i int, from, to time.Time) {
	t.Helper()
	tr, err := rd.Trend(t.Context(), r.points[i].Name)
	if err != nil {
		t.Fatal(err)
	}
	if tr.Unit != r.points[i].Unit {
		t.Errorf("%s: unit %q, want %q", tr.Point, tr.Unit, r.points[i].Unit)
	}
	step := pack.GridOf(&r.points[i]).Step
	got := 0
	for s, err := range tr.Readings(t.Context(), from, to) {
		if err != nil {
			t.Fatal(err)
		}
		want, ok := r.told[i][s.Milli]
		if !ok || s.Quality != want.Quality || s.Fault != want.Fault {
			t.Fatalf("%s at %v: got %+v, told %+v", tr.Point, s.Time(), s, want)
		}
		if want.Quality.Usable() && !(math.Abs(s.Value-want.Value) <= step/2*(1+1e-9)) {
			t.Fatalf("%s at %v: got %v, told %v, step %v", tr.Point, s.Time(), s.Value, want.Value, step)
		}
		got++
	}
	want := 0
	for ms := range r.told[i] {
		if ms >= from.UnixMilli() && ms < to.UnixMilli() {
			want++
		}
	}
	if got != want {
		t.Errorf("%s: %d readings, want %d", tr.Point, got, want)
	}
}

// minutes holds the minute figures of a point against its readings.
func compareMinutes(t *testing.T, rd *record.Reader, point string, step float64, from, to time.Time) int {
	t.Helper()
	tr, err := rd.Trend(t.Context(), point)
	if err != nil {
		t.Fatal(err)
	}
	type sums struct {
		min, max, last, sum    float64
		good, usable, readings int
	}
	want := map[int64]*sums{}
	for s, err := range tr.Readings(t.Context(), from, to) {
		if err != nil {
			t.Fatal(err)
		}
		m := want[s.Milli/60000*60000]
		if m == nil {
			m = &sums{min: math.Inf(1), max: math.Inf(-1)}
			want[s.Milli/60000*60000] = m
		}
		m.readings++
		if s.Quality == collector.Good {
			m.good++
		}
		if s.Quality.Usable() {
			m.min, m.max, m.last, m.sum, m.usable = min(m.min, s.Value), max(m.max, s.Value), s.Value, m.sum+s.Value, m.usable+1
		}
	}
	got, last := 0, int64(0)
	for f, err := range tr.Minutes(t.Context(), from, to) {
		if err != nil {
			t.Fatal(err)
		}
		m := want[f.Milli]
		switch {
		case f.Milli <= last:
			t.Fatalf("%s: minute %v after %d", point, f.Time(), last)
		case m == nil:
			t.Fatalf("%s: a minute at %v without readings", point, f.Time())
		case m.usable > 0 && (math.Abs(f.Min-m.min)+math.Abs(f.Max-m.max)+math.Abs(f.Last-m.last) > 1e-9*(1+math.Abs(m.max)) || math.Abs(f.Mean-m.sum/float64(m.usable)) > step/100):
			t.Fatalf("%s at %v: %+v, want %+v, mean %v", point, f.Time(), f, *m, m.sum/float64(m.usable))
		case m.usable == 0 && !math.IsNaN(f.Min):
			t.Fatalf("%s at %v: %+v, want none", point, f.Time(), f)
		case math.Abs(f.Good-float64(m.good)/float64(m.readings)) > 0.01:
			t.Fatalf("%s at %v: share good %v, want %d of %d", point, f.Time(), f.Good, m.good, m.readings)
		}
		last = f.Milli
		got++
	}
	if got != len(want) {
		t.Errorf("%s: %d minutes, want %d", point, got, len(want))
	}
	return got
}

// TestReadingsComeBack runs a room for two hours and a half, with the housework in between and after, and a stop.
func TestReadingsComeBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "r.db")
		r := newRoom(34 / fewer)
		start := r.clock.Time(r.clock.Now())
		rec := recordtest.Open(t, path, record.Options{Clock: r.clock, BeatEvery: time.Minute})
		if err := rec.Follow(r.points); err != nil {
			t.Fatal(err)
		}
		up, err := record.NewUpkeep(rec, record.Keep{}, nil)
		if err != nil {
			t.Fatal(err)
		}
		check := func(when string) {
			t.Helper()
			to := time.Now().Add(-12 * time.Second)
			for i := 0; i < len(r.points); i += 11 { // of every kind, in each group of columns
				r.compare(t, rec.Reader, i, start, to)
				compareMinutes(t, rec.Reader, r.points[i].Name, pack.GridOf(&r.points[i]).Step, start, to.Truncate(time.Minute))
			}
			if t.Failed() {
				t.Fatal(when)
			}
		}
		r.run(t, rec, 3300)
		check("live")
		r.run(t, rec, 2*3600-3300+600)
		for n := 0; ; n++ {
			more, err := up.Step(t.Context(), time.Now())
			if err != nil {
				t.Fatal(err)
			}
			if n == 2 {
				check("in the middle of a piece")
			}
			if !more {
				break
			}
		}
		check("packed")
		if err := errors.Join(up.Close(), rec.Close()); err != nil {
			t.Fatal(err)
		}
		rd, err := record.Read(path)
		if err != nil {
			t.Fatal(err)
		}
		defer rd.Close()
		for i := range r.points {
			r.compare(t, rd, i, start, time.Now().Add(time.Second)) // nothing is lost at a planned stop
		}
		r.playback(t, rd, start.Add(10*time.Minute), start.Add(90*time.Minute))
	})
}

// playback holds a rehearsal's source against what was told.
func (r *room) playback(t *testing.T, rd *record.Reader, from, to time.Time) {
	t.Helper()
	p, err := rd.Playback(t.Context(), r.points, from, to)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Columns()) != len(r.points) {
		t.Errorf("%d columns, want %d", len(p.Columns()), len(r.points))
	}
	readings, last := 0, collector.Moment(0)
	for {
		at, list, err := p.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if at <= last {
			t.Fatalf("moment %d after %d", at, last)
		}
		last = at
		for _, got := range list {
			want, ok := r.told[got.Point][int64(at)/1e6]
			if !ok || want.Quality != got.Quality || want.Quality.Usable() && math.Abs(want.Value-got.Value) > 0.05 {
				t.Fatalf("%d at %d: %+v, told %+v", got.Point, at, got, want)
			}
			readings++
		}
	}
	want := 0
	for _, told := range r.told {
		for ms := range told {
			if ms >= from.UnixMilli() && ms < to.UnixMilli() {
				want++
			}
		}
	}
	if readings != want || p.Counts().Readings != uint64(want) {
		t.Errorf("%d readings played back, want %d, counted %+v", readings, want, p.Counts())
	}
}

func TestHeavySteps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRoom(4)
		start := r.clock.Time(r.clock.Now())
		rec := recordtest.Open(t, filepath.Join(t.TempDir(), "r.db"), record.Options{Clock: r.clock, BeatEvery: time.Minute})
		if err := rec.Follow(r.points); err != nil {
			t.Fatal(err)
		}
		r.run(t, rec, 3*3600)
		up, err := record.NewUpkeep(rec, record.Keep{}, nil)
		if err != nil {
			t.Fatal(err)
		}
		defer up.Close()
		if err := up.Finish(t.Context(), time.Now()); err != nil {
			t.Fatal(err)
		}
		tr, err := rec.Trend(t.Context(), "point.0")
		if err != nil {
			t.Fatal(err)
		}
		for _, step := range []time.Duration{time.Second, 5 * time.Minute, 2 * time.Hour} {
			from := start.Truncate(time.Hour)
			steps, err := tr.Steps(t.Context(), from, from.Add(5*time.Hour), step)
			if err != nil {
				t.Fatal(err)
			}
			r.compareSteps(t, steps, from, step)
		}
		if _, err := tr.Steps(t.Context(), start, start.Add(24*time.Hour), time.Second); !errors.Is(err, record.ErrSteps) {
			t.Errorf("86,400 steps: %v", err)
		}
		if _, err := rec.Trend(t.Context(), "nowhere"); !errors.Is(err, record.ErrNoTrend) {
			t.Errorf("a point that is not there: %v", err)
		}
	})
}

func (r *room) compareSteps(t *testing.T, steps []record.Step, from time.Time, step time.Duration) {
	t.Helper()
	type sum struct {
		low, high, sum float64
		n              int
	}
	until := time.Now().Add(-15 * time.Second).UnixMilli()
	want := map[int64]*sum{}
	for ms, v := range r.told[0] {
		k := from.UnixMilli() + (ms-from.UnixMilli())/step.Milliseconds()*step.Milliseconds()
		if !v.Quality.Usable() || k+step.Milliseconds() > until {
			continue
		}
		if want[k] == nil {
			want[k] = &sum{low: v.Value, high: v.Value}
		}
		w := want[k]
		w.low, w.high, w.sum, w.n = min(w.low, v.Value), max(w.high, v.Value), w.sum+v.Value, w.n+1
	}
	seen := 0
	for _, s := range steps {
		w := want[s.Milli]
		if w == nil {
			continue // the last one
		}
		seen++
		// minutes and hours weigh alike, however many of their readings could be used
		if math.Abs(s.Min-w.low) > 0.001 || math.Abs(s.Max-w.high) > 0.001 || math.Abs(s.Mean-w.sum/float64(w.n)) > 0.05*(w.high-w.low)+0.001 {
			t.Fatalf("step %v at %d: %+v, want %+v, mean %v", step, s.Milli, s, *w, w.sum/float64(w.n))
		}
	}
	if seen != len(want) || seen == 0 {
		t.Errorf("step %v: %d steps, want %d", step, seen, len(want))
	}
}

// TestTakeAllocatesNothing: in steady state.
func TestTakeAllocatesNothing(t *testing.T) {
	r := newRoom(100)
	rec, err := record.Open(filepath.Join(t.TempDir(), "r.db"), record.Options{Clock: r.clock})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	if err := rec.Follow(r.points); err != nil {
		t.Fatal(err)
	}
	now := r.clock.Now()
	var all []collector.Reading
	for i := range r.points {
		all = append(all, r.reading(i, now))
	}
	second := collector.Moment(time.Second)
	for range 30 { // windows as large as they will be
		now += second
		rec.Take(now, all)
		if err := rec.Beat(now); err != nil {
			t.Fatal(err)
		}
	}
	now += 100 * second
	if err := rec.Beat(now); err != nil {
		t.Fatal(err)
	}
	if n := testing.AllocsPerRun(8, func() {
		now += second
		rec.Take(now, all)
	}); n > 0 {
		t.Errorf("%v allocations a round", n)
	}
}

func TestAnotherUnitIsAnotherSeries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := collector.NewClock()
		rec := recordtest.Open(t, filepath.Join(t.TempDir(), "r.db"), record.Options{Clock: clock})
		keep := func(p collector.Point, v float64) {
			if err := rec.Follow([]collector.Point{p}); err != nil {
				t.Fatal(err)
			}
			for range 12 {
				rec.Take(clock.Now(), []collector.Reading{{Value: v, Quality: collector.Good}})
				if err := rec.Beat(clock.Now()); err != nil {
					t.Fatal(err)
				}
				time.Sleep(time.Second)
			}
		}
		keep(collector.Point{Name: "air", Unit: "psi", Resolution: 0.1}, 100)
		keep(collector.Point{Name: "air", Unit: "bar", Resolution: 0.01}, 7)
		time.Sleep(time.Minute)
		if err := rec.Follow(nil); err != nil { // ends the window
			t.Fatal(err)
		}
		if err := rec.Beat(clock.Now()); err != nil {
			t.Fatal(err)
		}
		tr, err := rec.Trend(t.Context(), "air")
		if err != nil {
			t.Fatal(err)
		}
		var got []float64
		for s, err := range tr.Readings(t.Context(), time.Time{}, time.Time{}) {
			if err != nil {
				t.Fatal(err)
			}
			if v := math.Round(s.Value*1e4) / 1e4; len(got) == 0 || got[len(got)-1] != v {
				got = append(got, v)
			}
		}
		if want := []float64{6.8948, 7}; tr.Unit != "bar" || !slices.Equal(got, want) {
			t.Errorf("%v %s, want %v bar", got, tr.Unit, want)
		}
	})
}
