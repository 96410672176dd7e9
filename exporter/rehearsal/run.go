package rehearsal

import (
	"context"
	"errors"
	"io"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/rules"
)

// Site is what is rehearsed: the points, those that are computed, and the rules.
type Site struct {
	Points  []collector.Point
	Compute []compute.Spec
	Rules   rules.Set
}

// Options of a rehearsal. The zero value runs the rules as they are and looks for suggestions.
type Options struct {
	// WhatIf are the same rules with other deadbands and delays; see Change. Nil: none. The report is about them, with
	// the counts of the rules as written beside.
	WhatIf *rules.Set
	// MostDelay is how much later than now a true alarm may start by a suggestion. 0: a quarter of the rule's
	// time to respond, or DefaultMostDelay without one. It is never longer than the time to respond.
	MostDelay time.Duration
	// NoSuggestions leaves out the search for better deadbands and delays.
	NoSuggestions bool
}

// DefaultMostDelay is for rules without a time to respond.
const DefaultMostDelay = 30 * time.Second

// errNoRows: there is nothing to rehearse with.
var errNoRows = errors.New("no readings in the data, or none in the time asked for")

// run is one rehearsal at work.
type run struct {
	site   Site
	set    *compute.Set // nil if nothing is computed
	stages []*stage     // as rehearsed; then, with WhatIf, as written
	study  *study       // nil without suggestions
	forms  forms

	all, computed []collector.Reading
	seen          []bool // by point: a usable reading came
	first, last   collector.Moment
}

// Run takes the source from beginning to end. It reads no clock: all time is the source's.
func Run(ctx context.Context, site Site, src Source, o Options) (*Report, error) {
	r, err := newRun(site, src, o)
	if err != nil {
		return nil, err
	}
	timed, _ := src.(Timed)
	var form Form
	for n := 0; ; n++ {
		if n&1023 == 0 && ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
		now, readings, err := src.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if timed != nil {
			form = timed.Form()
		}
		if n == 0 {
			r.first = now
		}
		r.step(now, readings, form)
	}
	if len(r.forms.list) == 0 {
		return nil, errNoRows
	}
	return r.report(form, o), nil
}

func newRun(site Site, src Source, o Options) (*run, error) {
	r := &run{site: site, seen: make([]bool, len(site.Points))}
	if c, ok := src.(Columned); ok {
		given := c.Columns()
		r.site.Compute = slices.DeleteFunc(slices.Clone(site.Compute), func(s compute.Spec) bool { return slices.Contains(given, s.Point) })
	}
	if len(r.site.Compute) > 0 {
		set, err := compute.New(site.Points, r.site.Compute)
		if err != nil {
			return nil, err
		}
		r.set = set
	}
	sets := []rules.Set{site.Rules}
	if o.WhatIf != nil {
		sets = []rules.Set{*o.WhatIf, site.Rules}
	}
	for _, set := range sets {
		s, err := newStage(site.Points, set, len(r.stages) == 0)
		if err != nil {
			return nil, err
		}
		r.stages = append(r.stages, s)
	}
	if o.NoSuggestions {
		return r, nil
	}
	var err error
	r.study, err = newStudy(site.Points, sets[0])
	return r, err
}

// step takes the readings of one moment as the daemon takes a batch.
func (r *run) step(now collector.Moment, readings []collector.Reading, form Form) {
	if len(r.forms.list) == 0 || *r.forms.list[len(r.forms.list)-1] != form {
		r.forms.time(now, form)
	}
	if r.set != nil {
		r.computed = r.set.Step(now, readings, r.computed[:0])
		r.all = append(append(r.all[:0], readings...), r.computed...)
		readings = r.all
	}
	for i := range readings {
		r.seen[readings[i].Point] = true
	}
	for _, s := range r.stages {
		s.step(now, readings)
		for _, k := range s.changed {
			s.note(k, &r.forms, form)
		}
	}
	if r.study != nil {
		r.study.step(now, readings, r.stages[0].suppressions)
	}
	r.last = now
}
