package units

import (
	"fmt"
	"strings"
)

// kind is what a unit measures, apart from being per time.
type kind uint8

const (
	number kind = iota
	pressure
	temperature
	length
	area
	volume
	mass
	time1 // 'time', which is also a package
	voltage
	current
	resistance
	power
	apparent
	reactive
	energy
	frequency
	revolution
	ratio
	share
	fnu
	ntu
	fau
	acidity
	conductivity
	concentration
	cars
	pulses
	starts
	signal
)

// kindInfo holds the words and metric names of a kind, by how often it is
// divided by time; what is missing follows from the one before.
type kindInfo struct {
	words  []string
	base   string // symbol of the base unit
	metric []string
}

var kinds = [...]kindInfo{
	number:        {[]string{"plain number", "frequency"}, "", []string{"value", "frequency_hertz", "frequency_hertz_per_second"}},
	pressure:      {[]string{"pressure"}, "Pa", []string{"pressure_pascals"}},
	temperature:   {[]string{"temperature"}, "degC", []string{"temperature_celsius"}},
	length:        {[]string{"length", "speed", "acceleration"}, "m", []string{"level_meters", "speed_meters_per_second"}},
	area:          {[]string{"area"}, "m2", []string{"area_square_meters"}},
	volume:        {[]string{"volume", "flow"}, "L", []string{"volume_liters", "flow_liters_per_second"}},
	mass:          {[]string{"mass"}, "g", []string{"mass_grams"}},
	time1:         {[]string{"time"}, "s", []string{"duration_seconds"}},
	voltage:       {[]string{"voltage"}, "V", []string{"voltage_volts"}},
	current:       {[]string{"current"}, "A", []string{"current_amperes"}},
	resistance:    {[]string{"resistance"}, "ohm", []string{"resistance_ohms"}},
	power:         {[]string{"power"}, "W", []string{"power_watts"}},
	apparent:      {[]string{"apparent power"}, "VA", []string{"apparent_power_voltamperes"}},
	reactive:      {[]string{"reactive power"}, "var", []string{"reactive_power_vars"}},
	energy:        {[]string{"energy"}, "J", []string{"energy_joules"}},
	frequency:     {[]string{"frequency"}, "Hz", []string{"frequency_hertz"}},
	revolution:    {[]string{"count of revolutions", "rotational speed"}, "r", []string{"revolutions"}},
	ratio:         {[]string{"ratio"}, "ratio", []string{"level_ratio"}},
	share:         {[]string{"ratio"}, "ratio", []string{"concentration_ratio"}},
	fnu:           {[]string{"turbidity"}, "FNU", []string{"turbidity_fnu"}},
	ntu:           {[]string{"turbidity"}, "NTU", []string{"turbidity_ntu"}},
	fau:           {[]string{"turbidity"}, "FAU", []string{"turbidity_fau"}},
	acidity:       {[]string{"acidity"}, "pH", []string{"acidity_ph"}},
	conductivity:  {[]string{"conductivity"}, "S/m", []string{"conductivity_siemens_per_meter"}},
	concentration: {[]string{"concentration"}, "g/L", []string{"concentration_grams_per_liter"}},
	cars:          {[]string{"count of cars"}, "cars", []string{"cars"}},
	pulses:        {[]string{"count of pulses"}, "pulses", []string{"pulses"}},
	starts:        {[]string{"count of starts"}, "starts", []string{"starts"}},
	signal:        {[]string{"signal strength"}, "dBm", []string{"signal_dbm"}},
}

// dimension is what a unit measures: units convert when theirs are equal.
type dimension struct {
	kind    kind
	perTime int
}

func (u Unit) kind() kind { return catalog.entries[u.of].kind }

// dimension brings what is the same quantity to one form: energy per time is
// power, time per time a ratio, a number per time a frequency.
func (u Unit) dimension() dimension {
	d := dimension{kind: u.kind()}
	for _, t := range u.times {
		if t != 0 {
			d.perTime++
		}
	}
	switch {
	case d.kind == share:
		d.kind = ratio
	case d.kind == frequency:
		return dimension{number, d.perTime + 1}
	case d.kind == energy && d.perTime > 0:
		return dimension{power, d.perTime - 1}
	case d.kind == time1 && d.perTime > 0:
		return dimension{ratio, d.perTime - 1}
	}
	return d
}

// Dimension returns in words what the unit measures: 'pressure', 'flow', 'pressure per time'.
func (u Unit) Dimension() string {
	d := u.dimension()
	return derived(kinds[d.kind].words, d.perTime, " per time")
}

// derived returns words[n], or the last word there is followed by as many suffixes as are missing.
func derived(words []string, n int, suffix string) string {
	last := min(n, len(words)-1)
	return words[last] + strings.Repeat(suffix, n-last)
}

// describe returns the dimension with its article: 'a volume'.
func (u Unit) describe() string {
	words := u.Dimension()
	if strings.ContainsRune("aeiou", rune(words[0])) {
		return "an " + words
	}
	return "a " + words
}

// Base returns the unit in which metrics of u's dimension are exported and the
// name of their family without the program's prefix: for psi 'Pa' and
// 'pressure_pascals'. Convert gives the way there. A plain number is a 'value'.
func Base(u Unit) (base Unit, metric string) {
	d := u.dimension()
	info := kinds[d.kind]
	metric = derived(info.metric, d.perTime, "_per_second")
	if u.kind() == share {
		metric = derived(kinds[share].metric, d.perTime, "_per_second")
	}
	base = catalog.byName[info.base]
	n := d.perTime
	if d.kind == number && n > 0 {
		base, n = catalog.byName["Hz"], n-1
	}
	for ; n > 0; n-- {
		base = base.divided(catalog.byName["s"].of)
	}
	return base, metric
}

func mismatch(from, to Unit) error {
	a, b := from.Dimension(), to.Dimension()
	switch {
	case from == None:
		return fmt.Errorf("a plain number has no unit to convert to %s", to)
	case to == None:
		return fmt.Errorf("%s is %s and does not convert to a plain number", from, from.describe())
	case a == b:
		return fmt.Errorf("%s and %s measure %s by different methods and do not convert", from, to, a)
	}
	return fmt.Errorf("%s is %s, %s is %s", from, from.describe(), to, to.describe())
}
