package rehearsal

import (
	"cmp"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/sorting"
	"roundsman/rules"
)

// Report is the outcome of a rehearsal.
type Report struct {
	Points   []collector.Point
	Rules    []rules.Rule // as rehearsed
	From, To Time         // first and last moment of the data
	Alarms   []Alarm      // in the order of their starts
	Figures  []Figures    // worst first: by activations, then by time active
	WhatIf   bool         // Figures have Before
	Silent   []Silence    // points that rules look at and that had no reading
}

// Alarm is one activation.
type Alarm struct {
	Rule   int
	Start  Time
	End    Time // means nothing while Active
	Active bool // still so when the data end
	// Silenced: it was suppressed by design, its condition was still true.
	Silenced bool
	// Peak is the worst value in the point's unit, or of what the rule compares; NaN where there is none.
	Peak float64
}

// Figures are what one rule's alarms were worth.
type Figures struct {
	Rule        int
	Activations int
	Active      time.Duration // all of them together, until the end of the data
	Longest     time.Duration
	Chattering  int     // windows of three starts within a minute
	Fleeting    int     // activations that ended within a minute and did not repeat
	Suppressed  int     // times its condition became true while it was suppressed by design
	Share       float64 // of all activations, 0 to 1
	Silent      bool    // its point had no reading: it was not rehearsed
	Before      Counts  // of the rule as written, with Options.WhatIf
	Suggestion  *Suggestion
}

// Counts are the figures that a change is judged by.
type Counts struct {
	Activations, Chattering, Fleeting int
	Active                            time.Duration
}

// Silence is a point without readings and the rules that therefore said nothing, or less.
type Silence struct {
	Point collector.PointID
	Rules []int
}

func (r *run) report(form Form, o Options) *Report {
	main := r.stages[0]
	for _, s := range r.stages {
		s.finish(r.last)
	}
	rep := &Report{
		Points: r.site.Points, Rules: main.rules, WhatIf: len(r.stages) > 1,
		From: Time{r.first, r.forms.list[0]}, To: r.forms.time(r.last, form),
		Alarms: make([]Alarm, len(main.alarms)), Silent: r.silent(),
	}
	for i, a := range main.alarms {
		rep.Alarms[i] = Alarm{Rule: int(a.rule), Start: a.start, End: a.end, Active: a.active, Silenced: a.silenced, Peak: a.peak}
	}
	for i := range main.tallies {
		rep.Figures = append(rep.Figures, r.figures(i, len(main.alarms)))
		if t := &main.tallies[i]; r.study != nil && t.chatter > 0 {
			rep.Figures[i].Suggestion = r.study.suggest(i, t, r.last, r.mostDelay(i, o), &r.forms, form)
		}
	}
	sorting.StableFunc(rep.Figures, func(a, b Figures) int {
		return cmp.Or(cmp.Compare(b.Activations, a.Activations), cmp.Compare(b.Active, a.Active))
	})
	return rep
}

func (r *run) figures(i, all int) Figures {
	t := &r.stages[0].tallies[i]
	f := Figures{Rule: i, Activations: t.activations, Active: t.total, Longest: t.longest, Chattering: t.chatter, Fleeting: t.fleeting, Suppressed: t.suppressed}
	f.Silent = !r.seen[r.stages[0].rules[i].Point]
	if all > 0 {
		f.Share = float64(t.activations) / float64(all)
	}
	if len(r.stages) > 1 {
		b := &r.stages[1].tallies[i]
		f.Before = Counts{b.activations, b.chatter, b.fleeting, b.total}
	}
	return f
}

func (r *run) mostDelay(i int, o Options) time.Duration {
	respond := r.stages[0].rules[i].TimeToRespond
	most := o.MostDelay
	switch {
	case most == 0 && respond > 0:
		return respond / 4
	case most == 0:
		return DefaultMostDelay
	case respond > 0:
		return min(most, respond)
	}
	return most
}

// silent returns the points that rules judge and that nothing was read of.
func (r *run) silent() []Silence {
	users := make([][]int, len(r.site.Points))
	set := r.stages[0].rules
	for i := range set {
		for _, p := range looksAt(&set[i]) {
			if !slices.Contains(users[p], i) {
				users[p] = append(users[p], i)
			}
		}
	}
	var list []Silence
	for p, rs := range users {
		if len(rs) > 0 && !r.seen[p] {
			list = append(list, Silence{collector.PointID(p), rs})
		}
	}
	return list
}

// looksAt returns the points that a rule itself looks at, conditions by name left out.
func looksAt(r *rules.Rule) []collector.PointID {
	list := []collector.PointID{r.Point}
	if (r.Kind == rules.Deviation || r.Kind == rules.Discrepancy) && r.Other != collector.NoPoint {
		list = append(list, r.Other)
	}
	if r.Formula != nil {
		list = append(list, r.Formula.Points()...)
	}
	terms := slices.Concat(r.While, r.After)
	if r.Kind == rules.Discrepancy && r.Other == collector.NoPoint {
		terms = append(terms, r.Agree)
	}
	for _, t := range terms {
		if t.Point != collector.NoPoint {
			list = append(list, t.Point)
		}
	}
	return list
}
