// Package units parses the units that people write beside their instruments and
// converts between them exactly.
//
// Factors are kept as exact rational numbers, built from the definitions in
// NIST Special Publication 811 (2008), Appendix B; a conversion is rounded once.
// What does not measure the same thing does not convert: litres and bars, but
// also FNU and NTU (two methods of measuring turbidity), or the hertz of a drive
// and the revolutions of its motor. Gauge and absolute pressure are not units:
// 'bar' means what the instrument's range means. Water and mercury columns are
// the conventional ones (water of 4 degC, mercury of 0 degC, standard gravity),
// gal is the US gallon, hp is 550 ft lbf/s, Btu is the International Table's, h/d
// is a ratio, ppm is a ratio and never mg/L.
//
//	q, _ := units.ParseQuantity("80 psi")
//	bar, _ := units.Parse("bar")
//	v, _ := q.In(bar) // 5.515805834534685
package units

import (
	"fmt"
	"strings"
)

// Unit is one unit of measurement, such as 'bar', 'L/min' or '%/min'. Units are
// compared with ==; the zero value is no unit: a plain number.
type Unit struct {
	of    uint8    // index in the catalog; 0: none
	times [2]uint8 // the times it is divided by ('L/min/s'); 0: none
}

// None is the unit of a plain number.
var None = Unit{}

// Parse returns the unit that symbol names: one of the catalog's names ('bar',
// 'gpm', 'uS/cm', '°C'), or any of these per time ('bar/s', '%/min', 'cars/h').
// Case matters, as in the SI (mW is not MW). An empty symbol is None. The error
// for an unknown symbol names the nearest known one.
func Parse(symbol string) (Unit, error) {
	name := spelling.Replace(strings.TrimSpace(symbol))
	if u, ok := lookUp(name); ok {
		return u, nil
	}
	if why, ok := traps[name]; ok {
		return None, fmt.Errorf("unit %q: %s", symbol, why)
	}
	if of, per, ok := cutLast(name, "/"); ok {
		if why := notPerTime(of, per); why != "" {
			return None, fmt.Errorf("unit %q: %s", symbol, why)
		}
	}
	if near := nearest(name); near != "" {
		return None, fmt.Errorf("unknown unit %q (did you mean %s?)", symbol, near)
	}
	return None, fmt.Errorf("unknown unit %q", symbol)
}

// spelling brings the ways of writing one symbol to one.
var spelling = strings.NewReplacer("²", "2", "³", "3", "µ", "u", "μ", "u",
	"℃", "degC", "℉", "degF", "°", "deg", " / ", "/", " /", "/", "/ ", "/")

// traps are symbols that people write and that are no units, each with what to do.
var traps = map[string]string{
	"barg": "gauge or absolute is not part of a unit, write bar",
	"bara": "gauge or absolute is not part of a unit, write bar",
	"psig": "gauge or absolute is not part of a unit, write psi",
	"psia": "gauge or absolute is not part of a unit, write psi",
	"psid": "a difference is not part of a unit, write psi",
	"C":    "it is the coulomb, write degC",
	"F":    "it is the farad, write degF",
	"scfm": "a flow at standard conditions needs their pressure and temperature, write ft3/min if the meter shows that",
}

func lookUp(name string) (Unit, bool) {
	if name == "" {
		return None, true
	}
	if u, ok := catalog.byName[name]; ok {
		return u, true
	}
	of, per, ok := cutLast(name, "/")
	if !ok {
		return None, false
	}
	t, ok := catalog.byName[per]
	if !ok || t.kind() != time1 {
		return None, false
	}
	u, ok := lookUp(of)
	if of == "1" {
		u, ok = None, true
	}
	if !ok || u.times[1] != 0 {
		return None, false
	}
	return u.divided(t.of), true
}

// notPerTime says why a division whose two sides are known is no unit.
func notPerTime(of, per string) string {
	u, known := lookUp(of)
	if !known && of != "1" {
		return ""
	}
	if per == "m" {
		return fmt.Sprintf("m is a length (did you mean %s/min?)", of)
	}
	p, known := lookUp(per)
	if !known || p == None {
		return ""
	}
	if p.kind() == time1 && u.times[1] != 0 {
		return "divided by time more than twice"
	}
	return fmt.Sprintf("only a time may stand under the stroke, %s is %s", per, p.describe())
}

func cutLast(s, sep string) (before, after string, found bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return s, "", false
}

func (u Unit) divided(time uint8) Unit {
	if u.times[0] == 0 {
		u.times[0] = time
	} else {
		u.times[1] = time
	}
	return u
}

// Per returns the unit u per time, as the rate of change of a point in u. The
// error says that t is not a time or that u is per time twice already.
func (u Unit) Per(t Unit) (Unit, error) {
	if t.times[0] != 0 || t.kind() != time1 {
		return None, fmt.Errorf("%s per %s: %s is no time", u, t, t)
	}
	if u.times[1] != 0 {
		return None, fmt.Errorf("%s per %s: divided by time more than twice", u, t)
	}
	return u.divided(t.of), nil
}

// String returns the unit's symbol in plain ASCII, as Parse reads it; "" for None.
func (u Unit) String() string {
	if u == None {
		return ""
	}
	s, times := catalog.entries[u.of].symbol, u.times[:]
	if u.of == 0 {
		s = "1"
	}
	if short, ok := catalog.short[Unit{u.of, [2]uint8{times[0]}}]; ok {
		s, times = short, times[1:]
	}
	for _, t := range times {
		if t != 0 {
			s += "/" + catalog.entries[t].symbol
		}
	}
	return s
}

// MarshalText returns the symbol.
func (u Unit) MarshalText() ([]byte, error) { return []byte(u.String()), nil }

// UnmarshalText reads a symbol as Parse does.
func (u *Unit) UnmarshalText(text []byte) (err error) {
	*u, err = Parse(string(text))
	return err
}

// Symbols returns the symbol of every unit in the catalog, for documentation and schemas.
func Symbols() []string {
	s := make([]string, 0, len(catalog.entries)-1)
	for _, e := range catalog.entries[1:] {
		s = append(s, e.symbol)
	}
	return s
}
