package configs

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/configs/strict"
	"roundsman/exporter/callout"
	"roundsman/rules"
)

// EightWeeks is how far ahead a rota is proven.
const EightWeeks = 8 * 7 * day

// Holes proves that every rule's call-out reaches somebody, whenever from now until then its alarm starts, or names
// the holes: the call-out, the time in the site's zone, and the rules. It walks from change to change of the rotas,
// so nothing between is missed. Quiet hours and the time outside a call-out's hours are silence on purpose, no holes,
// unless there is nothing else. Errors are alarms that would reach nobody by any step; warnings are those that reach
// nobody by the first step. They stand in the order of the call-outs, and by time.
func (s *Site) Holes(from collector.Moment, span time.Duration) Problems {
	var found Problems
	for i := range s.Callout.Plan.Routes {
		for _, g := range s.groups(i) {
			p := proof{site: s, route: &s.Callout.Plan.Routes[i], place: s.Callout.places[i], all: stretch{from, from.Add(span)}}
			p.prove(g)
			found = append(found, p.found...)
		}
	}
	return found
}

// group are the alarms of one call-out that have the same quiet hours.
type group struct {
	quiet  rules.Hours
	alarms []string
}

// groups returns the alarms that a call-out rings for.
func (s *Site) groups(route int) []group {
	r := &s.Callout.Plan.Routes[route]
	var out []group
	for p := rules.HighPriority; p >= rules.LowPriority; p-- {
		var alarms []string
		for _, a := range s.Rules.Rules {
			if a.CallOut == r.Name && a.Priority == p {
				alarms = append(alarms, a.Name)
			}
		}
		i := slices.IndexFunc(out, func(g group) bool { return g.quiet == r.Quiet[p] })
		switch {
		case len(alarms) == 0:
		case i >= 0:
			out[i].alarms = append(out[i].alarms, alarms...)
		default:
			out = append(out, group{r.Quiet[p], alarms})
		}
	}
	return out
}

// proof is the walk through one call-out.
type proof struct {
	site  *Site
	route *callout.Route
	place strict.Problem
	all   stretch
	found Problems
}

func (p *proof) prove(g group) {
	rings := []stretch{p.all}
	if p.route.Open != nil {
		rings = during(p.route.Open, p.all)
	}
	if g.quiet != nil {
		rings = without(rings, during(g.quiet, p.all))
	}
	if len(rings) == 0 {
		p.add(strict.Error, "rings at no time at all: it is always quiet, or closed"+of(g.alarms))
		return
	}
	steps := make([][]stretch, len(p.route.Steps))
	empty := []stretch{p.all}
	for i, s := range p.route.Steps {
		steps[i] = p.empty(s)
		empty = both(empty, steps[i])
	}
	holes := both(rings, empty)
	p.say(strict.Error, g, "reaches nobody", holes)
	if len(steps) > 1 {
		p.say(strict.Warning, g, fmt.Sprintf("reaches nobody by its first step, the next comes %s later,", show(p.route.Steps[1].After-p.route.Steps[0].After)),
			without(both(rings, steps[0]), empty))
	}
}

// empty returns when an alarm would have to start for the step to reach nobody.
func (p *proof) empty(s callout.Step) []stretch {
	at := stretch{p.all.from.Add(s.After), p.all.to.Add(s.After)}
	out := []stretch{at}
	for _, w := range s.Who {
		if w.Person != "" {
			return nil
		}
		out = both(out, vacant(p.site.Callout.Plan.Rotas[w.Rota].Turn, at))
	}
	for i := range out {
		out[i].from, out[i].to = out[i].from.Add(-s.After), out[i].to.Add(-s.After)
	}
	return out
}

// vacant returns when nobody is on duty.
func vacant(t callout.Turn, all stretch) []stretch {
	return walk(all, func(m collector.Moment) (bool, collector.Moment) {
		people, next := t.On(m)
		return len(people) == 0, next
	})
}

// during returns the hours in a stretch of time.
func during(h rules.Hours, all stretch) []stretch { return walk(all, h.At) }

// walk follows what is constant between the changes it announces, and returns when it is true.
func walk(all stretch, at func(collector.Moment) (bool, collector.Moment)) []stretch {
	var out []stretch
	for m := all.from; m < all.to; {
		is, next := at(m)
		next = min(max(next, m+1), all.to)
		if n := len(out); is && n > 0 && out[n-1].to == m {
			out[n-1].to = next
		} else if is {
			out = append(out, stretch{m, next})
		}
		m = next
	}
	return out
}

// both returns what two rising lists of stretches have in common.
func both(a, b []stretch) []stretch {
	var out []stretch
	for len(a) > 0 && len(b) > 0 {
		s := stretch{max(a[0].from, b[0].from), min(a[0].to, b[0].to)}
		if s.from < s.to {
			out = append(out, s)
		}
		if a[0].to < b[0].to {
			a = a[1:]
		} else {
			b = b[1:]
		}
	}
	return out
}

// without returns what of a is not in b.
func without(a, b []stretch) []stretch {
	var rest []stretch
	from := collector.Moment(-1 << 63)
	for _, s := range b {
		rest = append(rest, stretch{from, s.from})
		from = s.to
	}
	return both(a, append(rest, stretch{from, collector.Never}))
}

// mostHoles is how many holes of one call-out are named.
const mostHoles = 10

// say names the times at which what is wrong.
func (p *proof) say(severity strict.Severity, g group, what string, when []stretch) {
	for i, s := range when {
		if i == mostHoles {
			p.add(severity, fmt.Sprintf("%s at %d more times until %s%s", what, len(when)-i, p.when(p.all.to), of(g.alarms)))
			return
		}
		p.add(severity, fmt.Sprintf("%s from %s to %s%s", what, p.when(s.from), p.when(s.to), of(g.alarms)))
	}
}

func (p *proof) add(severity strict.Severity, text string) {
	q := p.place
	q.Severity, q.Text = severity, text
	p.found = append(p.found, q)
}

// when prints a moment in the site's time. The zone's name is said: an hour that comes twice has two.
func (p *proof) when(m collector.Moment) string {
	return time.Unix(0, int64(m)).In(p.site.Zone).Format("Mon 2006-01-02 15:04 MST")
}

// of names alarms: ' (air-low, air-low-low and 10 more)'.
func of(alarms []string) string {
	const most = 3
	if len(alarms) <= most+1 {
		return " (" + strings.Join(alarms, ", ") + ")"
	}
	return fmt.Sprintf(" (%s and %d more)", strings.Join(alarms[:most], ", "), len(alarms)-most)
}
