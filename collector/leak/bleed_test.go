package leak_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"roundsman/collector/leak"
)

// What a hole lets out at 7 bar and 20 degC, L/s of free air of 20 degC, by the isentropic nozzle and coefficient 1; a
// published orifice table agrees within 0.6 %: at 100 psig 6.49 cfm through 1/16 in.
var holes = map[float64]float64{1: 1.2337, 2: 4.9350, 3: 11.1037}

func TestBleedDownFindsTheHole(t *testing.T) {
	for mm, want := range holes {
		// Two minutes for the smallest, less for the others: all fall by about a third of a bar.
		length := time.Duration(120 / (mm * mm) * float64(time.Second))
		r := newReceiver(500, 7.2, mm, 293.15, 293.15, 5e4)
		b, err := leak.BleedDown(leak.Vessel{Volume: 500}, r.series(length, false))
		if err != nil {
			t.Fatal(err)
		}
		near(t, "leak at 7 bar", b.Rate, want, 0.002)
		if !b.Settled || b.Low > b.Rate || b.High < b.Rate {
			t.Errorf("%g mm: settled %t, %g to %g around %g", mm, b.Settled, b.Low, b.High, b.Rate)
		}
		near(t, "at the start's pressure", b.AtStart, want*(7.2+leak.Normal)/(7+leak.Normal), 0.01)
		near(t, "sourcebook", b.Sourcebook, 1.25*b.Mean, 1e-12)
	}
	r := newReceiver(500, 100*psi, 25.4/16, 293.15, 293.15, 5e4)
	b, err := leak.BleedDown(leak.Vessel{Volume: 500, Working: 100 * psi}, r.series(time.Minute, false))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "1/16 in at 100 psig, cfm", b.Rate/cfm, 6.49, 0.006)
}

// coolingCase is a receiver just filled, 15 K warmer than its wall, that cools with a time constant of 2 min.
func coolingCase() *receiver {
	r := newReceiver(500, 8.2, 0.7, 288.15, 303.15, 0)
	r.conductance = r.mass * cv / 120
	return r
}

func TestBleedDownWhileTheAirCools(t *testing.T) {
	want := 1.2337 * 0.49 * math.Sqrt(288.15/293.15) // the nozzle's flow goes with 1/sqrt(T), free air at the wall's temperature
	v := leak.Vessel{Volume: 500}
	all := coolingCase().series(16*time.Minute, false)
	early, err := leak.BleedDown(v, all[:300])
	if err != nil {
		t.Fatal(err)
	}
	if early.Settled || early.Rate < 1.5*want {
		t.Errorf("after 5 min: settled %t at %.3f L/s, want not settled and far more than %.3f", early.Settled, early.Rate, want)
	}
	if early.First < early.Second {
		t.Errorf("the first half leaks %.3f, the second %.3f L/s: cooling is steepest at first", early.First, early.Second)
	}
	b, err := leak.Settle(v, all, 2*time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	if !b.Settled || b.Start == all[0].At {
		t.Errorf("settled %t from %s on", b.Settled, b.Start.Sub(all[0].At))
	}
	near(t, "after the cooling part is cut off", b.Rate, want, 0.06)
}

func TestBleedDownWithTheAirsTemperature(t *testing.T) {
	// Known temperature takes the cooling out at once; free air is then told at 20 degC.
	b, err := leak.BleedDown(leak.Vessel{Volume: 500}, coolingCase().series(16*time.Minute, true))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "leak", b.Rate, 1.2337*0.49, 0.02)
	if !b.Settled {
		t.Errorf("not settled: %.3f then %.3f L/s", b.First, b.Second)
	}
}

func TestSteadyBoundsTheError(t *testing.T) {
	// What the comment at Steady promises: cooling by up to 25 K, time constants up to half the test.
	worst := 0.0
	for _, warm := range []float64{0.3, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 5, 10, 25} {
		for _, tau := range []float64{30, 60, 120, 300, 450} {
			r := newReceiver(500, 8.2, 0.7, 293.15, 293.15, 0)
			r.conductance = r.mass * cv / tau
			chill := r.out(r.mass, r.kelvin) * gasConstant * r.kelvin / r.conductance // what is left expands and stays cooler
			r = newReceiver(500, 8.2, 0.7, 293.15, 293.15-chill+warm, r.conductance)
			b, err := leak.BleedDown(leak.Vessel{Volume: 500}, r.series(15*time.Minute, false))
			if err != nil {
				t.Fatal(err)
			}
			if b.Settled {
				worst = max(worst, b.Rate/(1.2337*0.49)-1)
			}
		}
	}
	if worst > 0.125 || worst < 0.03 {
		t.Errorf("a settled test told up to %.1f %% too much, want at most 12.5 %% and some", 100*worst)
	}
}

func TestBleedDownTellsItsNoise(t *testing.T) {
	// A transmitter's counts of 1 mbar and 5 mbar of noise: the interval holds the truth about 19 times in 20.
	held := 0
	const tries = 200
	source := uint64(1)
	noise := func() float64 { // sum of uniform numbers (xorshift), 5 mbar standard deviation
		s := 0.0
		for range 12 {
			source ^= source << 13
			source ^= source >> 7
			source ^= source << 17
			s += float64(source>>11) / (1 << 53)
		}
		return (s - 6) * 0.005
	}
	for range tries {
		s := newReceiver(500, 7.1, 1, 293.15, 293.15, 5e4).series(45*time.Second, false)
		for i := range s {
			s[i].Pressure = math.Round((s[i].Pressure+noise())*1000) / 1000
		}
		b, err := leak.BleedDown(leak.Vessel{Volume: 500}, s)
		if err != nil {
			t.Fatal(err)
		}
		if b.Low <= 1.2337 && 1.2337 <= b.High {
			held++
		}
	}
	if held < tries*90/100 || held > tries*99/100 {
		t.Errorf("the interval held the truth in %d of %d tests", held, tries)
	}
}

func TestBleedDownRefuses(t *testing.T) {
	good := newReceiver(500, 7.2, 1, 293.15, 293.15, 5e4).series(time.Minute, false)
	change := func(f func(s []leak.Sample)) []leak.Sample {
		s := append([]leak.Sample(nil), good...)
		f(s)
		return s
	}
	for _, c := range []struct {
		name string
		s    []leak.Sample
		want error
	}{
		{"none", nil, leak.ErrShort},
		{"seven looks", good[:7], leak.ErrShort},
		{"a look without pressure", change(func(s []leak.Sample) { s[9].Pressure = math.NaN() }), leak.ErrLooks},
		{"a look twice", change(func(s []leak.Sample) { s[9].At = s[8].At }), leak.ErrLooks},
		{"one temperature", change(func(s []leak.Sample) { s[9].Celsius = 20 }), leak.ErrLooks},
		{"empty vessel", change(func(s []leak.Sample) { s[9].Pressure = 0.5 }), leak.ErrNotChoked},
	} {
		if b, err := leak.BleedDown(leak.Vessel{Volume: 500}, c.s); !errors.Is(err, c.want) || b != (leak.Bleed{}) {
			t.Errorf("%s: got %v, %v, want %v", c.name, b, err, c.want)
		}
	}
	if _, err := leak.BleedDown(leak.Vessel{}, good); err == nil {
		t.Error("a vessel of no volume was measured")
	}
}
