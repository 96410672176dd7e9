package configs

import (
	"time"

	"roundsman/collector"
	"roundsman/collector/units"
	"roundsman/configs/strict"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/water"
)

// readPlans reads which points the reviews of air and water look at. What is left out is told by a remark with the
// figure that will be missing.
func (b *builder) readPlans(v *strict.Value) {
	r := &b.site.Review
	open := minutes.Signal{}
	if s := v.Get("open-state"); s != nil {
		open = b.stateSignal(s)
	}
	var hours func(time.Time) bool
	if h := r.Open; h != nil {
		hours = func(t time.Time) bool {
			inside, _ := h.At(collector.At(t))
			return inside
		}
	}
	if a := v.Get("air"); a != nil {
		r.Air = b.airPlan(a)
		r.Air.Open, r.Air.Hours, r.Air.Zone = open, hours, b.site.Zone
		whenOpen(v, a, r.Air.Open, hours)
	}
	if w := v.Get("water"); w != nil {
		r.Water = b.waterPlan(w)
		r.Water.Open, r.Water.Hours, r.Water.Zone = open, hours, b.site.Zone
		whenOpen(v, w, r.Water.Open, hours)
		if r.Vehicles != collector.NoPoint {
			r.Water.Vehicles = minutes.Signal{Point: b.points[r.Vehicles].Name}
		} else if !v.Has("vehicles") {
			w.Remarkf("review.vehicles is not given: no litres a vehicle")
		}
	}
}

func whenOpen(v, part *strict.Value, open minutes.Signal, hours func(time.Time) bool) {
	if !open.Named() && hours == nil && !v.Has("open") && !v.Has("open-state") {
		part.Remarkf("neither review.open nor review.open-state is given: nothing is told of nights")
	}
}

// missing remarks on keys that are not given, each with what will not be told.
func missing(v *strict.Value, what map[string]string, order ...string) {
	for _, k := range order {
		if !v.Has(k) {
			v.Remarkf("%s is not given: %s", k, what[k])
		}
	}
}

// signal names a point in a unit.
func (b *builder) signal(v *strict.Value, u units.Unit) minutes.Signal {
	in, ok := b.inputIn(v, u)
	if !ok {
		return minutes.Signal{}
	}
	return minutes.Signal{Point: b.points[in.Point].Name, Factor: in.Factor, Offset: in.Offset}
}

// signals names points in a unit.
func (b *builder) signals(v *strict.Value, u units.Unit) []minutes.Signal {
	var out []minutes.Signal
	for _, e := range v.Entries() {
		if s := b.signal(e, u); s.Named() {
			out = append(out, s)
		}
	}
	return out
}

func (b *builder) stateSignal(v *strict.Value) minutes.Signal {
	if v == nil {
		return minutes.Signal{}
	}
	id, ok := b.stateOf(v)
	if !ok {
		return minutes.Signal{}
	}
	return minutes.Signal{Point: b.points[id].Name}
}

// above reads a quantity that must be above 0, 0 for none.
func (b *builder) above(v *strict.Value, unit string) float64 {
	if v == nil {
		return 0
	}
	x, ok := b.in(v, must(unit), "")
	if ok && x <= 0 {
		v.Failf("%s must be above 0", v.Text())
		return 0
	}
	return x
}

func (b *builder) airPlan(v *strict.Value) *air.Plan {
	p := &air.Plan{Minimum: b.above(v.Get("minimum"), "bar"), Delivery: b.above(v.Get("delivery"), "L/s")}
	if s := v.Get("pressure"); s != nil {
		p.Pressure = b.signal(s, must("bar"))
	}
	p.Loaded, p.Running = b.stateSignal(v.Get("loaded")), b.stateSignal(v.Get("running"))
	if l := v.Get("leak"); l != nil {
		if q := b.input(l); q != nil && q.computed != "leak-test" {
			l.Failf("%s is no leak test", q.Name)
		} else if q != nil {
			p.Leak = b.signal(l, must("L/s"))
		}
	}
	p.Cost = b.airCost(v, p.Delivery)
	missing(v, map[string]string{
		"running": "no load factor", "minimum": "no time below it", "leak": "no leak tests", "delivery": "no use, no share and no cost of leaks",
		"power": "no cost of leaks", "energy-price": "no cost of leaks in money",
	}, "running", "minimum", "leak", "delivery", "power", "energy-price")
	return p
}

// airCost is what air costs: power over delivery is the energy of a cubic metre.
func (b *builder) airCost(v *strict.Value, delivery float64) air.Cost {
	c := air.Cost{Currency: v.Get("currency").Text(), Hours: b.above(v.Get("hours-a-year"), "h")}
	if kw := b.above(v.Get("power"), "kW"); kw > 0 && delivery > 0 {
		c.Specific = kw / (delivery * 3.6) // kWh a m3: L/s are 3.6 m3/h
	}
	if n := v.Get("energy-price"); n != nil {
		if c.Price = n.Float(0); c.Price <= 0 {
			n.Failf("%s must be above 0", n.Text())
		}
		if !v.Has("currency") {
			n.KeyFailf("in which currency? give currency")
		}
	}
	return c
}

func (b *builder) waterPlan(v *strict.Value) *water.Plan {
	litre := must("L")
	p := &water.Plan{Fresh: b.signals(v.Get("fresh"), litre), Reclaim: b.signals(v.Get("reclaim"), litre), Settle: b.positive(v.Get("settle"), 0)}
	for _, t := range v.Get("tanks").Entries() {
		k := water.Tank{Name: t.Key(), In: b.signals(t.Get("in"), litre), Out: b.signals(t.Get("out"), litre), Unused: b.above(t.Get("unused"), "L")}
		if s := t.Get("volume"); s != nil {
			k.Volume = b.signal(s, litre)
		}
		if !t.Has("in") && !t.Has("out") {
			t.Remarkf("neither in nor out is given: no balance")
		}
		p.Tanks = append(p.Tanks, k)
	}
	for _, f := range v.Get("filters").Entries() {
		p.Filters = append(p.Filters, b.filterPlan(f))
	}
	missing(v, map[string]string{
		"fresh": "no litres a vehicle, no reuse", "reclaim": "no reuse", "tanks": "no balances", "filters": "nothing of filters",
	}, "fresh", "reclaim", "tanks", "filters")
	return p
}

func (b *builder) filterPlan(v *strict.Value) water.Filter {
	f := water.Filter{Name: v.Key(), Due: b.above(v.Get("due"), "bar"), Flowing: b.stateSignal(v.Get("flowing")), Backwash: b.stateSignal(v.Get("backwash"))}
	if s := v.Get("difference"); s != nil {
		f.Difference = b.signal(s, must("bar"))
	}
	if s := v.Get("through"); s != nil {
		f.Through = b.signal(s, must("L"))
	}
	f.Before, f.After = b.turbidity(v.Get("before")), b.turbidity(v.Get("after"))
	if !v.Has("backwash") {
		v.Remarkf("backwash is not given: no time between backwashes")
	}
	return f
}

// turbidity names a point in its own unit: FNU and NTU do not convert.
func (b *builder) turbidity(v *strict.Value) minutes.Signal {
	if v == nil {
		return minutes.Signal{}
	}
	p := b.input(v)
	if p == nil {
		return minutes.Signal{}
	}
	if p.unit != must("FNU") && p.unit != must("NTU") {
		v.Failf("%s is %s, wanted is a turbidity (FNU or NTU)", p.Name, describe(p.unit))
		return minutes.Signal{}
	}
	return minutes.Signal{Point: p.Name}
}

func airShape() *strict.Shape {
	return strict.TableOf(
		needed("pressure", text(), "The pressure of the header, gauge."),
		needed("loaded", text(), "The state that tells that the compressor gives air."),
		key("running", text(), "The state that tells that its motor turns: for the load factor."),
		key("minimum", measure(), "The pressure the tunnel needs, gauge: for the time below it."),
		key("leak", text(), "The point of the leak tests."),
		key("delivery", measure(), "What the compressor gives, free air: for use, share and cost of leaks."),
		key("power", measure(), "Electric power at full delivery; where an unloaded motor turns on, what loading adds to it."),
		key("energy-price", number(), "Price of a kWh, in the currency."),
		key("currency", text(), "The currency, as people write it: EUR."),
		key("hours-a-year", measure(), "Hours a year under pressure, in which leaks leak; 8760 h."),
	)
}

func waterShape() *strict.Shape {
	return strict.TableOf(
		key("fresh", texts(), "Totals of the water that comes from outside."),
		key("reclaim", texts(), "Totals of the water that is used again."),
		key("settle", duration(), "From closing until the night counts, while tanks fill; 30m."),
		key("tanks", strict.NamedOf(tankPlanShape()), "The tanks whose balance is told, by name."),
		key("filters", strict.NamedOf(filterShape()), "The filters, by name."),
	)
}

func tankPlanShape() *strict.Shape {
	return strict.TableOf(
		needed("volume", text(), "The point that tells what is in it."),
		key("in", texts(), "Totals of all that runs in; told by the balance if not given."),
		key("out", texts(), "Totals of all that runs out; told by the balance if not given."),
		key("unused", measure(), "What no pump reaches; 0 L."),
	)
}

func filterShape() *strict.Shape {
	return strict.TableOf(
		needed("difference", text(), "The pressure difference across it."),
		key("flowing", text(), "The state that tells that water goes through; by the difference if not given."),
		key("backwash", text(), "The state that tells a backwash."),
		key("through", text(), "The total of what went through."),
		key("before", text(), "Turbidity before it."),
		key("after", text(), "Turbidity behind it."),
		key("due", measure(), "The difference at which a backwash is due."),
	)
}
