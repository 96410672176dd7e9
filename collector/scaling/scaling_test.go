package scaling_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/scaling"
)

const second = collector.Moment(time.Second)

var none = math.NaN()

func channel(t testing.TB, s scaling.Spec) *scaling.Channel {
	t.Helper()
	c, err := scaling.New(7, s)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// loop is a transmitter that sends mA, scaled to lo..hi.
func loop(lo, hi float64) scaling.Spec {
	return scaling.Spec{Points: []scaling.Pair{{Raw: 4, Value: lo}, {Raw: 20, Value: hi}}, Loop: true, RawPerMilliamp: 1, Low: none, High: none}
}

// The table of a 4-20 mA signal: x = lo + (I-4)(hi-lo)/16, the voltage over
// 250 ohm, and hi*sqrt((I-4)/16) for a flow from differential pressure.
func TestScale(t *testing.T) {
	table := []struct{ mA, bar, percent, degC, metres, volt, root float64 }{
		{3.6, -0.4, -2.5, -13.0, -0.06, 0.900, 0},
		{3.8, -0.2, -1.25, -11.5, -0.03, 0.950, 0},
		{4, 0, 0, -10, 0, 1.000, 0},
		{4.16, 0.16, 1, -8.8, 0.024, 1.040, 10.0000},
		{5, 1, 6.25, -2.5, 0.15, 1.250, 25.0000},
		{8, 4, 25, 20, 0.6, 2.000, 50.0000},
		{9.6, 5.6, 35, 32, 0.84, 2.400, 59.1608},
		{12, 8, 50, 50, 1.2, 3.000, 70.7107},
		{13, 9, 56.25, 57.5, 1.35, 3.250, 75.0000},
		{16, 12, 75, 80, 1.8, 4.000, 86.6025},
		{20, 16, 100, 110, 2.4, 5.000, 100.0000},
		{20.5, 16.5, 103.125, 113.75, 2.475, 5.125, 101.5505},
		{21, 17, 106.25, 117.5, 2.55, 5.250, 103.0776},
	}
	root := loop(0, 100)
	root.Curve = scaling.SquareRoot
	volt := scaling.Spec{Points: []scaling.Pair{{Raw: 1, Value: 4}, {Raw: 5, Value: 20}}}
	for _, tt := range table {
		for _, k := range []struct {
			name   string
			spec   scaling.Spec
			raw    float64
			want   float64
			within float64
		}{
			{"bar", loop(0, 16), tt.mA, tt.bar, 1e-14},
			{"%", loop(0, 100), tt.mA, tt.percent, 1e-13},
			{"degC", loop(-10, 110), tt.mA, tt.degC, 1e-13},
			{"m", loop(0, 2.4), tt.mA, tt.metres, 1e-15 * 4},
			{"mA of volts", volt, tt.volt, tt.mA, 1e-14},
			{"square root", root, tt.mA, tt.root, 5e-5},
		} {
			if got := channel(t, k.spec).Value(k.raw); math.Abs(got-k.want) > k.within {
				t.Errorf("%v mA as %s: %.9g, want %.9g", tt.mA, k.name, got, k.want)
			}
		}
	}
}

// Raw counts: 0 to 27648 for 0 to 100 % (common practice, no source), a 12-bit
// card over 0 to 20 mA, and the wrong range found at commissioning.
func TestCounts(t *testing.T) {
	percent := scaling.Spec{Points: []scaling.Pair{{Raw: 0, Value: 0}, {Raw: 27648, Value: 100}}}
	bar := scaling.Spec{Points: []scaling.Pair{{Raw: 0, Value: 0}, {Raw: 27648, Value: 160}}}
	card := scaling.Spec{Points: []scaling.Pair{{Raw: 0, Value: 0}, {Raw: 4095, Value: 20}}}
	wrong := scaling.Spec{Points: []scaling.Pair{{Raw: 0, Value: 0}, {Raw: 20, Value: 16}}}
	tests := []struct {
		spec              scaling.Spec
		raw, want, within float64
	}{
		{percent, 6912, 25, 0}, {percent, 13824, 50, 0}, {percent, 20736, 75, 0}, {percent, 27648, 100, 0},
		{percent, 32767, 118.5, 0.05}, {bar, 13824, 80, 0}, {bar, -1, -0.00579, 5e-6}, {bar, 32767, 189.6, 0.05},
		{card, 819, 4, 1e-12}, {card, 2457, 12, 1e-12}, {card, 4095, 20, 0},
		{wrong, 4, 3.2, 1e-15}, {wrong, 8, 6.4, 1e-15}, {wrong, 12, 9.6, 1e-14}, {wrong, 20, 16, 0},
	}
	for _, tt := range tests {
		r := channel(t, tt.spec).Judge(tt.raw, 0)
		if math.Abs(r.Value-tt.want) > tt.within || r.Raw != tt.raw || r.Point != 7 || r.Quality != collector.Good {
			t.Errorf("raw %v of %v: %+v, want %v", tt.raw, tt.spec.Points, r, tt.want)
		}
	}
}

func TestCalibrationTable(t *testing.T) {
	s := scaling.Spec{Points: []scaling.Pair{{Raw: 0, Value: 10}, {Raw: 100, Value: 20}, {Raw: 300, Value: 30}, {Raw: 400, Value: 70}}}
	tests := []struct{ raw, value, clamped float64 }{
		{-50, 5, 10}, {0, 10, 10}, {50, 15, 15}, {100, 20, 20}, {200, 25, 25}, {300, 30, 30}, {325, 40, 40}, {400, 70, 70}, {450, 90, 70},
	}
	clamp := s
	clamp.Clamp = true
	for _, tt := range tests {
		if got := channel(t, s).Judge(tt.raw, 0).Value; got != tt.value {
			t.Errorf("raw %v: %v, want %v", tt.raw, got, tt.value)
		}
		if got := channel(t, clamp).Judge(tt.raw, 0).Value; got != tt.clamped {
			t.Errorf("raw %v clamped: %v, want %v", tt.raw, got, tt.clamped)
		}
	}
	if got := s.Resolution(); got != 0.05 {
		t.Errorf("resolution %v, want 0.05 of the flattest piece", got)
	}
	if got := (scaling.Spec{}).Resolution(); got != 1 {
		t.Errorf("resolution without a scale %v, want 1", got)
	}
}

// NAMUR NE 43, bands on both sides of each limit; the limits themselves are
// this package's choice, with a millionth of slack for float32.
func TestBands(t *testing.T) {
	tests := []struct {
		mA      float64
		fault   collector.Fault
		quality collector.Quality
		status  collector.Status
		detail  string
	}{
		{0, collector.SignalLow, collector.Bad, collector.Failure, "0 mA is below 3.6 mA, wire or sensor broken"},
		{3.48, collector.SignalLow, collector.Bad, collector.Failure, "3.48 mA is below 3.6 mA, wire or sensor broken"},
		{3.5999, collector.SignalLow, collector.Bad, collector.Failure, "3.6 mA is not above 3.6 mA, wire or sensor broken"},
		{3.61, collector.SignalBetween, collector.Uncertain, collector.OutOfSpecification, "3.61 mA is between failure and measurement, 3.6 to 3.8 mA"},
		{3.79, collector.SignalBetween, collector.Uncertain, collector.OutOfSpecification, "3.79 mA is between failure and measurement, 3.6 to 3.8 mA"},
		{3.8, collector.UnderRange, collector.Good, collector.OutOfSpecification, ""},
		{float64(float32(3.8)), collector.UnderRange, collector.Good, collector.OutOfSpecification, ""},
		{3.99, collector.UnderRange, collector.Good, collector.OutOfSpecification, ""},
		{4, collector.NoFault, collector.Good, collector.Normal, ""},
		{12, collector.NoFault, collector.Good, collector.Normal, ""},
		{20, collector.NoFault, collector.Good, collector.Normal, ""},
		{20.01, collector.OverRange, collector.Good, collector.OutOfSpecification, ""},
		{20.5, collector.OverRange, collector.Good, collector.OutOfSpecification, ""},
		{20.51, collector.SignalBetween, collector.Uncertain, collector.OutOfSpecification, "20.51 mA is between measurement and failure, 20.5 to 21 mA"},
		{20.99, collector.SignalBetween, collector.Uncertain, collector.OutOfSpecification, "20.99 mA is between measurement and failure, 20.5 to 21 mA"},
		{21.01, collector.SignalHigh, collector.Bad, collector.Failure, "21.01 mA is above 21 mA, short circuit or sensor broken"},
		{22.5, collector.SignalHigh, collector.Bad, collector.Failure, "22.5 mA is above 21 mA, short circuit or sensor broken"},
		// our choice: the limits belong to the failure bands
		{3.6, collector.SignalLow, collector.Bad, collector.Failure, "3.6 mA is not above 3.6 mA, wire or sensor broken"},
		{21, collector.SignalHigh, collector.Bad, collector.Failure, "21 mA is not below 21 mA, short circuit or sensor broken"},
	}
	ranged := loop(0, 16) // the instrument's range is the scale: the bands decide all the same
	ranged.Low, ranged.High = 0, 16
	micro := scaling.Spec{Points: []scaling.Pair{{Raw: 4000, Value: 0}, {Raw: 20000, Value: 16}}, Loop: true, RawPerMilliamp: 1000}
	live := scaling.Spec{Points: []scaling.Pair{{Raw: 0, Value: 0}, {Raw: 27648, Value: 16}}, Loop: true, RawPerMilliamp: 1728, RawAtZero: -6912}
	for _, tt := range tests {
		for _, k := range []struct {
			name string
			spec scaling.Spec
			raw  float64
		}{{"mA", loop(0, 16), tt.mA}, {"mA, ranged", ranged, tt.mA}, {"uA", micro, tt.mA * 1000}, {"counts from 4 mA", live, (tt.mA - 4) * 1728}} {
			k.spec.Hold = -1
			c := channel(t, k.spec)
			r := c.Judge(k.raw, second)
			if r.Fault != tt.fault || r.Quality != tt.quality || r.Status() != tt.status || r.Detail != tt.detail {
				t.Errorf("%v mA as %s: %v, %v, %v, %q; want %v, %v, %v, %q", tt.mA, k.name,
					r.Fault, r.Quality, r.Status(), r.Detail, tt.fault, tt.quality, tt.status, tt.detail)
			}
			if r.Quality != collector.Bad && math.Abs(r.Value-(tt.mA-4)) > 1e-6 {
				t.Errorf("%v mA as %s: value %v, want %v", tt.mA, k.name, r.Value, tt.mA-4)
			}
		}
	}
}

type step struct {
	at      float64 // seconds
	raw     float64
	value   float64
	fault   collector.Fault
	quality collector.Quality
}

func follow(t *testing.T, s scaling.Spec, steps []step) {
	t.Helper()
	c := channel(t, s)
	for _, st := range steps {
		r := c.Judge(st.raw, collector.Moment(st.at*1e9))
		if r.Fault != st.fault || r.Quality != st.quality || math.Abs(r.Value-st.value) > 1e-9 {
			t.Errorf("at %v s raw %v: %v, %v, %v (%s); want %v, %v, %v", st.at, st.raw,
				r.Value, r.Fault, r.Quality, r.Detail, st.value, st.fault, st.quality)
		}
	}
}

const (
	good      = collector.Good
	uncertain = collector.Uncertain
	bad       = collector.Bad
	unread    = collector.Unread
	ok        = collector.NoFault
	between   = collector.SignalBetween
	low       = collector.SignalLow
	high      = collector.SignalHigh
	fast      = collector.TooFast
)

// A failure band is called a fault after two seconds; meanwhile the last value
// stands, uncertain. Between the bands the last statement goes on.
func TestHold(t *testing.T) {
	t.Run("wire breaks", func(t *testing.T) {
		follow(t, loop(0, 16), []step{
			{0, 12, 8, ok, good}, {1, 0, 8, between, uncertain}, {2, 0, 8, between, uncertain}, {2.9, 0.2, 8, between, uncertain},
			{3, 0, 0, low, bad}, {4, 0, 0, low, bad}, {5, 3.7, 0, low, bad}, {6, 3.8, -0.2, collector.UnderRange, good}, {7, 12, 8, ok, good},
			{8, 22, 8, between, uncertain}, {9, 20.8, 8, between, uncertain}, {10, 22, 0, high, bad}, {11, 20.4, 16.4, collector.OverRange, good},
		})
	})
	t.Run("a short one is no fault", func(t *testing.T) {
		follow(t, loop(0, 16), []step{
			{0, 12, 8, ok, good}, {1, 3, 8, between, uncertain}, {2, 12, 8, ok, good}, {3, 3, 8, between, uncertain}, {4.5, 13, 9, ok, good},
		})
	})
	t.Run("power-up", func(t *testing.T) {
		follow(t, loop(0, 16), []step{
			{0, 0, 0, collector.NotRead, unread}, {1, 3.7, 0, collector.NotRead, unread}, {1.5, 5, 1, ok, good},
		})
	})
	t.Run("broken from the beginning", func(t *testing.T) {
		follow(t, loop(0, 16), []step{{0, 0, 0, collector.NotRead, unread}, {2, 0, 0, low, bad}})
	})
	t.Run("a doubted value is held too", func(t *testing.T) {
		s := loop(0, 16)
		s.MaxRate = 0.5
		follow(t, s, []step{{0, 12, 8, ok, good}, {1, 6, 2, fast, uncertain}, {2, 0, 2, between, uncertain}, {4, 0, 0, low, bad}})
	})
	t.Run("a value between the bands is not", func(t *testing.T) {
		follow(t, loop(0, 16), []step{{0, 12, 8, ok, good}, {1, 3.7, -0.3, between, uncertain}, {2, 0, 8, between, uncertain}, {4, 0, 0, low, bad}})
	})
	t.Run("slow poll", func(t *testing.T) {
		follow(t, loop(0, 16), []step{{0, 12, 8, ok, good}, {60, 0, 8, between, uncertain}, {120, 0, 0, low, bad}})
	})
	t.Run("no hold", func(t *testing.T) {
		s := loop(0, 16)
		s.Hold = -1
		follow(t, s, []step{{0, 12, 8, ok, good}, {1, 0, 0, low, bad}})
	})
	t.Run("reset", func(t *testing.T) {
		c := channel(t, loop(0, 16))
		c.Judge(12, 0)
		c.Judge(0, 1*second)
		c.Reset()
		if r := c.Judge(0, 60*second); r.Quality != unread {
			t.Errorf("after a reset: %v, want the hold to begin anew", r.Reason())
		}
	})
}

// Outside the range by NE 43's margins, 1.25 % below and 3.125 % above the span, is no measurement.
func TestRange(t *testing.T) {
	bar := scaling.Spec{Low: 0, High: 16, Unit: "bar"}
	tests := []struct {
		spec   scaling.Spec
		v      float64
		fault  collector.Fault
		detail string
	}{
		{bar, 0, ok, ""}, {bar, 16, ok, ""},
		{bar, -0.01, collector.UnderRange, ""}, {bar, -0.2, collector.UnderRange, ""},
		{bar, -0.21, collector.OutOfRange, "-0.21 bar is outside 0 to 16 bar"},
		{bar, 16.01, collector.OverRange, ""}, {bar, 16.5, collector.OverRange, ""},
		{bar, 16.51, collector.OutOfRange, "16.51 bar is outside 0 to 16 bar"},
		{scaling.Spec{Low: 0, High: none}, -0.109, collector.OutOfRange, "-0.109 is below 0"},
		{scaling.Spec{Low: 0, High: none}, 1e9, ok, ""},
		{scaling.Spec{Low: none, High: 14}, 15, collector.OutOfRange, "15 is above 14"},
		{scaling.Spec{Low: none, High: none}, -1e12, ok, ""},
		{scaling.Spec{}, -1e12, ok, ""},
		{scaling.Spec{Low: math.Inf(-1), High: math.Inf(1)}, -1e12, ok, ""},
	}
	for _, tt := range tests {
		r := channel(t, tt.spec).Judge(tt.v, 0)
		if r.Fault != tt.fault || r.Detail != tt.detail || r.Quality != tt.fault.Quality() {
			t.Errorf("%v in %v to %v: %v, %v, %q; want %v, %q", tt.v, tt.spec.Low, tt.spec.High, r.Quality, r.Fault, r.Detail, tt.fault, tt.detail)
		}
	}
}

// A range that ends with the loop's own, in every step of a microampere: good
// exactly where NE 43 says measurement, whatever the rounding.
func TestRangeAgreesWithBands(t *testing.T) {
	for _, ends := range [][2]float64{{0, 16}, {-10, 110}, {0, 2.4}, {0.1, 0.7}, {-1, 1}} {
		s := loop(ends[0], ends[1])
		s.Low, s.High, s.Hold = ends[0], ends[1], -1
		c := channel(t, s)
		for uA := 3000; uA <= 22000; uA++ {
			r := c.Judge(float64(uA)/1000, collector.Moment(uA)*second)
			valid := uA >= 3800 && uA <= 20500
			if (r.Quality == good) != valid {
				t.Fatalf("%d uA on %v: %v", uA, ends, r.Reason())
			}
		}
	}
}

func TestRate(t *testing.T) {
	s := scaling.Spec{Low: none, High: none, MaxRate: 0.5, Step: 0.01, Unit: "bar"}
	t.Run("spike is denied", func(t *testing.T) {
		follow(t, s, []step{{0, 8, 8, ok, good}, {1, 3, 3, fast, uncertain}, {2, 8, 8, ok, good}, {3, 8.1, 8.1, ok, good}})
	})
	t.Run("new level is confirmed", func(t *testing.T) {
		follow(t, s, []step{{0, 8, 8, ok, good}, {1, 3, 3, fast, uncertain}, {2, 3.1, 3.1, ok, good}, {3, 2.9, 2.9, ok, good}, {4, 8, 8, fast, uncertain}})
	})
	t.Run("a burst main falls for long and is judged all the way", func(t *testing.T) {
		follow(t, s, []step{{0, 8, 8, ok, good}, {1, 6, 6, fast, uncertain}, {2, 4, 4, fast, uncertain}, {3, 2, 2, fast, uncertain},
			{4, 0.2, 0.2, fast, uncertain}, {5, 0.1, 0.1, ok, good}})
	})
	t.Run("time since the last reading counts", func(t *testing.T) {
		follow(t, s, []step{{0, 8, 8, ok, good}, {12, 2, 2, ok, good}, {13, 2.5, 2.5, ok, good}, {14, 3.02, 3.02, fast, uncertain}})
	})
	t.Run("same and older time stamps", func(t *testing.T) {
		follow(t, s, []step{{10, 8, 8, ok, good}, {10, 8, 8, ok, good}, {10, 8.005, 8.005, ok, good}, {10, 9, 9, fast, uncertain}, {9, 8.3, 8.3, ok, good}})
	})
	t.Run("one step more than the rate is rounding", func(t *testing.T) {
		follow(t, s, []step{{0, 8, 8, ok, good}, {1, 8.51, 8.51, ok, good}, {2, 9.03, 9.03, fast, uncertain}})
	})
	t.Run("words", func(t *testing.T) {
		c := channel(t, s)
		c.Judge(8, 0)
		if r := c.Judge(3, second); r.Detail != "fell by 5 bar in 1s, at most 0.5 bar/s is believed at once" {
			t.Errorf("detail %q", r.Detail)
		}
	})
	t.Run("reset forgets", func(t *testing.T) {
		c := channel(t, s)
		c.Judge(8, 0)
		c.Reset()
		if r := c.Judge(3, second); r.Quality != good {
			t.Errorf("first reading after a reset: %v", r.Reason())
		}
	})
}

// Rate screening never hides the dangerous side: whatever comes, every finite
// reading in range keeps its own value and a quality that limit rules judge.
func TestScreeningHidesNothing(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		s := scaling.Spec{Low: none, High: none, MaxRate: random.Float64(), StuckAfter: 3 * time.Second, Step: 0.1, Spike: 5 + random.IntN(7)}
		c := channel(t, s)
		at := collector.Moment(0)
		for range 200 {
			v := random.NormFloat64() * 10
			at += collector.Moment(random.Int64N(int64(2 * second)))
			if r := c.Judge(v, at); r.Value != v || !r.Quality.Usable() || r.At != at || r.Raw != v {
				t.Fatalf("%v becomes %+v", v, r)
			}
		}
	}
}

func TestStuck(t *testing.T) {
	s := scaling.Spec{Low: none, High: none, StuckAfter: 10 * time.Minute, Step: 0.01, Unit: "m"}
	stuck := collector.Unmoving
	follow(t, s, []step{
		{0, 1.5, 1.5, ok, good}, {300, 1.505, 1.505, ok, good}, {599, 1.5, 1.5, ok, good}, {600, 1.5, 1.5, stuck, uncertain},
		{900, 1.495, 1.495, stuck, uncertain}, {901, 1.52, 1.52, ok, good}, {1500, 1.52, 1.52, ok, good}, {1501, 1.52, 1.52, stuck, uncertain},
	})
	t.Run("one count to and fro is no movement, two are", func(t *testing.T) {
		counts := scaling.Spec{Points: []scaling.Pair{{Raw: 0, Value: 0}, {Raw: 27648, Value: 16}}, Low: none, High: none, StuckAfter: 10 * time.Second}
		counts.Step = counts.Resolution()
		for raw := 100.0; raw < 27648; raw += 97 {
			c := channel(t, counts)
			c.Judge(raw, 0)
			c.Judge(raw+1, 5*second)
			if r := c.Judge(raw-1, 10*second); r.Fault != stuck {
				t.Fatalf("around %v: %v", raw, r.Reason())
			}
			if r := c.Judge(raw+2, 11*second); r.Quality != good {
				t.Fatalf("around %v: %v", raw, r.Reason())
			}
		}
	})
	t.Run("a slow drift moves", func(t *testing.T) {
		c := channel(t, s)
		for i := range 100 {
			if r := c.Judge(1+0.004*float64(i), collector.Moment(i)*120*second); r.Quality != good {
				t.Fatalf("after %d readings: %s", i, r.Reason())
			}
		}
	})
	t.Run("words", func(t *testing.T) {
		c := channel(t, s)
		c.Judge(1, 0)
		if r := c.Judge(1, 3600*second); r.Reason() != "does not move: has not moved by more than 0.01 m for 10m0s" {
			t.Errorf("reason %q", r.Reason())
		}
	})
	t.Run("a failure ends the watch", func(t *testing.T) {
		l := loop(0, 16)
		l.StuckAfter, l.Hold = 10*time.Second, -1
		follow(t, l, []step{{0, 12, 8, ok, good}, {5, 0, 0, low, bad}, {10, 12, 8, ok, good}, {20, 12, 8, stuck, uncertain}})
	})
}

// The worked examples of F. Hampel's rule with three scaled deviations (checked
// with numpy: the median is 41.1, the MAD 0.3, and 47.9 lies 15.29 deviations off).
func TestHampel(t *testing.T) {
	first := []float64{41.2, 40.8, 41.5, 41.0, 47.9, 41.1, 40.7}
	for _, v := range first {
		spike, median := scaling.Hampel(v, first, 0.1)
		if spike != (v == 47.9) || median != 41.1 {
			t.Errorf("%v among %v: spike %v, median %v", v, first, spike, median)
		}
	}
	second := []float64{7.8, 7.8, 7.9, 7.8, 3.1, 7.7, 7.8, 7.8, 7.9} // MAD 0: the floor of one step decides
	for _, v := range second {
		if spike, median := scaling.Hampel(v, second, 0.1); spike != (v == 3.1) || median != 7.8 {
			t.Errorf("%v among %v: spike %v, median %v", v, second, spike, median)
		}
		if spike, _ := scaling.Hampel(v, second, 0); spike != (v != 7.8) {
			t.Errorf("%v without a floor: spike %v", v, spike)
		}
	}
	if spike, median := scaling.Hampel(5, nil, 1); spike || median != 5 {
		t.Errorf("no window: %v, %v", spike, median)
	}
	if spike, median := scaling.Hampel(9, []float64{1, 2, 3, 4}, 0.1); !spike || median != 2.5 {
		t.Errorf("even window: %v, %v; want a spike off 2.5", spike, median)
	}
}

func TestSpikeFilter(t *testing.T) {
	s := scaling.Spec{Low: none, High: none, Spike: 5, Step: 0.1}
	follow(t, s, []step{
		{0, 41.2, 41.2, ok, good}, {1, 40.8, 40.8, ok, good}, {2, 41.5, 41.5, ok, good}, {3, 41.0, 41.0, ok, good},
		{4, 47.9, 47.9, fast, uncertain}, {5, 41.1, 41.1, ok, good}, {6, 40.7, 40.7, ok, good},
		// a new level is doubted until it has the majority
		{7, 50, 50, fast, uncertain}, {8, 50.1, 50.1, ok, good}, {9, 50, 50, ok, good},
	})
	c := channel(t, s)
	var r collector.Reading
	for i, v := range []float64{41.2, 40.8, 41.5, 41.0, 47.9} {
		r = c.Judge(v, collector.Moment(i))
	}
	if r.Detail != "47.9 stands out from 41.2, the median of the last 5" {
		t.Errorf("detail %q", r.Detail)
	}
}

func TestKindsAndNumbers(t *testing.T) {
	state := scaling.Spec{Kind: collector.State}
	for _, tt := range []struct{ raw, value float64 }{{0, 0}, {1, 1}, {255, 1}, {-1, 1}} {
		if r := channel(t, state).Judge(tt.raw, 5); r.Value != tt.value || r.Quality != good || r.Raw != tt.raw || r.At != 5 {
			t.Errorf("state %v: %+v", tt.raw, r)
		}
	}
	if r := channel(t, scaling.Spec{Kind: collector.Text}).Judge(3, 5); r.Value != 3 || r.Quality != good {
		t.Errorf("text: %+v", r)
	}
	if r := channel(t, scaling.Spec{Kind: collector.Counter}).Judge(4294967295, 5); r.Value != 4294967295 || r.Quality != good {
		t.Errorf("counter: %+v", r)
	}
	huge := scaling.Spec{Points: []scaling.Pair{{Raw: 0, Value: 0}, {Raw: 1e-300, Value: 1e300}}}
	for _, tt := range []struct {
		spec scaling.Spec
		raw  float64
	}{{loop(0, 16), math.NaN()}, {scaling.Spec{}, math.Inf(1)}, {state, math.Inf(-1)}, {huge, 1e308}} {
		if r := channel(t, tt.spec).Judge(tt.raw, 0); r.Fault != collector.NotANumber || r.Quality != bad || r.Value != 0 {
			t.Errorf("%v: %+v", tt.raw, r)
		}
	}
}

func TestSpecErrors(t *testing.T) {
	pairs := func(p ...float64) (out []scaling.Pair) {
		for i := 0; i < len(p); i += 2 {
			out = append(out, scaling.Pair{Raw: p[i], Value: p[i+1]})
		}
		return out
	}
	tests := []struct {
		spec scaling.Spec
		want string
	}{
		{scaling.Spec{Points: pairs(0, 0)}, "scale: one pair given, a scale needs two or more"},
		{scaling.Spec{Points: pairs(0, 0, 0, 1)}, "scale: pair 2: raw 0 is not above the 0 before it"},
		{scaling.Spec{Points: pairs(0, 0, 5, 1, 4, 2)}, "scale: pair 3: raw 4 is not above the 5 before it"},
		{scaling.Spec{Points: pairs(0, 3, 5, 3)}, "scale: every raw value gives 3"},
		{scaling.Spec{Points: pairs(0, 0, none, 3)}, "scale: pair 2: NaN to 3 is not finite"},
		{scaling.Spec{Curve: scaling.SquareRoot}, "scale: a square root needs two pairs, none given"},
		{scaling.Spec{Curve: scaling.SquareRoot, Points: pairs(0, 0, 1, 1, 2, 2)}, "scale: a square root needs two pairs, 3 given"},
		{scaling.Spec{Kind: collector.State, Points: pairs(0, 0, 1, 1)}, "scale: a state is neither scaled nor judged as a signal"},
		{scaling.Spec{Loop: true, RawPerMilliamp: -1}, "raw per mA: -1 is not a number above 0"},
		{scaling.Spec{Loop: true, RawAtZero: none}, "raw at 0 mA: NaN is not finite"},
		{scaling.Spec{Low: 5, High: 1}, "range: 5 to 1 does not rise"},
		{scaling.Spec{Low: 5, High: 5}, "range: 5 to 5 does not rise"},
		{scaling.Spec{MaxRate: -1}, "max rate: -1 is not a rate of 0 or more"},
		{scaling.Spec{MaxRate: none}, "max rate: NaN is not a rate of 0 or more"},
		{scaling.Spec{Spike: 3}, "spike: a window of 3 readings is not within 5 to 11"},
		{scaling.Spec{StuckAfter: -1}, "stuck after: -1ns is negative"},
		{scaling.Spec{Step: -1}, "step: -1 is not a step of 0 or more"},
	}
	for _, tt := range tests {
		c, err := scaling.New(0, tt.spec)
		if err == nil || err.Error() != tt.want || c != nil {
			t.Errorf("%+v: error %v, want %s", tt.spec, err, tt.want)
		}
	}
}

// Random calibrations: values rise with the raw value, the ends are met, and
// the calibration read backwards undoes it.
func TestCalibrationLaws(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		n := 2 + random.IntN(8)
		there, back := scaling.Spec{}, scaling.Spec{}
		raw, value := random.NormFloat64()*1000, random.NormFloat64()*100
		for range n {
			raw += 1 + random.Float64()*1000
			value += 0.1 + random.Float64()*100
			there.Points = append(there.Points, scaling.Pair{Raw: raw, Value: value})
			back.Points = append(back.Points, scaling.Pair{Raw: value, Value: raw})
		}
		c, inverse := channel(t, there), channel(t, back)
		first, last := there.Points[0], there.Points[n-1]
		before := math.Inf(-1)
		for i := range 200 {
			x := first.Raw + (last.Raw-first.Raw)*(float64(i)-20)/160 // beyond both ends too
			v := c.Value(x)
			if v <= before {
				t.Fatalf("%v: value %v after %v at raw %v", there.Points, v, before, x)
			}
			before = v
			if again := inverse.Value(v); math.Abs(again-x) > 1e-9*(math.Abs(x)+1000) {
				t.Fatalf("%v: raw %v comes back as %v", there.Points, x, again)
			}
		}
		for _, p := range there.Points {
			if got := c.Value(p.Raw); math.Abs(got-p.Value) > 1e-12*(math.Abs(p.Value)+100) {
				t.Fatalf("%v: raw %v gives %v", there.Points, p.Raw, got)
			}
		}
	}
}

// A standing fault is told in the same words and without allocating, though the current trembles.
func TestStandingFaultsCostNothing(t *testing.T) {
	ranged := scaling.Spec{Low: 0, High: 16, StuckAfter: time.Second, Step: 0.01}
	wire := loop(0, 16)
	wire.Hold = -1
	tests := []struct {
		name string
		spec scaling.Spec
		raw  [2]float64
	}{
		{"good", loop(0, 16), [2]float64{12, 12.001}},
		{"wire broken", wire, [2]float64{3.480, 3.484}},
		{"between", wire, [2]float64{3.7, 3.704}},
		{"out of range", ranged, [2]float64{20, 20.01}},
		{"stuck", ranged, [2]float64{8, 8.001}},
	}
	for _, tt := range tests {
		c := channel(t, tt.spec)
		at := collector.Moment(0)
		judge := func() collector.Reading {
			at += second
			return c.Judge(tt.raw[at/second%2], at)
		}
		judge()
		words := judge().Detail
		judge()
		if n := testing.AllocsPerRun(100, func() { judge() }); n != 0 {
			t.Errorf("%s: %v allocations a reading", tt.name, n)
		}
		if again := judge().Detail; again != words || strings.TrimSpace(words) != words {
			t.Errorf("%s: %q, then %q", tt.name, words, again)
		}
	}
}

// What all checks cost over scaling alone, measured by turns in one run.
func BenchmarkChecksOverScaling(b *testing.B) {
	bare := loop(0, 16)
	bare.Loop = false
	full := loop(0, 16)
	full.Low, full.High, full.MaxRate, full.StuckAfter, full.Step = 0, 16, 100, time.Hour, 0.001
	channels := [2]*scaling.Channel{channel(b, bare), channel(b, full)}
	var took [2]time.Duration
	rounds, at := 0, collector.Moment(0)
	for b.Loop() {
		for i, c := range channels {
			start := time.Now()
			for k := range 1000 {
				at += second
				c.Judge(12+float64(k&1)/1000, at)
			}
			took[i] += time.Since(start)
		}
		rounds++
	}
	b.ReportMetric(float64(took[0])/float64(rounds)/1000, "ns/scaling")
	b.ReportMetric(float64(took[1])/float64(rounds)/1000, "ns/checked")
	b.ReportMetric(float64(took[1])/float64(took[0]), "checked/scaling")
}

func BenchmarkJudge(b *testing.B) {
	full := loop(0, 16)
	full.Low, full.High, full.MaxRate, full.StuckAfter, full.Step = 0, 16, 100, time.Hour, 0.001
	table := scaling.Spec{}
	for i := range 12 {
		table.Points = append(table.Points, scaling.Pair{Raw: float64(i), Value: float64(i * i)})
	}
	spikes := full
	spikes.Spike = 7
	root := loop(0, 16)
	root.Curve = scaling.SquareRoot
	broken := loop(0, 16)
	broken.Hold = -1
	for _, k := range []struct {
		name string
		spec scaling.Spec
		raw  float64
	}{
		{"plain", scaling.Spec{Low: none, High: none}, 8},
		{"state", scaling.Spec{Kind: collector.State}, 1},
		{"loop with all checks", full, 12},
		{"with spikes of 7", spikes, 12},
		{"square root", root, 12},
		{"table of 12", table, 7.5},
		{"wire broken", broken, 0},
	} {
		b.Run(k.name, func(b *testing.B) {
			c := channel(b, k.spec)
			at := collector.Moment(0)
			b.ReportAllocs()
			for b.Loop() {
				at += second
				c.Judge(k.raw+float64(at/second%2)/1000, at)
			}
		})
	}
}
