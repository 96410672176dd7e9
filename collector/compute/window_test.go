package compute_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/outsidetest"
)

func newRate(t testing.TB, over, per time.Duration) *compute.Set {
	return newSet(t, points(2), compute.Spec{Point: 1, Rate: &compute.Rate{Of: in(0), Over: over, PerTime: per}})
}

func step1(s *compute.Set, r collector.Reading) collector.Reading {
	out := s.Step(r.At, []collector.Reading{r}, nil)
	return out[len(out)-1]
}

func TestRateOfALine(t *testing.T) {
	s := newRate(t, time.Minute, time.Minute)
	for i := range 200 {
		x := float64(i)
		r := step1(s, good(0, 1e6-0.25*x, x))
		switch {
		case i < 30 && (r.Quality != collector.Unread || r.Fault != collector.NotRead):
			t.Fatalf("at %d s: %+v from half a window", i, r)
		case i >= 30 && (r.Quality != collector.Good || math.Abs(r.Value+15) > 1e-9):
			t.Fatalf("at %d s: %+v, want -15 a minute", i, r)
		}
	}
	if r := step1(s, bad(0, 200, "")); r.Quality != collector.Bad || r.Fault != collector.InputLost {
		t.Errorf("%+v", r)
	}
	if r := step1(s, good(0, 5, 300)); r.Fault != collector.NoResult || r.Detail != "readings for less than half of the window" {
		t.Errorf("after a gap: %+v", r)
	}
}

// Many more readings than the window holds: it still covers its whole length.
func TestRateOfFastReadings(t *testing.T) {
	s := newRate(t, time.Minute, time.Second)
	var r collector.Reading
	for x := 100.0; x < 200; x += 0.02 {
		r = step1(s, good(0, 3*x, x))
	}
	if math.Abs(r.Value-3) > 1e-6 {
		t.Errorf("%+v, want 3", r)
	}
	// a step 40 s ago must still be inside the window
	v := 0.0
	for x := 200.0; x < 260; x += 0.02 {
		if x > 220 {
			v = 10
		}
		r = step1(s, good(0, v, x))
	}
	// least squares of a unit step at a third of the window: 6 f (1-f) / T with f = 1/3
	if want := 10 * 6 * (1.0 / 3) * (2.0 / 3) / 60; math.Abs(r.Value-want) > 0.002*want {
		t.Errorf("slope %v, want %v", r.Value, want)
	}
}

// naiveMean integrates a held signal in milliseconds.
func naiveMean(of, while []collector.Reading, over time.Duration, now collector.Moment) (float64, bool) {
	value := func(rs []collector.Reading, at collector.Moment) (float64, bool) {
		v, ok := 0.0, false
		for _, r := range rs {
			if r.At <= at {
				v, ok = r.Value, r.Quality.Usable()
			}
		}
		return v, ok
	}
	var sum float64
	n := 0
	for at := now.Add(-over); at < now; at += collector.Moment(100 * time.Millisecond) {
		v, ok := value(of, at)
		if while != nil {
			if w, okW := value(while, at); !okW || w < 0.5 {
				continue
			}
		}
		if ok {
			sum += v
			n++
		}
	}
	return sum / float64(n), n > 0
}

func TestMeanAgainstNaive(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	compared := 0
	for round := range 30 {
		over := time.Duration(1+rng.IntN(20)) * time.Second
		while := collector.NoPoint
		if round%2 == 0 {
			while = 1
		}
		s := newSet(t, points(3), compute.Spec{Point: 2, Mean: &compute.Mean{Of: in(0), Over: over, While: while}})
		var of, on []collector.Reading
		for x := 0.0; x < 40; x = math.Round((x+0.1*float64(1+rng.IntN(20)))*10) / 10 {
			r := good(0, float64(rng.IntN(5)), x)
			if rng.IntN(6) == 0 {
				r = bad(0, x, "")
				r.Value = 3 // means nothing
			}
			of = append(of, r)
			batch := []collector.Reading{r}
			if rng.IntN(3) == 0 {
				w := good(1, float64(rng.IntN(2)), x)
				if rng.IntN(8) == 0 {
					w = bad(1, x, "")
					w.Value = 1
				}
				on = append(on, w)
				batch = append(batch, w)
			}
			out := s.Step(sec(x), batch, nil)
			var held []collector.Reading
			if while != collector.NoPoint {
				held = append([]collector.Reading{}, on...)
			}
			want, ok := naiveMean(of, held, over, sec(x))
			got := out[0]
			if !got.Quality.Usable() {
				lost := !r.Quality.Usable() || held != nil && (len(on) == 0 || !on[len(on)-1].Quality.Usable())
				if ok && !lost {
					t.Fatalf("round %d at %v s: %+v, want %v", round, x, got, want)
				}
				continue
			}
			compared++
			if !ok || math.Abs(got.Value-want) > 1e-9 {
				t.Fatalf("round %d at %v s: mean %v, want %v (over %v)", round, x, got.Value, want, over)
			}
		}
	}
	if compared < 150 {
		t.Errorf("only %d means compared", compared)
	}
}

// A state's mean is its share of time; years of one value take no room.
func TestMeanOfAState(t *testing.T) {
	s := newSet(t, points(2), compute.Spec{Point: 1, Mean: &compute.Mean{Of: in(0), Over: time.Hour, While: collector.NoPoint}})
	var r collector.Reading
	for x := 0.0; x <= 7200; x++ {
		r = step1(s, good(0, float64(int(x)/150%4/3), x)) // 150 s of each 600 s
	}
	if math.Abs(r.Value-0.25) > 1e-9 {
		t.Errorf("%+v, want 0.25", r)
	}
	for x := 7201.0; x < 7201+3600; x++ {
		r = step1(s, good(0, 1, x))
	}
	if math.Abs(r.Value-1) > 1e-3 {
		t.Errorf("an hour of 1 gives %v", r.Value)
	}
}

func TestMeanWhileIdle(t *testing.T) {
	s := newSet(t, points(3), compute.Spec{Point: 2, Mean: &compute.Mean{Of: in(0), Over: time.Minute, While: 1}})
	at := func(x, v, on float64) collector.Reading {
		out := s.Step(sec(x), []collector.Reading{good(0, v, x), good(1, on, x)}, nil)
		return out[0]
	}
	if r := at(0, 9, 0); r.Fault != collector.NotRead {
		t.Errorf("%+v before any time counted", r)
	}
	at(10, 5, 1)
	at(20, 7, 1)
	if r := at(30, 9, 0); r.Value != 6 {
		t.Errorf("%+v, want 6", r)
	}
	if r := at(79, 9, 0); math.Abs(r.Value-(1*5+10*7)/11.0) > 1e-12 {
		t.Errorf("%+v, want the last second of 5 and ten of 7", r)
	}
	if r := at(200, 9, 0); r.Fault != collector.NoResult {
		t.Errorf("%+v, want no result", r)
	}
}

// The decay of a receiver's pressure while the compressor stands, five times, against a fit by another tool.
func TestReplayPressureDecay(t *testing.T) {
	dir := outsidetest.Data(t, "metropt3")
	tb := readTable(t, dir, "normal-2020-02-01.csv")
	var ref []struct {
		From, To string
		Seconds  float64
		Slope    float64 `json:"slope_bar_per_min"`
	}
	figure(t, dir, "normal-2020-02-01.csv", "pressure_decay_while_stopped", &ref)
	if len(ref) != 5 {
		t.Fatalf("%d decays, want 5", len(ref))
	}
	for _, d := range ref {
		s := newRate(t, time.Duration(d.Seconds)*time.Second, time.Minute)
		var r collector.Reading
		for i := range tb.rows {
			stamp := tb.text(t, i, "timestamp")
			if stamp < d.From || stamp > d.To {
				continue
			}
			at, err := time.Parse(time.DateTime, stamp)
			if err != nil {
				t.Fatal(err)
			}
			r = step1(s, collector.Reading{Point: 0, Value: tb.number(t, i, "TP3"), Quality: collector.Good, At: collector.At(at)})
		}
		t.Logf("from %s: %.5f bar/min (%v)", d.From, r.Value, d.Slope)
		if math.Abs(r.Value-d.Slope) > 5.1e-6 {
			t.Errorf("from %s: slope %v, reference %v", d.From, r.Value, d.Slope)
		}
	}
}

// Time-weighted means of whole series against figures of another tool.
func TestReplayMeans(t *testing.T) {
	for _, f := range []struct {
		folder, file string
		period       float64
	}{
		{"metropt3", "normal-2020-02-01.csv", 10}, {"metropt3", "leak1-2020-04-18.csv", 10}, {"metropt3", "leak2-2020-05-29.csv", 10},
		{"hydraulic-rig", "cycles-0000-0359.csv.gz", 1}, {"water-meter", "2012-04.csv.gz", 60},
	} {
		t.Run(f.file, func(t *testing.T) {
			dir := outsidetest.Data(t, f.folder)
			tb := readTable(t, dir, f.file)
			var ref map[string]struct {
				Mean float64 `json:"twmean"`
			}
			figure(t, dir, f.file, "stats", &ref)
			compared := 0
			for column, want := range ref {
				if compared++; compared > 2 {
					break
				}
				over := time.Duration(f.period*float64(len(tb.rows))) * time.Second
				s := newSet(t, points(2), compute.Spec{Point: 1, Mean: &compute.Mean{Of: in(0), Over: over, While: collector.NoPoint}})
				var r collector.Reading
				var batch []collector.Reading
				for i := range tb.rows {
					at := tb.at(t, i, f.period)
					batch = append(batch, collector.Reading{Point: 0, Value: tb.number(t, i, column), Quality: collector.Good, At: at})
					if len(batch) == 500 || i == len(tb.rows)-1 {
						r = s.Step(at, batch, nil)[0]
						batch = batch[:0]
					}
				}
				t.Logf("%s: mean %.6f (%v)", column, r.Value, want.Mean)
				if math.Abs(r.Value-want.Mean) > 6e-7+1e-9*math.Abs(want.Mean) {
					t.Errorf("%s: mean %v, reference %v", column, r.Value, want.Mean)
				}
			}
			if compared == 0 {
				t.Error("nothing compared")
			}
		})
	}
}

// Four weeks of a house's water meter: litres in all and by day, from the counter.
func TestReplayWaterMeter(t *testing.T) {
	dir := outsidetest.Data(t, "water-meter")
	tb := readTable(t, dir, "2012-04.csv.gz")
	var litres float64
	var daily []struct {
		Day    string  `json:"day_utc"`
		Litres float64 `json:"litres"`
	}
	figure(t, dir, "2012-04.csv.gz", "litres", &litres)
	figure(t, dir, "2012-04.csv.gz", "daily", &daily)
	s := newSet(t, points(3),
		compute.Spec{Point: 1, Total: &compute.Total{Counter: 0, PerPulse: 1}},
		compute.Spec{Point: 2, Flow: &compute.Flow{Counter: 0, PerPulse: 1, PerTime: time.Minute, Over: 5 * time.Minute}})
	byDay := map[string]float64{}
	last, flowed, worst := 0.0, 0.0, 0.0
	for i := range tb.rows {
		at := tb.at(t, i, 60)
		out := s.Step(at, []collector.Reading{{Point: 0, Value: tb.number(t, i, "counter_l"), Quality: collector.Good, At: at}}, nil)
		total, flow := out[0], out[1]
		if total.Quality != collector.Good {
			t.Fatalf("row %d: %+v", i, total)
		}
		byDay[time.Unix(0, int64(at)).UTC().Format(time.DateOnly)] += total.Value - last
		last = total.Value
		if flow.Quality == collector.Good {
			flowed += flow.Value
			worst = max(worst, flow.Value)
		}
	}
	t.Logf("%.3f L (%v); the flow adds up to %.0f L, at most %.2f L/min (15.14 in a minute)", last, litres, flowed, worst)
	if math.Abs(last-litres) > 5e-4 {
		t.Errorf("%v L, reference %v", last, litres)
	}
	if len(daily) != 28 {
		t.Fatalf("%d days", len(daily))
	}
	for _, d := range daily {
		if math.Abs(byDay[d.Day]-d.Litres) > 6e-4 {
			t.Errorf("%s: %v L, reference %v", d.Day, byDay[d.Day], d.Litres)
		}
	}
	if worst > 15.2 || math.Abs(flowed-litres) > 0.25*litres {
		t.Errorf("the flow adds up to %v L of %v, at most %v L/min", flowed, litres, worst)
	}
}

func figure(t *testing.T, dir, file, name string, into any) {
	t.Helper()
	raw := readFigures(t, dir)[file][name]
	if err := json.Unmarshal(raw, into); err != nil {
		t.Fatalf("%s %s: %v", file, name, err)
	}
}
