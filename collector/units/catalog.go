package units

import (
	"fmt"
	"math/big"
	"strings"
)

// entry is one unit of the catalog: value in base = (value + offset) * factor.
type entry struct {
	symbol string
	names  string // other spellings, spaced
	kind   kind
	factor string // product of terms joined by * and /, in the kind's base unit
	offset string // added before the factor; "" is 0
}

// Lengths and forces that define others; all exact (SP 811, B.8).
const (
	inch = "0.0254"
	foot = "0.3048"
	lb   = "0.45359237"
	g0   = "9.80665"
	gal  = "3.785411784" // litres: 231 cubic inches
)

// definitions lists every unit by its definition. Bases: Pa, degC, m, m2, L, g,
// s, V, A, W, J, Hz, S/m, g/L, ohm; 1 for ratios and counts.
// Water and mercury columns are the conventional ones (4 degC and 0 degC, standard gravity).
var definitions = []entry{
	{symbol: ""},
	{"Pa", "pascal pascals", pressure, "1", ""},
	{"hPa", "", pressure, "100", ""},
	{"kPa", "", pressure, "1000", ""},
	{"MPa", "", pressure, "1000000", ""},
	{"bar", "bars", pressure, "100000", ""},
	{"mbar", "", pressure, "100", ""},
	{"psi", "PSI lbf/in2", pressure, lb + "*" + g0 + "/" + inch + "/" + inch, ""},
	{"atm", "", pressure, "101325", ""},
	{"torr", "Torr", pressure, "101325/760", ""},
	{"mmHg", "", pressure, "13.5951*" + g0, ""},
	{"inHg", "", pressure, "13.5951*25.4*" + g0, ""},
	{"mmH2O", "mmWC", pressure, g0, ""},
	{"inH2O", "inWC", pressure, "25.4*" + g0, ""},
	{"ftH2O", "ftWC", pressure, "304.8*" + g0, ""},
	{"mH2O", "mWC", pressure, "1000*" + g0, ""},
	{"kgf/cm2", "kg/cm2", pressure, "10000*" + g0, ""},

	{"degC", "celsius", temperature, "1", ""},
	{"degF", "fahrenheit", temperature, "5/9", "-32"},
	{"K", "kelvin", temperature, "1", "-273.15"},

	{"m", "metre metres meter meters", length, "1", ""},
	{"km", "", length, "1000", ""},
	{"dm", "", length, "0.1", ""},
	{"cm", "", length, "0.01", ""},
	{"mm", "", length, "0.001", ""},
	{"um", "", length, "0.000001", ""},
	{"in", "inch inches", length, inch, ""},
	{"ft", "foot feet", length, foot, ""},

	{"m2", "", area, "1", ""},
	{"cm2", "", area, "0.0001", ""},
	{"mm2", "", area, "0.000001", ""},
	{"ft2", "", area, foot + "*" + foot, ""},
	{"in2", "", area, inch + "*" + inch, ""},

	{"L", "l litre litres liter liters dm3", volume, "1", ""},
	{"mL", "ml cm3", volume, "0.001", ""},
	{"m3", "", volume, "1000", ""},
	{"gal", "gallon gallons USgal", volume, gal, ""},
	{"kgal", "", volume, "1000*" + gal, ""},
	{"impgal", "", volume, "4.54609", ""},
	{"ft3", "cuft", volume, "1000*" + foot + "*" + foot + "*" + foot, ""},
	{"in3", "cuin", volume, "1000*" + inch + "*" + inch + "*" + inch, ""},

	{"kg", "", mass, "1000", ""},
	{"g", "gram grams", mass, "1", ""},
	{"mg", "", mass, "0.001", ""},
	{"t", "tonne tonnes", mass, "1000000", ""},
	{"lb", "lbs", mass, "1000*" + lb, ""},

	{"s", "sec second seconds", time1, "1", ""},
	{"ms", "", time1, "0.001", ""},
	{"us", "", time1, "0.000001", ""},
	{"min", "minute minutes", time1, "60", ""},
	{"h", "hr hour hours", time1, "3600", ""},
	{"d", "day days", time1, "86400", ""},

	{"V", "volt volts", voltage, "1", ""},
	{"mV", "", voltage, "0.001", ""},
	{"kV", "", voltage, "1000", ""},
	{"A", "amp amps ampere amperes", current, "1", ""},
	{"mA", "", current, "0.001", ""},
	{"uA", "", current, "0.000001", ""},
	{"kA", "", current, "1000", ""},
	{"ohm", "ohms", resistance, "1", ""},
	{"kohm", "", resistance, "1000", ""},
	{"Mohm", "", resistance, "1000000", ""},

	{"W", "watt watts", power, "1", ""},
	{"mW", "", power, "0.001", ""},
	{"kW", "", power, "1000", ""},
	{"MW", "", power, "1000000", ""},
	{"hp", "HP", power, "550*" + foot + "*" + lb + "*" + g0, ""}, // 550 ft lbf/s
	{"hp-electric", "", power, "746", ""},
	{"hp-metric", "PS", power, "75*" + g0, ""}, // 75 kgf m/s
	{"VA", "", apparent, "1", ""},
	{"kVA", "", apparent, "1000", ""},
	{"var", "", reactive, "1", ""},
	{"kvar", "", reactive, "1000", ""},

	{"J", "joule joules", energy, "1", ""},
	{"kJ", "", energy, "1000", ""},
	{"MJ", "", energy, "1000000", ""},
	{"Wh", "", energy, "3600", ""},
	{"kWh", "", energy, "3600000", ""},
	{"MWh", "", energy, "3600000000", ""},
	{"Btu", "BTU", energy, "1055.05585262", ""}, // International Table

	{"Hz", "hertz", frequency, "1", ""},
	{"kHz", "", frequency, "1000", ""},
	{"mHz", "", frequency, "0.001", ""},
	{"r", "rev revolution revolutions", revolution, "1", ""},

	{"ratio", "", ratio, "1", ""},
	{"%", "percent pct", ratio, "0.01", ""},
	{"ppm", "", share, "0.000001", ""},
	{"ppb", "", share, "0.000000001", ""},

	{"FNU", "", fnu, "1", ""},
	{"NTU", "", ntu, "1", ""},
	{"FAU", "", fau, "1", ""},
	{"pH", "", acidity, "1", ""},
	{"S/m", "", conductivity, "1", ""},
	{"mS/cm", "", conductivity, "0.1", ""},
	{"uS/cm", "", conductivity, "0.0001", ""},
	{"mS/m", "", conductivity, "0.001", ""},
	{"g/L", "g/l kg/m3", concentration, "1", ""},
	{"mg/L", "mg/l g/m3", concentration, "0.001", ""},
	{"ug/L", "ug/l", concentration, "0.000001", ""},

	{"cars", "car vehicle vehicles", cars, "1", ""},
	{"pulses", "pulse", pulses, "1", ""},
	{"starts", "start", starts, "1", ""},
	{"dBm", "", signal, "1", ""}, // power over 1 mW (ITU-R V.574); it converts to nothing: a logarithm adds up differently
}

// contractions are one-word names of units per time; those marked are also how they print.
var contractions = []struct {
	name, of, per string
	prints        bool
}{
	{"rpm", "r", "min", true},
	{"gpm", "gal", "min", false},
	{"gph", "gal", "h", false},
	{"gpd", "gal", "d", false},
	{"cfm", "ft3", "min", false},
	{"lpm", "L", "min", false},
	{"LPM", "L", "min", false},
	{"lps", "L", "s", false},
	{"GPM", "gal", "min", false},
	{"CFM", "ft3", "min", false},
}

type defined struct {
	symbol         string
	kind           kind
	factor, offset *big.Rat
}

type units struct {
	entries []defined
	byName  map[string]Unit
	short   map[Unit]string
	names   []string // all names in the catalog's order, to find near ones
}

// catalog is made once and does not change.
var catalog = newCatalog()

func newCatalog() units {
	c := units{byName: make(map[string]Unit), short: make(map[Unit]string)}
	for i, e := range definitions {
		d := defined{symbol: e.symbol, kind: e.kind, factor: product(e.factor), offset: product(e.offset)}
		c.entries = append(c.entries, d)
		if i > 0 {
			c.add(e.symbol, Unit{of: uint8(i)})
			for _, n := range strings.Fields(e.names) {
				c.add(n, Unit{of: uint8(i)})
			}
		}
	}
	for _, k := range contractions {
		u := c.byName[k.of].divided(c.byName[k.per].of)
		c.add(k.name, u)
		if k.prints {
			c.short[u] = k.name
		}
	}
	return c
}

func (c *units) add(name string, u Unit) {
	c.byName[name] = u
	c.names = append(c.names, name)
}

// product returns the exact value of terms joined by * and /; "" is 0.
func product(text string) *big.Rat {
	v := new(big.Rat)
	if text == "" {
		return v
	}
	v.SetInt64(1)
	for _, factor := range strings.Split(text, "*") {
		over := strings.Split(factor, "/")
		v.Mul(v, term(over[0]))
		for _, d := range over[1:] {
			v.Quo(v, term(d))
		}
	}
	return v
}

func term(text string) *big.Rat {
	v, ok := new(big.Rat).SetString(text)
	if !ok {
		panic(fmt.Sprintf("units: %q in the catalog is no number", text))
	}
	return v
}
