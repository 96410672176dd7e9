package rehearsal_test

import (
	"slices"
	"testing"

	"roundsman/collector"
	"roundsman/exporter/rehearsal"
	"roundsman/exporter/review"
	"roundsman/rules"
)

// Focus keeps a rule with its causes, the conditions that silence it, and only the points that these look at.
func TestFocus(t *testing.T) {
	var points []collector.Point
	for i, name := range []string{"pressure", "mains", "open", "other", "level"} {
		points = append(points, collector.Point{ID: collector.PointID(i), Name: name})
	}
	term := func(p collector.PointID) rules.Term {
		return rules.Term{Point: p, Op: rules.Equal, Value: 1, Condition: -1}
	}
	set := rules.Set{
		Conditions: []rules.Condition{{Name: "unused", Terms: []rules.Term{term(3)}}, {Name: "closed", Terms: []rules.Term{term(2)}}},
		Rules: []rules.Rule{
			{Name: "level", Point: 4, Kind: rules.Low, Other: collector.NoPoint},
			{Name: "mains-lost", Point: 1, Kind: rules.Equals, Other: collector.NoPoint},
			{Name: "air-low", Point: 0, Kind: rules.Low, Limit: 5.5, Other: collector.NoPoint, CausedBy: []int{1}, SuppressWhen: []int{1}},
		},
	}
	focus, needed := rehearsal.Focus(rehearsal.Site{Points: points, Rules: set}, []string{"air-low", "gone"})
	r := focus.Rules.Rules
	if len(r) != 2 || r[0].Name != "mains-lost" || r[1].Name != "air-low" || !slices.Equal(r[1].CausedBy, []int{0}) || set.Rules[2].CausedBy[0] != 1 {
		t.Errorf("rules %+v", r)
	}
	if want := []collector.PointID{0, 1, 2}; !slices.Equal(needed, want) {
		t.Errorf("needed %v, want %v", needed, want)
	}
	if _, err := rules.New(points, focus.Rules); err != nil {
		t.Error(err)
	}
}

func TestWorstWithoutReadings(t *testing.T) {
	f := review.Figures{Frequent: []review.Frequent{{Alarm: "air-low", Point: "pressure", Alarms: 7, Share: 1}}, Rules: []review.RuleFigures{{Rule: "air-low", Chattering: 3, Fleeting: 2}}}
	w := rehearsal.WorstOf(&f, nil, "nothing kept")
	if len(w.Actors) != 1 || w.Why != "nothing kept" || w.Actors[0].Alarms != 7 || w.Actors[0].Chattering != 3 || w.Actors[0].Found || !w.From.IsZero() {
		t.Errorf("%+v", w)
	}
	w = rehearsal.WorstOf(&f, &rehearsal.Report{}, "")
	if w.Actors[0].Words != "The rules have no such alarm any more." {
		t.Errorf("%+v", w.Actors[0])
	}
}
