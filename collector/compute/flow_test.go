package compute_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
)

// meter is a counter point 0 with its flow in L/min (1) and its total in L (2).
type meter struct {
	s   *compute.Set
	out []collector.Reading
}

func newMeter(t testing.TB, perPulse, modulus, most float64, over time.Duration) *meter {
	return &meter{s: newSet(t, points(3),
		compute.Spec{Point: 1, Flow: &compute.Flow{Counter: 0, PerPulse: perPulse, PerTime: time.Minute, Over: over, Modulus: modulus, Most: most}},
		compute.Spec{Point: 2, Total: &compute.Total{Counter: 0, PerPulse: perPulse, Modulus: modulus, Most: most}},
	)}
}

// see returns flow and total for a count at a second.
func (m *meter) see(s, count float64) (flow, total collector.Reading) {
	m.out = m.s.Step(sec(s), []collector.Reading{good(0, count, s)}, m.out[:0])
	return m.out[0], m.out[1]
}

func TestSteadyFlow(t *testing.T) {
	for _, tc := range []struct {
		name          string
		perMinute     float64 // litres
		perPulse      float64
		poll          float64 // s
		tol           float64 // relative, once settled
		modulus, from float64
	}{
		{"10 L each 40 s", 15, 10, 1, 0, 0, 0},
		{"10 L each 40 s, looked at each 5 s", 15, 10, 5, 1e-12, 0, 0},
		{"10 L each 40 s, looked at each 3 s", 15, 10, 3, 0.08, 0, 0}, // 39 or 42 s
		{"1 L each 4 s", 15, 1, 1, 1e-12, 0, 0},
		{"1 L each 1.2 s", 50, 1, 1, 0.051, 0, 0},
		{"fast: 50 pulses a second", 50, 1.0 / 60, 1, 0.051, 0, 0},
		{"past 65536", 300, 1, 1, 0.051, 65536, 65300},
		{"past 4294967296", 300, 1, 1, 0.051, 4294967296, 4294967000},
	} {
		t.Run(tc.name, func(t *testing.T) {
			m := newMeter(t, tc.perPulse, tc.modulus, 0, time.Minute)
			for s := 0.0; s < 1200; s += tc.poll {
				count := tc.from + math.Floor(s*tc.perMinute/60/tc.perPulse+1e-9)
				if tc.modulus > 0 {
					count = math.Mod(count, tc.modulus)
				}
				flow, total := m.see(s, count)
				if want := math.Floor(s*tc.perMinute/60/tc.perPulse+1e-9) * tc.perPulse; math.Abs(total.Value-want) > 1e-9*want || total.Quality != collector.Good {
					t.Fatalf("at %v s: total %+v, want %v", s, total, want)
				}
				if s < 120 {
					continue
				}
				if d := math.Abs(flow.Value - tc.perMinute); d > tc.tol*tc.perMinute || flow.Quality != collector.Good {
					t.Fatalf("at %v s: flow %+v, want %v", s, flow, tc.perMinute)
				}
			}
		})
	}
}

// 15 L/min in pulses of 10 L, each 40 s; the last comes at 400 s.
func TestFlowDecaysAndEnds(t *testing.T) {
	m := newMeter(t, 10, 0, 0, time.Minute)
	for s := 0.0; s <= 500; s++ {
		flow, _ := m.see(s, math.Floor(min(s, 400)/40))
		want := math.NaN()
		switch since := s - 400; {
		case s < 40 || s < 80: // no pulse yet; the first stands for the whole look back
		case since <= 40:
			want = 15
		case since < 60:
			want = 60 * 10 / since // at most one pulse in that time
		default:
			want = 0
		}
		if s < 40 && (flow.Quality != collector.Unread || flow.Detail != "no pulse yet") {
			t.Fatalf("at %v s: %+v before the first pulse", s, flow)
		}
		if s == 40 && flow.Value != 10 {
			t.Errorf("the first pulse gives %v L/min, want 10 L in the look back of 1 min", flow.Value)
		}
		if !math.IsNaN(want) && math.Abs(flow.Value-want) > 1e-12 {
			t.Fatalf("at %v s: flow %v, want %v", s, flow.Value, want)
		}
	}
}

func TestFlowIsZeroWhenNothingComes(t *testing.T) {
	m := newMeter(t, 10, 0, 0, time.Minute)
	for s := 0.0; s < 120; s++ {
		flow, _ := m.see(s, 7)
		if s < 60 && flow.Quality != collector.Unread || s >= 60 && (flow.Quality != collector.Good || flow.Value != 0) {
			t.Fatalf("at %v s: %+v", s, flow)
		}
	}
}

// A valve opens on a fast counter and shuts again.
func TestFlowFollows(t *testing.T) {
	m := newMeter(t, 0.1, 0, 0, time.Minute)
	count := 0.0
	for s := 0.0; s < 400; s++ {
		if s > 100 && s <= 200 {
			count += 50 // 300 L/min
		}
		flow, _ := m.see(s, count)
		switch {
		case s > 101 && s <= 200 && math.Abs(flow.Value-300) > 1e-9,
			s == 203 && flow.Value > 101, s >= 260 && flow.Value != 0:
			t.Errorf("at %v s: flow %v L/min", s, flow.Value)
		}
	}
}

// A fast counter whose single pulse is known is followed from one look to the next.
func TestFastFlowFollowsAtOnce(t *testing.T) {
	m := newMeter(t, 1, 0, 0, time.Minute)
	count := 0.0
	for s, step := range []float64{0, 50, 49, 50, 51, 50, 25, 25, 25, 100, 100} {
		count += step
		flow, _ := m.see(float64(s), count)
		if s >= 3 && math.Abs(flow.Value-60*step) > 0.05*60*step {
			t.Errorf("at %d s: flow %v, want %v", s, flow.Value, 60*step)
		}
	}
	for s := 11.0; s < 100; s++ {
		m.see(s, count)
	}
	if flow, _ := m.see(100, count+50); flow.Value < 60*49 || flow.Value > 60*50 {
		t.Errorf("the first look at a flow that began again gives %v, want 49 to 50 a second", flow.Value)
	}
}

// The flow of a dribble, added up, is about the water that came.
func TestFlowAddsUp(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 10 {
		m := newMeter(t, 1, 0, 0, time.Minute)
		volume, litres, sum := 0.0, 0.0, 0.0
		rate := 0.0
		for s := 0.0; s < 10000; s++ {
			if rng.IntN(200) == 0 {
				rate = max(0, 1.5*rng.Float64()-0.5) // L/s
			}
			volume += rate
			flow, total := m.see(s, math.Floor(volume))
			litres = total.Value
			if flow.Quality == collector.Good {
				sum += flow.Value / 60
			}
			if flow.Value < 0 || flow.Value > 120 {
				t.Fatalf("flow %v L/min", flow.Value)
			}
		}
		if litres != math.Floor(volume) || math.Abs(sum-litres) > 0.12*litres {
			t.Errorf("%v L flowed, the total is %v, the flow adds up to %v", volume, litres, sum)
		}
	}
}

func TestCounters(t *testing.T) {
	type look struct {
		s, count float64
		total    float64
		fault    collector.Fault
	}
	const none, doubt, reset = collector.NoFault, collector.TooFast, collector.CounterReset
	for _, tc := range []struct {
		name          string
		modulus, most float64
		looks         []look
	}{
		{"plain", 0, 0, []look{{0, 500, 0, none}, {1, 501, 1, none}, {2, 501, 1, none}, {3, 511, 11, none}}},
		{"roll-over", 65536, 0, []look{{0, 65530, 0, none}, {1, 65535, 5, none}, {2, 2, 8, none}, {3, 4, 10, none}}},
		{"roll-over of 32 bits", 4294967296, 0, []look{{0, 4294967290, 0, none}, {1, 4, 10, none}}},
		{"a fall without a modulus is no roll-over", 0, 0, []look{{0, 65535, 0, none}, {1, 2, 0, doubt}, {2, 3, 1, reset}, {3, 4, 2, none}}},
		{"reset", 65536, 0, []look{{0, 40000, 0, none}, {1, 40001, 1, none}, {2, 0, 1, doubt}, {3, 1, 2, reset}, {4, 2, 3, none}}},
		{"reset that stands still", 4294967296, 0, []look{{0, 4000000000, 0, none}, {1, 0, 0, doubt}, {2, 0, 0, reset}, {3, 1, 1, none}}},
		{"reset while nobody looked", 4294967296, 0, []look{{0, 100000, 0, none}, {86400, 12, 0, doubt}, {86401, 13, 1, reset}}},
		{"reset near the top, after a minute", 65536, 0, []look{{0, 60000, 0, none}, {60, 12, 0, doubt}, {61, 13, 1, reset}}},
		{"one zero between", 65536, 0, []look{{0, 40000, 0, none}, {1, 0, 0, doubt}, {2, 40001, 1, none}, {3, 40002, 2, none}}},
		{"torn low word", 4294967296, 0, []look{{0, 131070, 0, none}, {1, 65536, 0, doubt}, {2, 131073, 3, none}}},
		{"torn high word", 4294967296, 0, []look{{0, 131070, 0, none}, {1, 196607, 0, doubt}, {2, 131073, 3, none}}},
		{"torn after a minute", 4294967296, 0, []look{{0, 131070, 0, none}, {100, 196607, 0, doubt}, {101, 131073, 3, none}}},
		{"torn at the first look", 0, 0, []look{{0, 196607, 0, none}, {1, 131073, 0, doubt}, {2, 131074, 1, reset}, {3, 131075, 2, none}}},
		{"replaced by one that shows more", 0, 0, []look{{0, 500, 0, none}, {1, 900000, 0, doubt}, {2, 900001, 1, reset}, {3, 900002, 2, none}}},
		{"replaced by one that shows less", 0, 0, []look{{0, 900000, 0, none}, {1, 500, 0, doubt}, {2, 501, 1, reset}}},
		{"more than can be", 0, 5, []look{{0, 500, 0, none}, {1, 505, 5, none}, {2, 600, 5, doubt}, {3, 601, 6, reset}}},
		{"much in a long outage", 0, 0, []look{{0, 1000, 0, none}, {86400, 61000, 0, doubt}, {86401, 61001, 60001, none}}},
		{"little in a long outage", 0, 0, []look{{0, 1000, 0, none}, {86400, 21000, 20000, none}}},
		{"nonsense three times", 0, 0, []look{{0, 1e6, 0, none}, {1, 7e5, 0, doubt}, {2, 3e5, 0, doubt}, {3, 1e5, 0, doubt}, {4, 5e4, 0, reset}, {5, 5e4 + 1, 1, none}}},
		{"negative", 0, 0, []look{{0, 5, 0, none}, {1, -3, 0, doubt}, {2, 6, 1, none}}},
		{"late look", 0, 0, []look{{10, 5, 0, none}, {5, 2, 0, none}, {11, 6, 1, none}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			m := newMeter(t, 1, tc.modulus, tc.most, time.Minute)
			for _, l := range tc.looks {
				flow, total := m.see(l.s, l.count)
				if total.Value != l.total || total.Fault != l.fault || total.Quality != l.fault.Quality() {
					t.Errorf("at %v s, count %v: total %v, %v (%s), want %v, %v", l.s, l.count, total.Value, total.Quality, total.Reason(), l.total, l.fault)
				}
				if flow.Value < 0 || flow.Value > 60*61000 {
					t.Errorf("at %v s, count %v: flow %v", l.s, l.count, flow.Value)
				}
			}
		})
	}
}

func TestCounterWords(t *testing.T) {
	m := newMeter(t, 1, 0, 0, time.Minute)
	m.see(0, 900000)
	_, total := m.see(1, 500)
	if want := "counter went from 900000 to 500, the next look tells"; total.Detail != want || total.Quality != collector.Uncertain {
		t.Errorf("%+v, want %s", total, want)
	}
	if _, total = m.see(2, 501); !strings.HasPrefix(total.Detail, "fell from 900000, counts on from 501") || total.Quality != collector.Good {
		t.Errorf("%+v", total)
	}
}

// TestCounterAgainstTruth feeds a true count through roll-over, torn words,
// lost looks and gaps; the total must be the truth whenever two looks were clean.
func TestCounterAgainstTruth(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	seen := map[string]int{}
	for range 120 {
		modulus := []float64{65536, 4294967296}[rng.IntN(2)]
		wide := modulus > 65536
		truth := float64(rng.Int64N(int64(modulus)))
		if rng.IntN(2) == 0 {
			truth = modulus - 1 - float64(rng.IntN(300))
		}
		m := newMeter(t, 1, modulus, 0, time.Minute)
		from, clean := truth, 0
		rate := 0.2 + 5*rng.Float64()
		s := 0.0
		for i := range 600 {
			dt := 1.0
			if i > 50 && rng.IntN(100) == 0 {
				dt = float64(rng.IntN(600))
				seen["gap"]++
			}
			s += dt
			before := truth
			truth += math.Floor(rate*dt + rng.Float64())
			count := math.Mod(truth, modulus)
			if i == 0 {
				before, from = truth, truth
			}
			switch low := math.Mod(before, 65536) > math.Mod(truth, 65536); {
			case i > 0 && wide && low && dt == 1: // the carry is the moment a reading can tear
				count = math.Mod(truth+65536, modulus)
				if rng.IntN(2) == 0 {
					count = math.Mod(truth+modulus-65536, modulus)
				}
				clean = -1
				seen["torn"]++
			case i > 0 && rng.IntN(50) == 0:
				m.s.Step(sec(s), []collector.Reading{bad(0, s, "")}, nil)
				seen["bad"]++
				continue
			}
			if math.Mod(before, modulus) > math.Mod(truth, modulus) {
				seen["rolled"]++
			}
			clean++
			_, total := m.see(s, count)
			if clean >= 2 && total.Value != truth-from {
				t.Fatalf("look %d: total %v, truth %v (modulus %v, rate %v)", i, total.Value, truth-from, modulus, rate)
			}
			if total.Value > truth-from {
				t.Fatalf("look %d: total %v is more than the truth %v", i, total.Value, truth-from)
			}
		}
	}
	for _, k := range []string{"gap", "bad", "rolled"} {
		if seen[k] < 30 {
			t.Errorf("only %d of %s were tried", seen[k], k)
		}
	}
	t.Log(seen)
}

// After a restart the pulses of the outage are counted, and the clock of 1970 does no harm.
func TestTotalsOutliveARestart(t *testing.T) {
	m := newMeter(t, 10, 0, 0, time.Minute)
	m.see(0, 100)
	m.see(1, 103)
	counts := m.s.Counts()
	if len(counts) != 1 || counts[0].Point != 2 || counts[0].Pulses != 3 || counts[0].Last != 103 {
		t.Fatalf("%+v", counts)
	}
	again := newMeter(t, 10, 0, 0, time.Minute)
	again.s.Restore(sec(3600), append(counts, compute.Count{Point: 1, Pulses: 5}))
	if _, total := again.see(3600, 133); total.Value != 330 || total.Quality != collector.Good {
		t.Errorf("%+v, want 330 L", total)
	}
	early := newMeter(t, 10, 0, 0, time.Minute)
	early.s.Restore(5e9, counts)
	for i, want := range []float64{50, 60} {
		at := collector.Moment(6e9 + 1e9*float64(i))
		out := early.s.Step(at, []collector.Reading{{Point: 0, Value: 105 + float64(i), Quality: collector.Good, At: at}}, nil)
		if out[1].Value != want {
			t.Errorf("%+v, want %v L", out[1], want)
		}
	}
}

// A device whose clock once said 2055 must not stop the flow.
func TestCounterSurvivesAFutureStamp(t *testing.T) {
	m := newMeter(t, 10, 0, 0, time.Minute)
	m.see(0, 5)
	r := good(0, 6, 1e9)
	m.s.Step(sec(10), []collector.Reading{r}, nil)
	if flow, total := m.see(20, 8); total.Value != 30 || flow.Value != 120 {
		t.Errorf("total %v, flow %v, want 30 and 120", total.Value, flow.Value)
	}
}

// Nor one whose clock was set back by an hour; what is merely late is passed over.
func TestCounterSurvivesAClockSetBack(t *testing.T) {
	m := newMeter(t, 10, 0, 0, time.Minute)
	m.see(0, 5)
	m.see(10, 8)
	if _, total := m.see(5, 6); total.Value != 30 {
		t.Errorf("a late look makes %v L, want 30", total.Value)
	}
	for x := 20.0; x <= 100; x += 10 {
		r := good(0, 8+x/10, x-3600)
		m.out = m.s.Step(sec(x), []collector.Reading{r}, m.out[:0])
	}
	if m.out[1].Value != 130 || math.Abs(m.out[0].Value-60) > 1e-9 {
		t.Errorf("total %v, flow %v, want 130 and 60", m.out[1].Value, m.out[0].Value)
	}
}
