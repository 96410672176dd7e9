package pointlist

import (
	"fmt"
	"strings"

	"roundsman/collector/units"
)

// unitWords are units as people write them in lists beside the symbols that package units knows. The doubt, where
// there is one, is what a person must confirm.
var unitWords = map[string]struct{ symbol, doubt string }{
	"c": {"degC", "C is taken for degrees Celsius"}, "deg c": {"degC", ""}, "deg.c": {"degC", ""}, "grad c": {"degC", ""}, "° c": {"degC", ""}, "ºc": {"degC", ""}, "°c": {"degC", ""},
	"f": {"degF", "F is taken for degrees Fahrenheit"}, "deg f": {"degF", ""}, "deg.f": {"degF", ""}, "° f": {"degF", ""}, "ºf": {"degF", ""}, "°f": {"degF", ""},
	"ltr": {"L", ""}, "lit": {"L", ""}, "cbm": {"m3", ""}, "cu m": {"m3", ""},
	"l/m":   {"L/min", "l/m is taken for litres a minute"},
	"l/hr":  {"L/h", ""},
	"cbm/h": {"m3/h", ""}, "m3/hr": {"m3/h", ""},
	"u/min": {"rpm", ""}, "1/min": {"rpm", "1/min is taken for revolutions a minute"}, "min-1": {"rpm", "min-1 is taken for revolutions a minute"},
	"hrs": {"h", ""}, "std": {"h", "Std is taken for hours"}, "stunden": {"h", ""}, "mins": {"min", ""}, "secs": {"s", ""}, "sek": {"s", ""},
	"us": {"us", ""}, "us/cm": {"uS/cm", ""}, "ms/cm": {"mS/cm", ""},
	"ph": {"pH", ""}, "amps": {"A", ""}, "volts": {"V", ""}, "kw": {"kW", ""}, "kwh": {"kWh", ""}, "ma": {"mA", ""}, "mv": {"mV", ""}, "hz": {"Hz", ""},
	"kpa": {"kPa", ""}, "mpa": {"MPa", ""}, "psi": {"psi", ""}, "bar": {"bar", ""}, "mbar": {"mbar", ""}, "ntu": {"NTU", ""}, "fnu": {"FNU", ""},
	`"`: {"in", `" is taken for inches`}, `"wc`: {"inH2O", ""}, "in wc": {"inH2O", ""}, "in.wc": {"inH2O", ""}, "inwc": {"inH2O", ""},
	"percent": {"%", ""}, "prozent": {"%", ""}, "rh": {"%", ""}, "%rh": {"%", ""}, "% rh": {"%", ""},
	"gal/min": {"gpm", ""}, "gals": {"gal", ""}, "us gal": {"gal", ""},
	"kwhr": {"kWh", ""}, "deg": {"degC", "deg is taken for degrees Celsius"}, "celsius": {"degC", ""},
}

// noUnits are words for a plain number.
var noUnits = map[string]bool{"": true, "-": true, "--": true, "–": true, "none": true, "n/a": true, "na": true, "nil": true, "bool": true, "bit": true,
	"count": true, "counts": true, "raw": true, "pcs": true, "stk": true, "stück": true, "on/off": true, "0/1": true, "x": true}

// gauges are endings of a pressure that say gauge or absolute.
var gauges = []struct{ ending, word string }{
	{"(g)", "gauge"}, {"(a)", "absolute"}, {" gauge", "gauge"}, {" abs.", "absolute"}, {" abs", "absolute"}, {" rel.", "gauge"}, {" rel", "gauge"},
	{" g", "gauge"}, {" a", "absolute"}, {"ü", "gauge"}, {"g", "gauge"}, {"a", "absolute"}, {"d", "difference"},
}

// Unit reads a unit as people write it in a list. doubt says what was taken for
// granted, "" where nothing was. The error is that of units.Parse.
func Unit(text string) (u units.Unit, doubt string, err error) {
	text = strings.Trim(strings.TrimSpace(text), "[]")
	lower := strings.ToLower(strings.Join(strings.Fields(text), " "))
	if noUnits[lower] {
		return units.None, "", nil
	}
	if u, err = units.Parse(text); err == nil {
		return u, "", nil
	}
	if u, doubt, ok := gauge(lower); ok {
		return u, doubt, nil
	}
	plain := strings.NewReplacer("³", "3", "²", "2", "µ", "u", "μ", "u", " / ", "/").Replace(lower)
	if w, ok := unitWords[plain]; ok {
		u, err = units.Parse(w.symbol)
		return u, w.doubt, err
	}
	return units.None, "", err
}

// gauge reads a pressure with gauge or absolute in its unit: 'barg', 'bar (abs)', 'psia'.
func gauge(lower string) (units.Unit, string, bool) {
	for _, g := range gauges {
		base, ok := strings.CutSuffix(lower, g.ending)
		base = strings.TrimSpace(base)
		if !ok || base != "bar" && base != "mbar" && base != "psi" && base != "kpa" && base != "mpa" {
			continue
		}
		symbol := map[string]string{"kpa": "kPa", "mpa": "MPa"}[base]
		if symbol == "" {
			symbol = base
		}
		u, err := units.Parse(symbol)
		doubt := ""
		if g.word == "absolute" {
			doubt = fmt.Sprintf("the pressure is absolute: %s below means absolute, and about 1 bar more than a gauge shows", symbol)
		}
		return u, doubt, err == nil
	}
	return units.None, "", false
}
