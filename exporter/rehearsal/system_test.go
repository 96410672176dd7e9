package rehearsal_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/exporter/rehearsal"
	"roundsman/exporter/review"
	"roundsman/rules"
)

// noisy is an hour and a half of two points at 1 s: a level that wanders about its limits, and a contact.
func noisy(seed uint64) (csv []byte, times []collector.Moment, values [][2]float64) {
	random := rand.New(rand.NewPCG(seed, 1))
	begin := time.Date(2026, 7, 1, 6, 10, 0, 0, time.UTC)
	csv = []byte("time,level,closed\n")
	level, closed := 5.0, 0.0
	for i := range 5400 {
		if level += random.NormFloat64() / 4; level < 0 || level > 10 {
			level = 5
		}
		if random.IntN(300) == 0 {
			closed = 1 - closed
		}
		at := begin.Add(time.Duration(i) * time.Second)
		csv = fmt.Appendf(csv, "%s,%g,%g\n", at.Format(time.RFC3339), level, closed)
		times, values = append(times, collector.At(at)), append(values, [2]float64{level, closed})
	}
	return csv, times, values
}

func noisySite() rehearsal.Site {
	closed := rules.Condition{Name: "closed", Terms: []rules.Term{{Point: 1, Op: rules.Greater, Value: 0.5, Condition: -1}}}
	rule := func(name string, kind rules.Kind, limit float64, p rules.Priority, r rules.Rule) rules.Rule {
		r.Name, r.Kind, r.Limit, r.Priority, r.Other = name, kind, limit, p, collector.NoPoint
		return r
	}
	return rehearsal.Site{
		Points: []collector.Point{{ID: 0, Name: "level"}, {ID: 1, Name: "closed"}},
		Rules: rules.Set{Conditions: []rules.Condition{closed}, Rules: []rules.Rule{
			rule("low", rules.Low, 4, rules.HighPriority, rules.Rule{SuppressWhen: []int{0}}),
			rule("high", rules.High, 6, rules.MediumPriority, rules.Rule{OnDelay: 3 * time.Second, OffDelay: 5 * time.Second, AutoAcknowledge: true}),
			rule("note", rules.High, 5, rules.Note, rules.Rule{Deadband: 1, Latch: true}),
		}},
	}
}

// The figures are those of a journal that the engine's events had made.
func TestAlarmSystemIsThatOfTheJournal(t *testing.T) {
	for seed := range uint64(4) {
		csv, times, values := noisy(seed)
		site := noisySite()
		report, _ := rehearse(t, site, bytes.NewReader(csv), rehearsal.Options{NoSuggestions: true})
		got, err := report.AlarmSystem()
		if err != nil {
			t.Fatal(err)
		}

		engine, err := rules.New(site.Points, site.Rules)
		if err != nil {
			t.Fatal(err)
		}
		var b review.Builder
		take := func(events []rules.Event) {
			for i := range events {
				r := &site.Rules.Rules[events[i].Rule]
				b.Add(review.Event(&events[i], r, site.Points[r.Point].Name))
			}
		}
		for i, now := range times {
			for next := engine.Next(); next < now; next = engine.Next() {
				events, _ := engine.Step(next, nil, nil)
				take(events)
			}
			events, _ := engine.Step(now, []collector.Reading{{Point: 0, Value: values[i][0], Quality: collector.Good, At: now}, {Point: 1, Value: values[i][1], Quality: collector.Good, At: now}}, nil)
			take(events)
		}
		from := time.Unix(0, int64(times[0])).UTC()
		want, err := review.Alarms(b.Activations(), review.Span{From: from, To: from.Add(5400 * time.Second)}, review.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("seed %d (-journal +rehearsal):\n%s", seed, diff)
		}
		if got.Alarms < 20 || got.Notes == 0 || len(got.Chattering) == 0 {
			t.Errorf("seed %d rang only %d alarms and %d notes, %d chattered", seed, got.Alarms, got.Notes, len(got.Chattering))
		}
		var text bytes.Buffer
		var all struct{ Figures review.Figures }
		if err := report.WriteJSON(&text, rehearsal.Ledger{}); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(text.Bytes(), &all); err != nil || all.Figures.Alarms != want.Alarms || !all.Figures.To.Equal(want.To) {
			t.Errorf("as JSON: %d alarms until %v, %v", all.Figures.Alarms, all.Figures.To, err)
		}
	}
}

// What starts with the last reading counts; times that no figures can be reckoned from leave them out.
func TestAlarmSystemAtTheEdges(t *testing.T) {
	site := one(rules.Rule{Kind: rules.High, Limit: 10})
	report, _ := rehearse(t, site, bytes.NewReader([]byte("time,p\n0,5\n10.5,50\n")), rehearsal.Options{})
	f, err := report.AlarmSystem()
	if err != nil || f.Alarms != 1 || !f.To.Equal(time.Unix(11, 0)) {
		t.Errorf("%d alarms until %v, %v", f.Alarms, f.To, err)
	}
	report, ledger := rehearse(t, site, bytes.NewReader([]byte("time,p\n-9000000000,5\n-8999999990,50\n")), rehearsal.Options{})
	if f, err := report.AlarmSystem(); err == nil {
		t.Errorf("figures of the year 1684: %+v", f)
	}
	var text bytes.Buffer
	if err := report.WriteJSON(&text, ledger); err != nil || bytes.Contains(text.Bytes(), []byte("figures")) || !json.Valid(text.Bytes()) {
		t.Errorf("%v: %s", err, &text)
	}
}
