package rehearsal_test

import (
	"bytes"
	"io"
	"math"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/rehearsal"
	"roundsman/rules"
)

// Rules with the limits of the reference figures over open data: what is suggested for those that chatter is put into the
// rules, and the rehearsal is run again. Alarms and chatter must be what was promised.
func TestSuggestionsHold(t *testing.T) {
	found, chatters := 0, 0
	for _, set := range []string{"metropt3", "hydraulic-rig", "skab"} {
		for file, figures := range readFigures(t, set) {
			if file == "cycles-0000-0359.csv.gz" { // long; the other slice of the set has the same rules
				continue
			}
			d := load(t, set, file, figures.signals()...)
			site := rehearsal.Site{Points: d.points()}
			for i := range figures.Alarms {
				r := figures.Alarms[i].rule(i, d.id(figures.Alarms[i].Signal))
				r.TimeToRespond = 4 * time.Minute
				site.Rules.Rules = append(site.Rules.Rules, r)
			}
			report, _ := rehearse(t, site, bytes.NewReader(d.csv), rehearsal.Options{})
			promised := map[int]*rehearsal.Suggestion{}
			for _, f := range report.Figures {
				s := f.Suggestion
				if (s != nil) != (f.Chattering > 0) {
					t.Errorf("%s: %s: chatter %d, suggestion %v", file, report.Rules[f.Rule].Name, f.Chattering, s)
				}
				if s == nil {
					continue
				}
				chatters++
				checkEvidence(t, file, &report.Rules[f.Rule], &f)
				if s.Found {
					promised[f.Rule] = s
					r := &site.Rules.Rules[f.Rule]
					r.Deadband, r.OnDelay, r.OffDelay = s.Deadband, s.OnDelay, s.OffDelay
				}
			}
			again, _ := rehearse(t, site, bytes.NewReader(d.csv), rehearsal.Options{NoSuggestions: true})
			for _, f := range again.Figures {
				s := promised[f.Rule]
				if s == nil {
					continue
				}
				found++
				if got := (rehearsal.Trial{Activations: f.Activations, Chattering: f.Chattering}); got != s.After || got.Chattering != 0 {
					t.Errorf("%s: %s with deadband %g, on-delay %v, off-delay %v: got %+v, promised %+v", file, report.Rules[f.Rule].Name, s.Deadband, s.OnDelay, s.OffDelay, got, s.After)
				}
			}
		}
	}
	t.Logf("%d rules chatter, %d suggestions hold", chatters, found)
	if found < 20 {
		t.Errorf("only %d suggestions for %d rules that chatter", found, chatters)
	}
}

func checkEvidence(t *testing.T, file string, rule *rules.Rule, f *rehearsal.Figures) {
	t.Helper()
	s := f.Suggestion
	switch {
	case s.MostDelay != time.Minute:
		t.Errorf("%s: %s: most delay %v, want a quarter of 4m", file, rule.Name, s.MostDelay)
	case s.Before != rehearsal.Trial{Activations: f.Activations, Chattering: f.Chattering} && !s.Partial:
		t.Errorf("%s: %s: before %+v, the rehearsal says %d, %d", file, rule.Name, s.Before, f.Activations, f.Chattering)
	case !s.Found && s.Reason == "":
		t.Errorf("%s: %s: nothing found, and no reason", file, rule.Name)
	case s.Found && (s.Kept != s.TrueAlarms || s.LargestDelay > s.MostDelay || s.Deadband < rule.Deadband || s.OnDelay < rule.OnDelay || s.OffDelay < rule.OffDelay):
		t.Errorf("%s: %s: got %+v", file, rule.Name, *s)
	}
}

// saw returns a signal that swings by swing around level, a second each way.
func saw(level, swing float64, n int) []float64 {
	list := make([]float64, n)
	for i := range list {
		list[i] = level + swing
		if i%2 == 1 {
			list[i] = level - swing
		}
	}
	return list
}

func suggestionFor(t *testing.T, r rules.Rule, values []float64, o rehearsal.Options) *rehearsal.Suggestion {
	t.Helper()
	return runTrace(t, r, values, o).Figures[0].Suggestion
}

// Signals of which it is plain what is smallest.
func TestSmallestSuggestion(t *testing.T) {
	quiet, alarm := held(20, 300), held(80, 300)
	join := func(parts ...[]float64) []float64 {
		var all []float64
		for _, p := range parts {
			all = append(all, p...)
		}
		return all
	}
	t.Run("deadband", func(t *testing.T) {
		// falls back to 49.6 while it swings: a deadband of 0.3 does not reach, 0.5 does (steps of 1, 2, 3, 5)
		s := suggestionFor(t, rules.Rule{Kind: rules.High, Limit: 50}, join(quiet, saw(50, 0.4, 60), alarm, quiet), rehearsal.Options{})
		if !s.Found || s.Deadband != 0.5 || s.OnDelay != 0 || s.OffDelay != 0 || s.LargestDelay != 0 || s.TrueAlarms != 1 || s.Kept != 1 {
			t.Errorf("got %+v", *s)
		}
		if s.After != (rehearsal.Trial{Activations: 1}) || s.Before.Activations != 31 {
			t.Errorf("got %+v, %+v", s.Before, s.After)
		}
		if s.OffDelayAlone == nil || *s.OffDelayAlone != 2*time.Second {
			t.Errorf("a swing of a second each way asks for an off-delay of 2 s alone: got %v", s.OffDelayAlone)
		}
	})
	t.Run("off-delay for a contact", func(t *testing.T) {
		s := suggestionFor(t, rules.Rule{Kind: rules.Equals, Limit: 1}, join(held(0, 100), saw(0.5, 0.5, 40), held(1, 200, 0, 200)), rehearsal.Options{})
		if !s.Found || s.OffDelay != 2*time.Second || s.OnDelay != 0 || s.DeadbandAlone != nil {
			t.Errorf("got %+v", *s)
		}
	})
	t.Run("on-delay where touches need nobody", func(t *testing.T) {
		// one-second touches ten seconds apart for ever: no deadband of a tenth of the range reaches back to 20
		var touches []float64
		for range 60 {
			touches = append(touches, held(80, 1, 20, 9)...)
		}
		r := rules.Rule{Kind: rules.High, Limit: 50, OffDelay: 0, TimeToRespond: 40 * time.Second}
		s := suggestionFor(t, r, join(quiet, touches, quiet, alarm, quiet), rehearsal.Options{MostDelay: 10 * time.Second})
		if !s.Found || s.OffDelay != 10*time.Second {
			t.Errorf("got %+v", *s)
		}
		if s.OnDelayAlone != nil { // the touches are one incident of ten minutes: an on-delay would lose it
			t.Errorf("an on-delay of %v loses an alarm that goes on for ten minutes", *s.OnDelayAlone)
		}
	})
	t.Run("no deadband that hides the second alarm behind the first", func(t *testing.T) {
		// swings back to 48.9, so a deadband must be 2; with that the first alarm would stand through 49.2 into the second
		s := suggestionFor(t, rules.Rule{Kind: rules.High, Limit: 50}, join(quiet, saw(49.65, 0.75, 100), held(49.2, 120, 51, 100), quiet), rehearsal.Options{})
		if !s.Found || s.DeadbandAlone != nil || s.Deadband != 0 || s.OffDelay != 2*time.Second || s.TrueAlarms != 2 || s.After.Activations != 2 {
			t.Errorf("got %+v", *s)
		}
	})
	t.Run("nothing", func(t *testing.T) {
		// Three starts twelve seconds apart, then for five minutes touches too short to start anything, then three starts
		// again. An off-delay that joins the three is restarted by each touch and hides the second three; a longer on-delay
		// starts neither.
		three := held(1, 4, 0, 12, 1, 4, 0, 12, 1, 4, 0, 10)
		var touches []float64
		for range 30 {
			touches = append(touches, held(1, 1, 0, 10)...)
		}
		r := rules.Rule{Kind: rules.Equals, Limit: 1, OnDelay: 3 * time.Second}
		s := suggestionFor(t, r, join(held(0, 100), three, touches, three, held(0, 100)), rehearsal.Options{MostDelay: 10 * time.Second})
		if s.Found || s.Reason == "" || s.TrueAlarms != 2 || s.Before != (rehearsal.Trial{Activations: 6, Chattering: 2}) || s.OffDelayAlone != nil || s.OnDelayAlone != nil {
			t.Errorf("got %+v", *s)
		}
	})
	t.Run("a rule that does not chatter is left alone", func(t *testing.T) {
		if s := suggestionFor(t, rules.Rule{Kind: rules.High, Limit: 50}, join(quiet, alarm, quiet, alarm), rehearsal.Options{}); s != nil {
			t.Errorf("got %+v", *s)
		}
	})
}

// A true alarm may not be delayed by more than was allowed: with less room there is another suggestion or none.
func TestMostDelay(t *testing.T) {
	values := held(0, 100)
	for range 30 {
		values = append(values, held(1, 3, 0, 3)...)
	}
	values = append(values, held(1, 300, 0, 100)...)
	r := rules.Rule{Kind: rules.Equals, Limit: 1}
	for _, most := range []time.Duration{time.Second, 5 * time.Second, 4 * time.Minute} {
		s := suggestionFor(t, r, values, rehearsal.Options{MostDelay: most})
		if s.MostDelay != most || s.Found && s.LargestDelay > most {
			t.Errorf("most delay %v: got %+v", most, *s)
		}
		if alone := s.OnDelayAlone; (alone != nil) != (most == 4*time.Minute) {
			t.Errorf("most delay %v: an on-delay alone would be %v; it starts the last alarm three minutes after the first touch", most, alone)
		}
	}
	r.TimeToRespond = 2 * time.Second
	if s := suggestionFor(t, r, values, rehearsal.Options{MostDelay: time.Minute}); s.MostDelay != 2*time.Second {
		t.Errorf("longer than the time to respond: got %v", s.MostDelay)
	}
}

// Bad readings, While and suppression take part in the trial as they did in the rehearsal.
func TestTrialsSeeWhatTheEngineSaw(t *testing.T) {
	site := rehearsal.Site{
		Points: []collector.Point{{ID: 0, Name: "p", Low: 0, High: 10}, {ID: 1, Name: "runs", Kind: collector.State}, {ID: 2, Name: "closed", Kind: collector.State}},
		Rules: rules.Set{
			Conditions: []rules.Condition{{Name: "closed", Terms: []rules.Term{{Point: 2, Op: rules.Equal, Value: 1, Condition: -1}}}},
			Rules: []rules.Rule{{Name: "a", Kind: rules.Low, Limit: 5, Deadband: 0.1, OnDelay: 2 * time.Second, OffDelay: time.Second, Other: collector.NoPoint,
				OnTotal: 20 * time.Second, OnWithin: time.Minute,
				While: []rules.Term{{Point: 1, Op: rules.Equal, Value: 1, Condition: -1}}, SuppressWhen: []int{0}}},
		},
	}
	src := &noise{points: 3, left: 20000}
	report, err := rehearsal.Run(t.Context(), site, src, rehearsal.Options{MostDelay: 20 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	f := report.Figures[0]
	if f.Chattering == 0 || f.Suggestion.Before != (rehearsal.Trial{Activations: f.Activations, Chattering: f.Chattering}) {
		t.Fatalf("got %+v, %+v", f, f.Suggestion)
	}
	s := f.Suggestion
	if !s.Found {
		t.Fatalf("nothing is suggested: %s", s.Reason)
	}
	r := &site.Rules.Rules[0]
	r.Deadband, r.OnDelay, r.OffDelay = s.Deadband, s.OnDelay, s.OffDelay
	again, err := rehearsal.Run(t.Context(), site, &noise{points: 3, left: 20000}, rehearsal.Options{NoSuggestions: true})
	if err != nil {
		t.Fatal(err)
	}
	if g := again.Figures[0]; g.Activations != s.After.Activations || g.Chattering != 0 {
		t.Errorf("got %d, %d, promised %+v", g.Activations, g.Chattering, s.After)
	}
}

// FuzzTrials holds the trials to the engine over random signals and rules: what the candidate that is the rule itself
// does on the notes must be what the rehearsal saw, and what is promised must come true.
func FuzzTrials(f *testing.F) {
	f.Add(uint64(1), uint8(0), uint8(2), uint8(1), false)
	f.Add(uint64(2), uint8(3), uint8(0), uint8(0), true)
	f.Add(uint64(3), uint8(10), uint8(5), uint8(30), true)
	f.Add(uint64(4), uint8(1), uint8(0), uint8(3), false)
	f.Fuzz(func(t *testing.T, seed uint64, deadband, on, off uint8, high bool) {
		r := rules.Rule{Name: "a", Kind: rules.Low, Limit: 5, Deadband: float64(deadband) / 100, OnDelay: time.Duration(on) * time.Second, OffDelay: time.Duration(off) * time.Second, Other: collector.NoPoint}
		if high {
			r.Kind = rules.High
		}
		site := rehearsal.Site{Points: []collector.Point{{Name: "p", Low: 0, High: 10}}, Rules: rules.Set{Rules: []rules.Rule{r}}}
		report, err := rehearsal.Run(t.Context(), site, &noise{points: 1, left: 2000, state: seed}, rehearsal.Options{})
		if err != nil {
			t.Fatal(err)
		}
		s := report.Figures[0].Suggestion
		if s == nil {
			return
		}
		if want := (rehearsal.Trial{Activations: report.Figures[0].Activations, Chattering: report.Figures[0].Chattering}); s.Before != want {
			t.Fatalf("on the notes %+v, in the rehearsal %+v", s.Before, want)
		}
		if !s.Found {
			return
		}
		c := &site.Rules.Rules[0]
		c.Deadband, c.OnDelay, c.OffDelay = s.Deadband, s.OnDelay, s.OffDelay
		again, err := rehearsal.Run(t.Context(), site, &noise{points: 1, left: 2000, state: seed}, rehearsal.Options{NoSuggestions: true})
		if err != nil {
			t.Fatal(err)
		}
		if g := again.Figures[0]; g.Activations != s.After.Activations || g.Chattering != 0 {
			t.Fatalf("got %d, %d, promised %+v", g.Activations, g.Chattering, s.After)
		}
	})
}

// noise is a source of a value that wanders about 5 with bad readings and gaps, and of states that change now and then.
type noise struct {
	points, left int
	state        uint64
	now          collector.Moment
	value        float64
	states       [4]float64
	out          []collector.Reading
}

func (s *noise) random() uint64 {
	s.state += 0x9e3779b97f4a7c15
	z := s.state
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

func (s *noise) Next() (collector.Moment, []collector.Reading, error) {
	if s.left == 0 {
		return 0, nil, io.EOF
	}
	s.left--
	s.now += collector.Moment(time.Second)
	if s.random()%40 == 0 {
		s.now += collector.Moment(s.random() % uint64(20*time.Second))
	}
	s.value = 0.98*s.value + 0.2*(float64(s.random()%1000)/500-1)
	s.out = append(s.out[:0], collector.Reading{Value: 5 + math.Round(s.value*1000)/1000, At: s.now, Quality: collector.Good})
	if s.random()%30 == 0 {
		s.out[0] = collector.Reading{At: s.now, Quality: collector.Bad}
	}
	for p := 1; p < s.points; p++ {
		if s.random()%400 == 0 || s.now < collector.Moment(5*time.Second) {
			s.states[p] = float64(s.random() % 2)
		}
		s.out = append(s.out, collector.Reading{Point: collector.PointID(p), Value: s.states[p], At: s.now, Quality: collector.Good})
	}
	return s.now, s.out, nil
}
