package configs

import (
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
	"roundsman/collector/units"
	"roundsman/configs/strict"
)

func (b *builder) readEquipment(vs *strict.Value) {
	var names []string
	for _, v := range vs.Entries() {
		if goodName(v) {
			names = append(names, v.Key())
		}
	}
	for _, v := range vs.Entries() {
		s := duty.Spec{Name: v.Key(), Station: stationOf(v), Run: collector.NoPoint, Energy: collector.NoPoint}
		b.running(&s, v)
		b.ratings(&s, v)
		b.load(&s, v)
		b.pair(&s, v, names)
		for _, w := range v.Get("service").Entries() {
			name := w.Get("name").Text()
			if slices.ContainsFunc(s.Service, func(o duty.Service) bool { return o.Name == name }) {
				w.Get("name").Failf("%s stands twice", name)
			}
			s.Service = append(s.Service, duty.Service{Name: name, Every: b.positive(w.Get("every"), 0)})
		}
		b.site.Equipment = append(b.site.Equipment, s)
	}
}

// running reads what tells that the machine runs.
func (b *builder) running(s *duty.Spec, v *strict.Value) {
	s.Join = b.duration(v.Get("join"), 2*time.Second)
	run, meter := v.Get("run"), v.Get("hour-meter")
	switch {
	case run == nil && meter == nil && !v.Has("run") && !v.Has("hour-meter"):
		v.KeyFailf("run is missing, or hour-meter: what tells that it runs?")
	case run != nil && meter != nil:
		meter.KeyFailf("run tells the run time already")
	case run != nil:
		b.runPoint(s, v, run)
	case meter != nil:
		b.hourMeter(s, v, meter)
	}
	if c := v.Get("start-counter"); c != nil {
		if p, modulus := b.register(c); p != nil {
			if p.unit != units.None && p.unit != must("starts") {
				c.Failf("%s counts %s, not starts", p.Name, describe(p.unit))
			}
			s.Starts = &duty.Register{Point: p.ID, Step: p.Resolution, Modulus: modulus}
		}
	}
}

func (b *builder) runPoint(s *duty.Spec, v, run *strict.Value) {
	p := b.pointOf(run)
	if p == nil {
		return
	}
	s.Run = p.ID
	s.HoldAtMost = b.positive(v.Get("hold-at-most"), 3*p.every)
	s.Above, s.Below = b.thresholds(p, v, run, "above", "below")
}

// pointOf returns the point that a value names; nil, said, if there is none.
func (b *builder) pointOf(v *strict.Value) *point {
	p := b.byName[v.Text()]
	if p == nil {
		v.Failf("unknown point %q%s", short(v.Text()), v.Guess(v.Text(), b.names...))
	}
	return p
}

// thresholds reads above which value a point tells that something runs, and at which it ends.
func (b *builder) thresholds(p *point, v, run *strict.Value, aboveKey, belowKey string) (above, below float64) {
	a, z := v.Get(aboveKey), v.Get(belowKey)
	switch {
	case p.Kind == collector.State:
		for _, k := range []*strict.Value{a, z} {
			if k != nil {
				k.KeyFailf("%s is a state: on or off", p.Name)
			}
		}
		return 0.5, 0
	case a == nil && !v.Has(aboveKey):
		run.Failf("%s is a %s, no state: say %s which value the machine runs", p.Name, p.Kind, aboveKey)
		return 0, 0
	}
	above, ok := b.in(a, p.unit, "point")
	if z != nil {
		if low, good := b.in(z, p.unit, "point"); good && ok && low > above {
			z.Failf("%s is over %s", z.Text(), a.Text())
		} else {
			below = low
		}
	}
	return above, below
}

// register reads a register that only rises: a point, or a table with where it begins again.
func (b *builder) register(v *strict.Value) (p *point, modulus float64) {
	name := v
	if v.IsTable() {
		if name = v.Get("point"); name == nil {
			return nil, 0
		}
	}
	if p = b.pointOf(name); p == nil {
		return nil, 0
	}
	if p.Kind != collector.Counter && p.Kind != collector.Number {
		name.Failf("%s is a %s, no register that counts", p.Name, p.Kind)
		return nil, 0
	}
	if m := v.Get("rolls-over-at"); v.IsTable() && m != nil {
		modulus, _ = b.in(m, p.unit, "point")
		if modulus <= 0 {
			m.Failf("%s must be above 0", m.Text())
		}
		return p, modulus
	}
	if p.link != nil && p.link.modbus != nil {
		step := p.Resolution
		if step == 0 {
			step = 1
		}
		modulus = modulusOf(p.Type) * step
	}
	return p, modulus
}

func (b *builder) hourMeter(s *duty.Spec, v, meter *strict.Value) {
	p, modulus := b.register(meter)
	if p == nil {
		return
	}
	seconds, err := units.ConvertDifference(p.unit, must("s"))
	if err != nil {
		meter.Failf("%s is %s; an hour meter counts h, min or s", p.Name, describe(p.unit))
		return
	}
	for _, name := range []string{"above", "below"} {
		if k := v.Get(name); k != nil {
			k.KeyFailf("%s is an hour meter: it counts while the machine runs", p.Name)
		}
	}
	s.HoldAtMost = b.positive(v.Get("hold-at-most"), 3*p.every)
	s.Hours = &duty.Register{Point: p.ID, Unit: time.Duration(seconds * float64(time.Second)), Step: p.Resolution, Modulus: modulus}
}

// ratings reads what the machine is built for.
func (b *builder) ratings(s *duty.Spec, v *strict.Value) {
	s.RatedKW, _ = b.optional(v.Get("rated"), must("kW"), "")
	s.StartsPerHour = aboveZero(v.Get("starts-per-hour"))
	s.LeastRun = b.positive(v.Get("least-run"), duty.DefaultLeastRun)
	s.Share = b.share(v.Get("share"), 1)
	s.Poles = duty.DefaultPoles
	if n := v.Get("poles"); n != nil {
		if s.Poles = int(n.Float(0)); s.Poles%2 != 0 {
			n.Failf("%s poles: the table has 2, 4 and 6", n.Text())
		}
	}
	if e := v.Get("energy"); e != nil {
		if p := b.pointOf(e); p != nil {
			_, power := units.ConvertDifference(p.unit, must("kW"))
			_, energy := units.ConvertDifference(p.unit, must("kWh"))
			if power != nil && energy != nil {
				e.Failf("%s is %s; wanted is a power or an energy", p.Name, describe(p.unit))
			}
			s.Energy = p.ID
		}
	}
}

// aboveZero reads a number above 0; 0 if it is not given.
func aboveZero(v *strict.Value) float64 {
	if v == nil {
		return 0
	}
	f := v.Float(0)
	if f <= 0 {
		v.Failf("%s must be above 0", v.Text())
	}
	return f
}

// share reads a share from 0 to 150 %: a motor may be overloaded.
func (b *builder) share(v *strict.Value, otherwise float64) float64 {
	if v == nil {
		return otherwise
	}
	f, ok := b.in(v, must("ratio"), "")
	if ok && !(f >= 0 && f <= 1.5) {
		v.Failf("%s is no share from 0 to 150 %%", v.Text())
	}
	return f
}

// load reads when a machine that runs on is loaded.
func (b *builder) load(s *duty.Spec, v *strict.Value) {
	run := v.Get("loaded")
	if run == nil {
		for _, name := range []string{"loaded-above", "load-cycles-per-hour", "unloaded"} {
			if k := v.Get(name); k != nil && !v.Has("loaded") {
				k.KeyFailf("loaded is missing: what tells that it is loaded?")
			}
		}
		return
	}
	p := b.pointOf(run)
	if p == nil {
		return
	}
	l := &duty.Load{Run: p.ID, HoldAtMost: b.positive(v.Get("hold-at-most"), 3*p.every), PerHour: aboveZero(v.Get("load-cycles-per-hour")), Unloaded: b.share(v.Get("unloaded"), 0)}
	l.Above, l.Below = b.thresholds(p, v, run, "loaded-above", "")
	s.Load = l
}

func (b *builder) pair(s *duty.Spec, v *strict.Value, names []string) {
	p := v.Get("pair")
	if p == nil {
		return
	}
	s.Pair = p.Text()
	if s.Pair == s.Name {
		p.Failf("a machine is no pair of itself")
		return
	}
	for _, n := range names {
		if n == s.Pair {
			return
		}
	}
	p.Failf("unknown equipment %q%s", short(s.Pair), p.Guess(s.Pair, names...))
}

// readReview reads what the reviews hold run time and water against.
func (b *builder) readReview(v *strict.Value) {
	r := &b.site.Review
	r.Vehicles = collector.NoPoint
	r.Open = b.openHours(v.Get("open"))
	if n := v.Get("vehicles"); n != nil {
		if p := b.pointOf(n); p != nil {
			if p.Kind != collector.Counter && p.Kind != collector.Number {
				n.Failf("%s is a %s, no count of vehicles", p.Name, p.Kind)
			}
			r.Vehicles = p.ID
		}
	}
}
