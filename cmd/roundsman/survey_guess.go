package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/sorting"
	"roundsman/collector/units"
	"roundsman/configs/pointlist"
)

// expectation is what a gauge beside the sensor shows, and what the sensor can measure.
type expectation struct {
	value     float64
	unit      units.Unit
	low, high float64 // in unit; NaN: no range given
}

// newExpectation reads '7.8 bar' and a range such as '0-16 bar', which may be "".
func newExpectation(gauge, span string) (*expectation, error) {
	q, err := units.ParseQuantity(gauge)
	if err != nil {
		return nil, fmt.Errorf("--expect: %w", err)
	}
	e := &expectation{value: q.Value, unit: q.Unit, low: math.NaN(), high: math.NaN()}
	if span == "" {
		return e, nil
	}
	s, ok := pointlist.ParseSpan(span)
	if !ok {
		return nil, fmt.Errorf("--range %q: want one such as '0-16 bar'", span)
	}
	u, _, err := pointlist.Unit(s.Unit)
	if err != nil {
		return nil, fmt.Errorf("--range: %w", err)
	}
	if e.unit == units.None {
		e.unit = u
	}
	low, err1 := units.Quantity{Value: s.Low, Unit: u}.In(e.unit)
	high, err2 := units.Quantity{Value: s.High, Unit: u}.In(e.unit)
	if err := cmp.Or(err1, err2); err != nil {
		return nil, fmt.Errorf("--range: %w", err)
	}
	e.low, e.high = low, high
	return e, nil
}

// String returns the gauge's value with its unit.
func (e *expectation) String() string { return units.Quantity{Value: e.value, Unit: e.unit}.String() }

// near is how far a gauge and a transmitter may be apart and still mean the same: 2 % of the value, where the range is
// known 2 % of that (common practice, no source).
const near = 0.02

// tolerance returns the most that a reading may be off.
func (e *expectation) tolerance() float64 {
	if e.high != e.low && !math.IsNaN(e.low) {
		return near * math.Abs(e.high-e.low)
	}
	return near * math.Max(math.Abs(e.value), 1e-9)
}

// guess is one way to read an address that comes near to what the gauge shows.
type guess struct {
	address uint16
	types   []modbus.Type // that read alike here
	order   modbus.Order
	value   float64 // in the gauge's unit
	how     string  // what was assumed of the scale; "": nothing
	scale   string  // the same as keys of the site file
	odd     float64
}

// String says it as a sentence: 'reads 7.8 bar as float32 CDAB at 20'.
func (g *guess) text(e *expectation) string {
	s := fmt.Sprintf("reads %s as %s", units.Quantity{Value: round(g.value), Unit: e.unit}, g.types[0])
	for _, t := range g.types[1:] {
		s += " or " + t.String()
	}
	if g.order != modbus.ABCD || width(g.types[0]) > 1 {
		s += " " + g.order.String()
	}
	s += fmt.Sprintf(" at %d", g.address)
	if g.how != "" {
		s += ", a guess: " + g.how
	}
	if g.scale != "" {
		s += " (" + g.scale + ")"
	}
	return s
}

// round keeps four figures.
func round(v float64) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 4, 64), 64)
	if err != nil {
		return v
	}
	return r
}

func width(t modbus.Type) int {
	return int(modbus.Address{Table: modbus.HoldingRegisters, Type: t}.Count())
}

// reading is one thing that a raw value could mean.
type reading struct {
	value, odd float64
	how, scale string
}

// guesses returns the ways to read what was found that come near to the gauge, best first. A plain type in the
// standard's order and a plain factor win over an exotic one that happens to fall nearer.
func guesses(found []modbus.Register, e *expectation) []guess {
	var out []guess
	for i := range found {
		for _, v := range modbus.Views(from(found, i)) {
			if v.Fault != collector.NoFault || v.Type == modbus.Text || math.IsNaN(v.Raw) || math.IsInf(v.Raw, 0) {
				continue
			}
			for _, r := range e.readings(v) {
				if off := math.Abs(r.value - e.value); off <= e.tolerance() {
					odd := off/e.tolerance() + r.odd + oddity(v)
					out = join(out, guess{found[i].Address, []modbus.Type{v.Type}, v.Order, r.value, r.how, r.scale, odd})
				}
			}
		}
	}
	sorting.StableFunc(out, func(a, b guess) int { return cmp.Compare(a.odd, b.odd) })
	return out
}

// join adds a guess, to the one that reads the same where a signed and an unsigned type cannot be told apart.
func join(list []guess, g guess) []guess {
	for i := range list {
		o := &list[i]
		if o.address == g.address && o.order == g.order && o.how == g.how && o.value == g.value && width(o.types[0]) == width(g.types[0]) {
			o.types = append(o.types, g.types...)
			return list
		}
	}
	return append(list, g)
}

// oddity weighs how unusual a type and an order are.
func oddity(v modbus.View) (odd float64) {
	switch v.Order {
	case modbus.CDAB:
		odd = 0.2
	case modbus.BADC, modbus.DCBA:
		odd = 0.8
	}
	switch v.Type {
	case modbus.BCD16, modbus.BCD32:
		odd++
	case modbus.Int32, modbus.Uint32:
		odd += 0.2
	case modbus.Int64, modbus.Uint64, modbus.Float64:
		odd += 0.6
	}
	return odd
}

// factors are the scales that registers commonly carry (common practice, no source), plainest first.
var factors = []struct{ by, odd float64 }{{1, 0}, {0.1, 0.1}, {0.01, 0.2}, {0.001, 0.4}, {10, 1.2}}

// readings returns what a raw value could mean.
func (e *expectation) readings(v modbus.View) []reading {
	isFloat := v.Type == modbus.Float32 || v.Type == modbus.Float64
	var out []reading
	for _, f := range factors {
		r := reading{value: v.Raw * f.by, odd: f.odd}
		if f.by != 1 {
			r.how, r.scale = fmt.Sprintf("times %g", f.by), fmt.Sprintf("scale: %s", units.Quantity{Value: f.by, Unit: e.unit})
			if isFloat {
				r.odd += 2 // a device that sends floats sends the value itself
			}
		}
		out = append(out, r)
		if f.by == 1 || f.by == 0.1 && !isFloat {
			out = append(out, e.elsewise(r)...)
		}
	}
	if width(v.Type) == 1 && !math.IsNaN(e.low) {
		out = append(out, e.overRange(v.Raw)...)
	}
	return out
}

// kin are the units that transmitters of one quantity are delivered in.
var kin = [][]string{{"bar", "kPa", "psi", "mbar", "MPa"}, {"degC", "degF", "K"}, {"m", "cm", "mm", "in", "ft"}, {"L", "m3", "gal"}, {"L/min", "m3/h", "L/s", "gpm"}}

// elsewise returns the reading in the other units that it may come in.
func (e *expectation) elsewise(r reading) []reading {
	var out []reading
	for _, family := range kin {
		if !slices.Contains(family, e.unit.String()) {
			continue
		}
		for _, symbol := range family {
			u, err := units.Parse(symbol)
			if err != nil || u == e.unit {
				continue
			}
			value, err := units.Quantity{Value: r.value, Unit: u}.In(e.unit)
			if err != nil {
				continue
			}
			how := "in " + symbol
			if r.how != "" {
				how = r.how + ", " + how
			}
			out = append(out, reading{value, r.odd + 1, how, ""})
		}
	}
	return out
}

// spread are the counts over which analog cards and transmitters commonly spread their range (common practice, no source).
var spread = []struct {
	from, to float64
	how      string
	odd      float64
	loop     string // more keys of the site file
}{
	{0, 27648, "27648 counts over the range", 0.2, ""},
	{4000, 20000, "4-20 mA as uA over the range", 0.3, "signal: 4-20mA, raw-per-mA: 1000, "},
	{400, 2000, "4-20 mA as hundredths of a mA over the range", 0.6, "signal: 4-20mA, raw-per-mA: 100, "},
	{0, 20000, "0-20 mA as uA over the range", 0.7, ""},
	{0, 32767, "32767 counts over the range", 0.4, ""},
	{0, 10000, "hundredths of a percent over the range", 0.5, ""},
	{0, 4095, "12 bits over the range", 0.6, ""},
	{0, 65535, "16 bits over the range", 0.7, ""},
	{0, 1000, "tenths of a percent over the range", 0.6, ""},
	{5530, 27648, "4-20 mA on a card of 0-20 mA with 27648 counts", 0.8, ""},
}

// overRange returns what counts over the instrument's range would mean.
func (e *expectation) overRange(raw float64) []reading {
	var out []reading
	for _, s := range spread {
		value := e.low + (raw-s.from)/(s.to-s.from)*(e.high-e.low)
		ends := [2]units.Quantity{{Value: e.low, Unit: e.unit}, {Value: e.high, Unit: e.unit}}
		scale := fmt.Sprintf("%sscale: {from: [%g, %g], to: [%s, %s]}", s.loop, s.from, s.to, ends[0], ends[1])
		out = append(out, reading{value, s.odd, s.how, scale})
	}
	return out
}

// mostGuesses are shown; the right one is among the first three where the gauge is read well.
const mostGuesses = 6

func writeGuesses(w io.Writer, gs []guess, e *expectation) {
	if len(gs) == 0 {
		fmt.Fprintf(w, "nothing here reads like %s", e)
		if math.IsNaN(e.low) {
			fmt.Fprintf(w, ", plain, scaled by ten or in a kindred unit; with --range (such as '0-16 bar') counts over a range and 4-20 mA are tried too")
		}
		fmt.Fprintln(w)
		return
	}
	fmt.Fprintf(w, "what is near to %s, likeliest first:\n", e)
	for i := range gs[:min(len(gs), mostGuesses)] {
		fmt.Fprintf(w, "  %s\n", gs[i].text(e))
	}
	if more := len(gs) - mostGuesses; more > 0 {
		fmt.Fprintf(w, "  and %d less likely; change the value at the sensor and survey again: the right one follows\n", more)
	}
}

// marks returns the guesses by address and order, to stand beside the rows of the tables.
func marks(gs []guess) map[mark]string {
	out := map[mark]string{}
	for i := range gs[:min(len(gs), mostGuesses)] {
		g := &gs[i]
		key := mark{g.address, width(g.types[0]), g.order}
		if out[key] != "" {
			continue // the likelier one stands
		}
		out[key] = "<- " + g.types[0].String()
		if g.how != "" {
			out[key] += ", " + g.how
		}
	}
	return out
}

// mark is a row of the tables.
type mark struct {
	address uint16
	width   int
	order   modbus.Order
}
