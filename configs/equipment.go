package configs

import (
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
	"roundsman/configs/strict"
)

func (b *builder) readEquipment(vs *strict.Value) {
	var names []string
	for _, v := range vs.Entries() {
		if goodName(v) {
			names = append(names, v.Key())
		}
	}
	seen := map[string]bool{}
	for _, n := range names {
		seen[n] = true
	}
	for _, v := range vs.Entries() {
		s := duty.Spec{Name: v.Key(), Station: stationOf(v), Run: collector.NoPoint}
		if run := v.Get("run"); run != nil {
			b.runPoint(&s, v, run)
		}
		s.Join = b.duration(v.Get("join"), 2*time.Second)
		s.RatedKW, _ = b.optional(v.Get("rated"), must("kW"), "")
		if n := v.Get("starts-per-hour"); n != nil {
			s.StartsPerHour = n.Float(0)
			if s.StartsPerHour <= 0 {
				n.Failf("%s must be above 0", n.Text())
			}
		}
		if p := v.Get("pair"); p != nil {
			s.Pair = p.Text()
			if s.Pair == s.Name {
				p.Failf("a machine is no pair of itself")
			} else if !seen[s.Pair] {
				p.Failf("unknown equipment %q%s", short(s.Pair), p.Guess(s.Pair, names...))
			}
		}
		for _, w := range v.Get("service").Entries() {
			s.Service = append(s.Service, duty.Service{Name: w.Get("name").Text(), Every: b.positive(w.Get("every"), 0)})
		}
		b.site.Equipment = append(b.site.Equipment, s)
	}
}

func (b *builder) runPoint(s *duty.Spec, v, run *strict.Value) {
	p := b.byName[run.Text()]
	if p == nil {
		run.Failf("unknown point %q%s", short(run.Text()), run.Guess(run.Text(), b.names...))
		return
	}
	s.Run = p.ID
	s.HoldAtMost = b.positive(v.Get("hold-at-most"), 3*p.every)
	above := v.Get("above")
	switch {
	case p.Kind == collector.State:
		s.Above = 0.5
		if above != nil {
			above.KeyFailf("%s is a state: on or off", p.Name)
		}
	case above == nil && !v.Has("above"):
		run.Failf("%s is a %s, no state: say above which value the machine runs", p.Name, p.Kind)
	default:
		s.Above, _ = b.in(above, p.unit, "point")
	}
}
