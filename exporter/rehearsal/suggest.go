package rehearsal

import (
	"math"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// Suggestion is a deadband with delays under which a rule does not chatter, or why there is none, with the evidence.
type Suggestion struct {
	Found             bool
	Deadband          float64 // in the rule's unit
	OnDelay, OffDelay time.Duration

	Before, After Trial
	MostDelay     time.Duration // the delay allowed
	// TrueAlarms are the incidents that lasted longer than MostDelay; Kept are those that the suggestion still starts,
	// at most MostDelay later; LargestDelay is the most by which it starts one later.
	TrueAlarms, Kept int
	LargestDelay     time.Duration

	// What would do alone, each by itself. Nil: it does not.
	DeadbandAlone               *float64
	OnDelayAlone, OffDelayAlone *time.Duration

	Partial bool   // the rule changes so often that only the data until Until were studied
	Until   Time   // last moment studied
	Reason  string // why none was found
}

// Trial are the counts of a rule with some deadband and delays over the time studied.
type Trial struct{ Activations, Chattering int }

// Usual delays, as people set them.
var usualDelays = [...]time.Duration{
	1 * time.Second, 2 * time.Second, 3 * time.Second, 5 * time.Second, 10 * time.Second, 15 * time.Second, 20 * time.Second, 30 * time.Second,
	45 * time.Second, 60 * time.Second, 90 * time.Second, 2 * time.Minute, 3 * time.Minute, 5 * time.Minute, 10 * time.Minute,
}

// Deadbands are tried from the finest worth showing up to a share of the operating range.
const (
	finestShare = 0.0005
	widestShare = 0.1
)

// deadbands returns 0, the rule's own deadband and wider ones in steps of 1, 2, 3 and 5, rising. The range is the
// instrument's; where it is not known the limit stands for it.
func deadbands(r *rules.Rule, p *collector.Point) []float64 {
	scale := p.High - p.Low
	if !(scale > 0) || math.IsInf(scale, 0) {
		scale = math.Abs(r.Limit)
	}
	list := []float64{0}
	if r.Deadband > 0 {
		list = append(list, r.Deadband)
	}
	least := max(finestShare*scale, p.Resolution)
	if scale == 0 || least == 0 || p.Kind == collector.State {
		return list
	}
	for e := int(math.Floor(math.Log10(least))); ; e++ {
		for _, m := range [...]float64{1, 2, 3, 5} {
			d := nice(m, e)
			if d > widestShare*scale {
				return list
			}
			if d >= least && d > r.Deadband && round9(d) > 0 {
				list = append(list, d)
			}
		}
	}
}

// nice returns m times ten to the e, as a person would type it.
func nice(m float64, e int) float64 {
	if e < 0 {
		return m / math.Pow10(-e)
	}
	return m * math.Pow10(e)
}

// search is the search for one rule.
type search struct {
	t         *tracer
	from, to  collector.Moment
	most      time.Duration
	own       candidate
	incidents []incident
	d, on, of []candidate // alone, from the smallest
	s         *Suggestion
}

// suggest looks for the first good candidate in the order of the package comment.
func (s *study) suggest(rule int, real *tally, last collector.Moment, most time.Duration, f *forms, form Form) *Suggestion {
	t := &s.tracers[rule]
	x := &search{t: t, to: last, most: most, s: &Suggestion{MostDelay: most, Until: f.time(last, form)}}
	if t.full {
		x.to = t.until - 1
		x.s.Partial, x.s.Until = true, f.time(t.until, form)
	}
	if len(t.marks) == 0 {
		x.s.Reason = "its condition was not seen to change"
		return x.s
	}
	x.from = t.sorted()[0].at - 1
	x.own = candidate{max(0, slices.Index(t.deadbands, t.rule.Deadband)), t.rule.OnDelay, t.rule.OffDelay}
	base, err := t.try([]candidate{x.own}, x.from, x.to)
	if err != nil {
		x.s.Reason = err.Error()
		return x.s
	}
	x.s.Before = Trial{len(base[0].starts), base[0].chatter()}
	if !t.full && x.s.Before != (Trial{real.activations, real.chatter}) {
		x.s.Reason = "its condition cannot be tried apart from its deadband and delays"
		return x.s
	}
	x.incidents = base[0].incidents(x.to)
	x.run()
	return x.s
}

func (x *search) run() {
	x.list()
	d, on, off := x.first(x.d), x.first(x.on), x.first(x.of)
	if d != nil {
		x.s.DeadbandAlone = &x.t.deadbands[d.deadband]
	}
	if on != nil {
		x.s.OnDelayAlone = &on.on
	}
	if off != nil {
		x.s.OffDelayAlone = &off.off
	}
	for _, found := range []func() *trial{
		func() *trial { return d },
		func() *trial { return off },
		func() *trial { return x.first(pairs(x.d, x.of)) },
		func() *trial { return on },
		func() *trial { return x.first(pairs(x.d, x.on)) },
		func() *trial { return x.first(pairs(x.on, x.of)) },
	} {
		if best := found(); best != nil {
			x.settle(best)
			return
		}
	}
	_, x.s.TrueAlarms, _ = (&trial{}).kept(x.incidents, x.most, x.to)
	x.s.Reason = "no deadband up to a tenth of the range, no delay allowed and no two of them end the chatter and keep every true alarm"
}

// list makes the candidates that change one thing.
func (x *search) list() {
	for k := x.own.deadband + 1; k < len(x.t.deadbands); k++ {
		x.d = append(x.d, candidate{k, x.own.on, x.own.off})
	}
	respond := x.t.rule.TimeToRespond
	for _, delay := range usualDelays {
		if delay > x.own.on && delay <= x.own.on+x.most && (respond == 0 || delay < respond) {
			x.on = append(x.on, candidate{x.own.deadband, delay, x.own.off})
		}
		if delay > x.own.off && delay <= longestOff {
			x.of = append(x.of, candidate{x.own.deadband, x.own.on, delay})
		}
	}
}

// pairs joins each of two kinds of change, small ones first.
func pairs(a, b []candidate) []candidate {
	var list []candidate
	for sum := 0; sum < len(a)+len(b)-1; sum++ {
		for i := range a {
			if k := sum - i; k >= 0 && k < len(b) {
				list = append(list, candidate{max(a[i].deadband, b[k].deadband), max(a[i].on, b[k].on), max(a[i].off, b[k].off)})
			}
		}
	}
	return list
}

// first returns the first good candidate of a list; nil without one. It tries a few at a time: the small ones mostly do.
func (x *search) first(list []candidate) *trial {
	const few = 16
	for chunk := range slices.Chunk(list, few) {
		shy := make([]candidate, len(chunk))
		for i, c := range chunk {
			shy[i] = x.shy(c)
		}
		trials, err := x.t.try(shy, x.from, x.to)
		if err != nil {
			return nil
		}
		for i := range trials {
			if !x.good(&trials[i]) {
				continue
			}
			exact, err := x.t.try(chunk[i:i+1], x.from, x.to)
			if err == nil && x.good(&exact[0]) {
				return &exact[0]
			}
		}
	}
	return nil
}

// shy returns the candidate with a tenth less of the delays that it changes. It must be good with these too: one that
// ends the chatter only because readings came at exact seconds would not end it in the room.
func (x *search) shy(c candidate) candidate {
	if c.on != x.own.on {
		c.on -= c.on / 10
	}
	if c.off != x.own.off {
		c.off -= c.off / 10
	}
	return c
}

func (x *search) good(d *trial) bool {
	kept, wanted, _ := d.kept(x.incidents, x.most, x.to)
	return kept == wanted && d.chatter() == 0
}

func (x *search) settle(best *trial) {
	s := x.s
	s.Found = true
	s.Deadband, s.OnDelay, s.OffDelay = x.t.rule.Deadband, best.on, best.off
	if isLimit(x.t.rule.Kind) {
		s.Deadband = x.t.deadbands[best.deadband]
	}
	s.After = Trial{len(best.starts), best.chatter()}
	s.Kept, s.TrueAlarms, s.LargestDelay = best.kept(x.incidents, x.most, x.to)
}
