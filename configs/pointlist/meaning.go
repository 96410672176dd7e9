package pointlist

import (
	"fmt"
	"math"
	"strings"

	"roundsman/collector/modbus"
	"roundsman/collector/units"
)

// meaning settles unit, scale and range of a number.
func (d *Draft) meaning(p *point) {
	sc := d.scaleOf(p)
	d.spans(p, &sc)
	unit := d.unitOf(p, &sc)
	offset := d.offsetOf(p)
	switch {
	case sc.raw != nil && sc.eng != nil:
		d.twoEnds(p, sc, unit)
		return
	case sc.raw != nil:
		d.on(p, colScale, "what the counts %s to %s mean is not said: the value is shown in counts", number(sc.raw.Low), number(sc.raw.High))
	case sc.loop && sc.eng != nil:
		d.on(p, colSignal, "4-20 mA: how many counts a mA has is not said: 1000 (uA) are taken; survey with --expect and --range tells")
		sc.raw = &Span{4, 20, "mA"}
		d.twoEnds(p, sc, unit)
		return
	}
	d.factor(p, sc, unit, offset)
}

// scaleOf reads the scale and its kindred columns.
func (d *Draft) scaleOf(p *point) (sc scaling) {
	for _, c := range []column{colScale, colDivisor, colMultiplier, colDecimals} {
		text := p.row.get(c)
		if text == "" || text == "-" {
			continue
		}
		got, err := parseScale(text)
		if err != nil {
			d.on(p, c, "%v: the value stands as it is read", err)
			continue
		}
		d.direction(p, c, text, &got)
		if got.doubt != "" {
			d.on(p, c, "%s", got.doubt)
		}
		if sc.factor != 0 && got.factor != 0 && sc.factor != got.factor {
			d.on(p, c, "%s contradicts the scale before it, which is taken", text)
			continue
		}
		if sc.factor == 0 && sc.raw == nil {
			sc = got
		}
	}
	if text := p.row.get(colSignal); text != "" {
		if s, ok := ParseSpan(text); ok && milliamps(s.Unit) && s.Low == 4 && s.High == 20 {
			sc.loop = true
		}
	}
	return sc
}

// direction decides whether a bare 10 multiplies or divides.
func (d *Draft) direction(p *point, c column, text string, sc *scaling) {
	bare := strings.Trim(text, "0123456789.,") == "" && sc.factor >= 1
	switch {
	case c == colDecimals && bare:
		sc.factor, sc.doubt = math.Pow10(-int(sc.factor)), ""
	case c == colDecimals && text == "0":
		sc.factor = 1
	case c == colDivisor && sc.factor != 0 && !strings.HasPrefix(text, "/"):
		sc.factor = exact(1 / sc.factor)
	case c == colScale && bare && sc.factor > 1:
		sc.factor = exact(1 / sc.factor)
		sc.doubt = fmt.Sprintf("%s may divide or multiply: the count is divided by it (one count is %s)", text, number(sc.factor))
	}
}

// spans reads the range columns: the ends of counts and of values.
func (d *Draft) spans(p *point, sc *scaling) {
	if s, ok := d.pair(p, colRawLow, colRawHigh); ok {
		sc.raw = &s
	}
	if s, ok := d.pair(p, colLow, colHigh); ok && sc.eng == nil {
		sc.eng = &s
	}
	if sc.eng != nil && sc.raw == nil && sc.factor != 1 && countsOf(*sc.eng) {
		d.on(p, colLow, "%s to %s look like what a register can hold, not like a range: left out", number(sc.eng.Low), number(sc.eng.High))
		sc.eng = nil
	}
	text := p.row.get(colRange)
	if text == "" || text == "-" || sc.eng != nil {
		return
	}
	s, ok := ParseSpan(text)
	if !ok {
		d.on(p, colRange, "%q is no range such as 0-16 bar", text)
		return
	}
	sc.eng = &s
	if sc.unit == "" {
		sc.unit = s.Unit
	}
}

// countsOf reports whether a span is that of a whole register.
func countsOf(s Span) bool {
	return (s.Low == 0 || s.Low == -32768) && (s.High == 65535 || s.High == 32767 || s.High == 27648 || s.High == math.MaxUint32) && s.Unit == ""
}

// pair reads two columns as the ends of a span.
func (d *Draft) pair(p *point, low, high column) (Span, bool) {
	a, b := p.row.get(low), p.row.get(high)
	if a == "" || b == "" || a == "-" || b == "-" {
		return Span{}, false
	}
	s, ok := ParseSpan(a + " to " + b)
	if !ok {
		d.on(p, low, "%q and %q are no two ends of a range", a, b)
	}
	return s, ok
}

// unitOf settles the unit: that of its column, else that of scale or range.
func (d *Draft) unitOf(p *point, sc *scaling) units.Unit {
	out := units.None
	for _, from := range []struct {
		c    column
		text string
	}{{colUnit, p.row.get(colUnit)}, {colScale, sc.unit}, {colRange, spanUnit(sc.eng)}} {
		if from.text == "" {
			continue
		}
		u, doubt, err := Unit(from.text)
		switch {
		case err != nil:
			d.on(p, from.c, "%v: the value stands without a unit", err)
		case doubt != "" && out == units.None:
			d.on(p, from.c, "%s", doubt)
		case u != units.None && out != units.None && u != out:
			if _, err := (units.Quantity{Value: 1, Unit: u}).In(out); err != nil || from.c != colRange {
				d.on(p, from.c, "%s contradicts the unit %s, which is taken", from.text, out)
			}
		}
		if err == nil && out == units.None {
			out = u
		}
	}
	return out
}

func spanUnit(s *Span) string {
	if s == nil {
		return ""
	}
	return s.Unit
}

func (d *Draft) offsetOf(p *point) float64 {
	text := p.row.get(colOffset)
	if text == "" || text == "-" {
		return 0
	}
	f, err := parseNumber(text)
	if err != nil {
		d.on(p, colOffset, "%q is no offset", text)
		return 0
	}
	return f
}

// with returns a value with its unit.
func with(v float64, u units.Unit) string {
	s := number(v)
	if u != units.None {
		s += " " + u.String()
	}
	return quoted(s)
}

// twoEnds writes a scale from two raw values to two values.
func (d *Draft) twoEnds(p *point, sc scaling, u units.Unit) {
	from := [2]string{number(sc.raw.Low), number(sc.raw.High)}
	if sc.loop {
		p.keys = append(p.keys, "signal: 4-20mA")
		if milliamps(sc.raw.Unit) {
			p.keys = append(p.keys, "raw-per-mA: 1000")
			from[0], from[1] = from[0]+" mA", from[1]+" mA"
		}
	}
	p.keys = append(p.keys, fmt.Sprintf("scale: {from: [%s, %s], to: [%s, %s]}", from[0], from[1], d.end(sc.eng.Low, sc, u), d.end(sc.eng.High, sc, u)))
	if u != units.None {
		p.keys = append(p.keys, "unit: "+quoted(u.String()))
	}
	if p.Type == modbus.Float32 || p.Type == modbus.Float64 {
		d.on(p, colScale, "a float that is scaled from counts: does the device not send the value itself?")
	}
}

// end returns an end of a range in its own unit, where that converts, else in the point's.
func (d *Draft) end(v float64, sc scaling, u units.Unit) string {
	own, _, err := Unit(spanUnit(sc.eng))
	if err != nil || own == units.None {
		return with(v, u)
	}
	if _, err := (units.Quantity{Value: v, Unit: own}).In(u); err != nil {
		return with(v, u)
	}
	return with(v, own)
}

// factor writes the value of one count, with an offset as two ends, and the range.
func (d *Draft) factor(p *point, sc scaling, u units.Unit, offset float64) {
	f := sc.factor
	if f == 0 {
		f = 1
	}
	switch {
	case offset != 0:
		low, high := rawEnds(p.Type)
		p.keys = append(p.keys, fmt.Sprintf("scale: {from: [%s, %s], to: [%s, %s]}", number(low), number(high), with(exact(low*f+offset), u), with(exact(high*f+offset), u)))
		d.on(p, colOffset, "the offset is added after the scale: count x %s + %s", number(f), number(offset))
	case f != 1:
		p.keys = append(p.keys, "scale: "+with(f, u))
	}
	if u != units.None && (f == 1 || offset != 0) {
		p.keys = append(p.keys, "unit: "+quoted(u.String()))
	}
	if sc.eng == nil || sc.eng.Low > sc.eng.High {
		return
	}
	p.keys = append(p.keys, fmt.Sprintf("range: [%s, %s]", d.end(sc.eng.Low, sc, u), d.end(sc.eng.High, sc, u)))
	if whole := p.Type == modbus.Int16 || p.Type == modbus.Uint16; whole && f == 1 && offset == 0 && sc.eng.High <= 1000 {
		d.on(p, colRange, "only what the instrument measures is given, not how many counts that is: the count is taken for the value; survey with --expect and --range tells")
	}
}

// rawEnds returns the ends of what a type can hold, so that a scale through them limits nothing.
func rawEnds(t modbus.Type) (low, high float64) {
	switch t {
	case modbus.Int16:
		return -32768, 32767
	case modbus.Uint16, modbus.BCD16:
		return 0, 65535
	case modbus.Int32:
		return math.MinInt32, math.MaxInt32
	case modbus.Uint32, modbus.BCD32:
		return 0, math.MaxUint32
	}
	return -1e9, 1e9
}
