package main

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/modbus"
	"roundsman/collector/mqtt"
	"roundsman/collector/scaling"
	"roundsman/configs"
	"roundsman/exporter"
)

// pointFacts returns how each point of a site is read, for commissioning.
func pointFacts(site *configs.Site) func(point string) exporter.PointFacts {
	f := factBook{points: site.Points, known: map[string]exporter.PointFacts{}}
	for i := range site.Modbus {
		for j := range site.Modbus[i].Points {
			f.register(&site.Modbus[i].Points[j])
		}
	}
	for i := range site.MQTT {
		for j := range site.MQTT[i].Points {
			f.topic(&site.MQTT[i].Points[j])
		}
	}
	for i := range site.Compute {
		f.computed(&site.Compute[i])
	}
	return func(point string) exporter.PointFacts { return f.known[point] }
}

// factBook collects facts by the points' names.
type factBook struct {
	points []collector.Point
	known  map[string]exporter.PointFacts
}

func (f *factBook) name(id collector.PointID) string {
	if id < 0 || int(id) >= len(f.points) {
		return "nothing"
	}
	return f.points[id].Name
}

func (f *factBook) unit(id collector.PointID) string {
	if id < 0 || int(id) >= len(f.points) || f.points[id].Unit == "" {
		return ""
	}
	return " " + f.points[id].Unit
}

func (f *factBook) register(p *modbus.Point) {
	facts := []exporter.Fact{
		{Name: "Unit id", Words: strconv.Itoa(int(p.Unit))},
		{Name: "Register", Words: registerWords(p.Address)},
		{Name: "Type", Words: typeWords(p.Address)},
	}
	facts = append(facts, f.scale(p.ID, &p.Scale)...)
	facts = append(facts, exporter.Fact{Name: "Read every", Words: timeWords(p.Every)})
	f.known[f.name(p.ID)] = exporter.PointFacts{Facts: facts, Every: p.Every}
}

// registerWords returns an address as on the wire and in the traditional notation (AP 4.4 of the Modbus application
// protocol: item n has address n - 1).
func registerWords(a modbus.Address) string {
	first := map[modbus.Table]string{modbus.Coils: "0", modbus.DiscreteInputs: "1", modbus.InputRegisters: "3", modbus.HoldingRegisters: "4"}[a.Table]
	reference := fmt.Sprintf("%s%04d", first, int(a.Start)+1)
	if a.Start >= 9999 {
		reference = fmt.Sprintf("%s%05d", first, int(a.Start)+1)
	}
	return fmt.Sprintf("%s, reference %s", a, reference)
}

func typeWords(a modbus.Address) string {
	switch {
	case a.Type == modbus.Bit:
		return fmt.Sprintf("bit %d", a.Bit)
	case a.Type == modbus.Text:
		return fmt.Sprintf("text of %d registers", a.Length)
	case a.Table.Bits() || a.Count() == 1 && a.Order == modbus.ABCD:
		return a.Type.String()
	}
	return a.Type.String() + ", order " + a.Order.String()
}

// scale tells how a raw number becomes a value.
func (f *factBook) scale(id collector.PointID, s *scaling.Spec) (facts []exporter.Fact) {
	add := func(name, format string, args ...any) {
		facts = append(facts, exporter.Fact{Name: name, Words: fmt.Sprintf(format, args...)})
	}
	if s.Loop {
		perMA := s.RawPerMilliamp
		if perMA == 0 {
			perMA = 1
		}
		add("Signal", "4-20 mA, raw %g at 4 mA, %g at 20 mA", s.RawAtZero+4*perMA, s.RawAtZero+20*perMA)
	}
	unit := f.unit(id)
	switch n := len(s.Points); {
	case s.Curve == scaling.SquareRoot && n == 2:
		add("Scaling", "square root, raw %g to %g is %g to %g%s", s.Points[0].Raw, s.Points[1].Raw, s.Points[0].Value, s.Points[1].Value, unit)
	case n == 2:
		add("Scaling", "raw %g to %g is %g to %g%s", s.Points[0].Raw, s.Points[1].Raw, s.Points[0].Value, s.Points[1].Value, unit)
	case n > 2:
		add("Scaling", "table of %d pairs, raw %g to %g is %g to %g%s", n, s.Points[0].Raw, s.Points[n-1].Raw, s.Points[0].Value, s.Points[n-1].Value, unit)
	default:
		add("Scaling", "none, the value is the raw number")
	}
	if s.Clamp {
		add("Held", "within the ends of the scale")
	}
	if s.MaxRate > 0 {
		add("Believed", "changes of up to %g%s a second", s.MaxRate, unit)
	}
	return facts
}

func (f *factBook) topic(p *mqtt.Point) {
	facts := []exporter.Fact{{Name: "Topic", Words: p.Topic}}
	add := func(name, words string) {
		if words != "" {
			facts = append(facts, exporter.Fact{Name: name, Words: words})
		}
	}
	add("Value at", p.Value)
	add("Time at", p.Time)
	var where []string
	for _, key := range slices.Sorted(maps.Keys(p.Where)) {
		where = append(where, key+" is "+p.Where[key])
	}
	add("Where", strings.Join(where, ", "))
	facts = append(facts, f.scale(p.ID, &p.Scale)...)
	if p.StaleAfter > 0 {
		add("Stale after", timeWords(p.StaleAfter))
	}
	f.known[f.name(p.ID)] = exporter.PointFacts{Facts: facts, Quiet: p.StaleAfter}
}

// timeWords returns a length of time as people write it: 500 ms, 1.5 s, 2 min.
func timeWords(d time.Duration) string {
	switch {
	case d < time.Second:
		return fmt.Sprintf("%g ms", float64(d)/float64(time.Millisecond))
	case d >= time.Minute && d%time.Minute == 0:
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return fmt.Sprintf("%g s", d.Seconds())
}

// input names a point that a computation takes.
func (f *factBook) input(i compute.Input) string { return f.name(i.Point) }

func (f *factBook) inputs(list []compute.Input, between string) string {
	names := make([]string, len(list))
	for i := range list {
		names[i] = f.input(list[i])
	}
	return strings.Join(names, between)
}

func (f *factBook) computed(c *compute.Spec) {
	words := f.simple(c)
	if words == "" {
		words = f.overTime(c)
	}
	f.known[f.name(c.Point)] = exporter.PointFacts{Facts: []exporter.Fact{{Name: "Computed", Words: words}}, Every: time.Second}
}

// simple tells of what is made of the present readings alone.
func (f *factBook) simple(c *compute.Spec) string {
	switch {
	case c.Difference != nil:
		return f.inputs([]compute.Input{c.Difference.A, c.Difference.B}, " − ")
	case c.Sum != nil:
		return f.inputs(c.Sum.Terms, " + ")
	case c.Ratio != nil && c.Ratio.OfSum:
		return fmt.Sprintf("%s / (%s + %s)", f.input(c.Ratio.A), f.input(c.Ratio.A), f.input(c.Ratio.B))
	case c.Ratio != nil:
		return f.inputs([]compute.Input{c.Ratio.A, c.Ratio.B}, " / ")
	case c.Volume != nil:
		return "volume of a tank at the level " + f.input(c.Volume.Level)
	case c.Level != nil:
		return "level over the sensor " + f.input(c.Level.Pressure)
	case c.Formula != nil:
		return c.Formula.Source
	}
	return ""
}

// overTime tells of what looks back.
func (f *factBook) overTime(c *compute.Spec) string {
	switch {
	case c.Flow != nil:
		return fmt.Sprintf("flow from %s, %g%s a pulse, over %v", f.name(c.Flow.Counter), c.Flow.PerPulse, volumeOf(f.unit(c.Point)), c.Flow.Over)
	case c.Total != nil:
		return fmt.Sprintf("total of %s, %g%s a pulse", f.name(c.Total.Counter), c.Total.PerPulse, f.unit(c.Point))
	case c.Rate != nil:
		return fmt.Sprintf("slope of %s over %v", f.input(c.Rate.Of), c.Rate.Over)
	case c.Mean != nil:
		words := fmt.Sprintf("mean of %s over %v", f.input(c.Mean.Of), c.Mean.Over)
		if c.Mean.While != collector.NoPoint {
			words += " while " + f.name(c.Mean.While)
		}
		return words
	case c.LeakTest != nil, c.LeakFigure != nil:
		return "leak test"
	}
	return "by Roundsman"
}

// volumeOf returns the volume in a flow's unit: L of L/min.
func volumeOf(flow string) string {
	volume, _, _ := strings.Cut(flow, "/")
	if volume == flow {
		return ""
	}
	return volume
}
