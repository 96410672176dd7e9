package units_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"roundsman/collector/units"
)

func unit(t *testing.T, symbol string) units.Unit {
	t.Helper()
	u, err := units.Parse(symbol)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func TestParse(t *testing.T) {
	tests := []struct{ text, symbol, dimension string }{
		{"", "", "plain number"},
		{"bar", "bar", "pressure"},
		{"kgf/cm2", "kgf/cm2", "pressure"},
		{"°C", "degC", "temperature"},
		{"m³/h", "m3/h", "flow"},
		{"gpm", "gal/min", "flow"},
		{"cfm", "ft3/min", "flow"},
		{"l/min", "L/min", "flow"},
		{"L / min", "L/min", "flow"},
		{"L/min/s", "L/min/s", "flow per time"},
		{"bar/s", "bar/s", "pressure per time"},
		{"%/min", "%/min", "ratio per time"},
		{"m/min", "m/min", "speed"},
		{"kg/h", "kg/h", "mass per time"},
		{"degC/min", "degC/min", "temperature per time"},
		{"µS/cm", "uS/cm", "conductivity"},
		{"mg/l", "mg/L", "concentration"},
		{"mg/L/h", "mg/L/h", "concentration per time"},
		{"kWh/d", "kWh/d", "power"},
		{"h/d", "h/d", "ratio"},
		{"1/min", "1/min", "frequency"},
		{"/min", "1/min", "frequency"},
		{"Hz", "Hz", "frequency"},
		{"Hz/s", "Hz/s", "frequency per time"},
		{"rpm", "rpm", "rotational speed"},
		{"rpm/s", "rpm/s", "rotational speed per time"},
		{"cars/h", "cars/h", "count of cars per time"},
		{"vehicles", "cars", "count of cars"},
		{"pH", "pH", "acidity"},
		{"FNU", "FNU", "turbidity"},
		{"hr", "h", "time"},
		{"kW", "kW", "power"},
		{"Wh", "Wh", "energy"},
		{"mV", "mV", "voltage"},
		{"mA", "mA", "current"},
		{"lb", "lb", "mass"},
		{"ppm", "ppm", "ratio"},
		{"impgal", "impgal", "volume"},
		{"inH2O", "inH2O", "pressure"},
	}
	for _, tt := range tests {
		u := unit(t, tt.text)
		if u.String() != tt.symbol || u.Dimension() != tt.dimension {
			t.Errorf("Parse(%q) is %q, a %q; want %q, a %q", tt.text, u, u.Dimension(), tt.symbol, tt.dimension)
		}
	}
}

func TestEverySymbolReadsBack(t *testing.T) {
	per := []string{"", "/s", "/min", "/h/s"}
	for _, s := range units.Symbols() {
		for _, p := range per {
			u := unit(t, s+p)
			if again := unit(t, u.String()); again != u {
				t.Errorf("%s prints as %q, which reads as %q", s+p, u, again)
			}
		}
	}
}

func TestParseErrors(t *testing.T) {
	tests := []struct{ text, want string }{
		{"bbar", `unknown unit "bbar" (did you mean bar?)`},
		{"Bar", `unknown unit "Bar" (did you mean bar?)`},
		{"KPA", `unknown unit "KPA" (did you mean kPa?)`},
		{"gmp", `unknown unit "gmp" (did you mean gpm?)`},
		{"litr/min", `unknown unit "litr/min" (did you mean litre/min?)`},
		{"zorkmid", `unknown unit "zorkmid"`},
		{"barg", `unit "barg": gauge or absolute is not part of a unit, write bar`},
		{"C", `unit "C": it is the coulomb, write degC`},
		{"bar/m", `unit "bar/m": m is a length (did you mean bar/min?)`},
		{"bar/L", `unit "bar/L": only a time may stand under the stroke, L is a volume`},
		{"bar/s/s/s", `unit "bar/s/s/s": divided by time more than twice`},
	}
	for _, tt := range tests {
		u, err := units.Parse(tt.text)
		if err == nil || err.Error() != tt.want {
			t.Errorf("Parse(%q) error %v, want %s", tt.text, err, tt.want)
		}
		if u != units.None {
			t.Errorf("Parse(%q) gives a unit with its error: %q", tt.text, u)
		}
	}
}

func TestConvertErrors(t *testing.T) {
	tests := []struct{ from, to, want string }{
		{"L", "bar", "L is a volume, bar is a pressure"},
		{"A", "bar/s", "A is a current, bar/s is a pressure per time"},
		{"FNU", "NTU", "FNU and NTU measure turbidity by different methods and do not convert"},
		{"NTU", "FAU", "NTU and FAU measure turbidity by different methods and do not convert"},
		{"Hz", "rpm", "Hz is a frequency, rpm is a rotational speed"},
		{"", "bar", "a plain number has no unit to convert to bar"},
		{"kWh", "", "kWh is an energy and does not convert to a plain number"},
		{"cars", "pulses", "cars is a count of cars, pulses is a count of pulses"},
		{"kVA", "kW", "kVA is an apparent power, kW is a power"},
	}
	for _, tt := range tests {
		_, _, err := units.Convert(unit(t, tt.from), unit(t, tt.to))
		if err == nil || err.Error() != tt.want {
			t.Errorf("Convert(%s, %s) error %v, want %s", tt.from, tt.to, err, tt.want)
		}
	}
}

func TestParseQuantity(t *testing.T) {
	tests := []struct {
		text  string
		value float64
		unit  string
	}{
		{"5.5 bar", 5.5, "bar"}, {"80 psi", 80, "psi"}, {"500 L", 500, "L"}, {"-10 degC", -10, "degC"},
		{"4 mA", 4, "mA"}, {"2 %", 2, "%"}, {"2%", 2, "%"}, {"1e3 Pa", 1000, "Pa"}, {"10 L/min", 10, "L/min"},
		{"0.08 bar/s", 0.08, "bar/s"}, {"2 %/min", 2, "%/min"}, {"42", 42, ""}, {" +.5  bar ", 0.5, "bar"},
		{"5.bar", 5, "bar"}, {"1E-3m", 0.001, "m"}, {"5 1/min", 5, "1/min"}, {"5/min", 5, "1/min"},
	}
	for _, tt := range tests {
		q, err := units.ParseQuantity(tt.text)
		if err != nil || q.Value != tt.value || q.Unit != unit(t, tt.unit) {
			t.Errorf("ParseQuantity(%q) is %v, %v; want %v %s", tt.text, q, err, tt.value, tt.unit)
		}
	}
}

func TestParseQuantityErrors(t *testing.T) {
	tests := []struct{ text, want string }{
		{"", `"": empty, want a number and a unit such as 5.5 bar`},
		{"  ", `"  ": empty, want a number and a unit such as 5.5 bar`},
		{"5,5 bar", `"5,5 bar": "," does not belong in a number: write 5.5 with a point, 1000 without a separator`},
		{"1.000.5 L", `"1.000.5 L": "." does not belong in a number: write 5.5 with a point, 1000 without a separator`},
		{"NaN", `"NaN": not a finite number`},
		{"-Inf bar", `"-Inf bar": not a finite number`},
		{".inf", `".inf": not a finite number`},
		{"1e999 L", `"1e999 L": 1e999 is beyond the range of numbers`},
		{"bar", `"bar": does not begin with a number, want one such as 5.5 bar`},
		{"- 5 bar", `"- 5 bar": does not begin with a number, want one such as 5.5 bar`},
		{"+", `"+": does not begin with a number, want one such as 5.5 bar`},
		{"5.5 bra", `"5.5 bra": unknown unit "bra" (did you mean bar?)`},
		{"0x10 bar", `"0x10 bar": unknown unit "x10 bar"`},
	}
	for _, tt := range tests {
		q, err := units.ParseQuantity(tt.text)
		if err == nil || err.Error() != tt.want {
			t.Errorf("ParseQuantity(%q) error %v, want %s", tt.text, err, tt.want)
		}
		if q != (units.Quantity{}) {
			t.Errorf("ParseQuantity(%q) gives %v with its error", tt.text, q)
		}
	}
}

func TestParseDuration(t *testing.T) {
	tests := []struct {
		text string
		want time.Duration
	}{
		{"15s", 15 * time.Second}, {"5m", 5 * time.Minute}, {"2000 h", 2000 * time.Hour},
		{"1 h 30 min", 90 * time.Minute}, {"1h30m", 90 * time.Minute}, {"30d", 720 * time.Hour},
		{"2m30s", 150 * time.Second}, {"0ms", 0}, {"0", 0}, {"1.5h", 90 * time.Minute}, {"300 ms", 300 * time.Millisecond},
		{"400d 1us", 400*24*time.Hour + time.Microsecond}, {"0.1 s", 100 * time.Millisecond},
		{"2 hours", 2 * time.Hour}, {"1 day 2 hours", 26 * time.Hour},
	}
	for _, tt := range tests {
		if d, err := units.ParseDuration(tt.text); err != nil || d != tt.want {
			t.Errorf("ParseDuration(%q) is %v, %v; want %v", tt.text, d, err, tt.want)
		}
	}
	bad := []struct{ text, want string }{
		{"", `"": empty, want a duration such as 15s, 5m or 2 h`},
		{"5", `"5": needs a unit: ms, s, m, h or d`},
		{"5 fortnights", `"5 fortnights": unknown unit "fortnights" of a duration, want ms, s, m, h or d`},
		{"-5s", `"-5s": a duration is not negative`},
		{"30 min 1 h", `"30 min 1 h": its parts must fall, as in 1 h 30 min`},
		{"5s5s", `"5s5s": its parts must fall, as in 1 h 30 min`},
		{"1,5h", `"1,5h": "," does not belong in a number: write 5.5 with a point, 1000 without a separator`},
		{"300000 d", `"300000 d": longer than 292 years`},
		{"106751 d 24 h", `"106751 d 24 h": longer than 292 years`},
		{"1e300d", `"1e300d": longer than 292 years`},
	}
	for _, tt := range bad {
		if d, err := units.ParseDuration(tt.text); err == nil || err.Error() != tt.want || d != 0 {
			t.Errorf("ParseDuration(%q) is %v, %v; want %s", tt.text, d, err, tt.want)
		}
	}
}

func TestBase(t *testing.T) {
	tests := []struct{ unit, base, metric string }{
		{"psi", "Pa", "pressure_pascals"},
		{"degF", "degC", "temperature_celsius"},
		{"mm", "m", "level_meters"},
		{"%", "ratio", "level_ratio"},
		{"gal", "L", "volume_liters"},
		{"gpm", "L/s", "flow_liters_per_second"},
		{"FNU", "FNU", "turbidity_fnu"},
		{"NTU", "NTU", "turbidity_ntu"},
		{"mV", "V", "voltage_volts"},
		{"mA", "A", "current_amperes"},
		{"kW", "W", "power_watts"},
		{"kWh/h", "W", "power_watts"},
		{"kWh", "J", "energy_joules"},
		{"kg", "g", "mass_grams"},
		{"kg/h", "g/s", "mass_grams_per_second"},
		{"uS/cm", "S/m", "conductivity_siemens_per_meter"},
		{"Hz", "Hz", "frequency_hertz"},
		{"1/min", "Hz", "frequency_hertz"},
		{"rpm", "r/s", "revolutions_per_second"},
		{"h", "s", "duration_seconds"},
		{"mg/L", "g/L", "concentration_grams_per_liter"},
		{"pH", "pH", "acidity_ph"},
		{"m/min", "m/s", "speed_meters_per_second"},
		{"bar/min", "Pa/s", "pressure_pascals_per_second"},
		{"ppm", "ratio", "concentration_ratio"},
		{"cars/h", "cars/s", "cars_per_second"},
		{"", "", "value"},
	}
	for _, tt := range tests {
		base, metric := units.Base(unit(t, tt.unit))
		if base.String() != tt.base || metric != tt.metric {
			t.Errorf("Base(%s) is %s, %s; want %s, %s", tt.unit, base, metric, tt.base, tt.metric)
		}
	}
	for _, s := range units.Symbols() {
		for _, p := range []string{"", "/min", "/min/s"} {
			u := unit(t, s+p)
			base, metric := units.Base(u)
			if _, _, err := units.Convert(u, base); err != nil || strings.Trim(metric, "abcdefghijklmnopqrstuvwxyz_") != "" {
				t.Errorf("Base(%s) is %s, %q: %v", u, base, metric, err)
			}
		}
	}
}

func TestPer(t *testing.T) {
	u, err := unit(t, "L/min").Per(unit(t, "s"))
	if err != nil || u != unit(t, "L/min/s") {
		t.Errorf("L/min per s is %s, %v", u, err)
	}
	if _, err := u.Per(unit(t, "s")); err == nil {
		t.Error("a unit is divided by time three times")
	}
	if _, err := u.Per(unit(t, "L")); err == nil {
		t.Error("a unit is divided by a volume")
	}
}

func TestText(t *testing.T) {
	var q units.Quantity
	if err := q.UnmarshalText([]byte("80 psi")); err != nil {
		t.Fatal(err)
	}
	text, _ := q.MarshalText()
	symbol, _ := q.Unit.MarshalText()
	if string(text) != "80 psi" || string(symbol) != "psi" {
		t.Errorf("80 psi marshals as %q, %q", text, symbol)
	}
	if err := q.Unit.UnmarshalText([]byte("L")); err != nil || q.String() != "80 L" {
		t.Errorf("unit read anew: %v, %v", q, err)
	}
}

func TestNotFiniteStays(t *testing.T) {
	bar := unit(t, "bar")
	for _, v := range []float64{math.Inf(1), math.Inf(-1), math.NaN()} {
		got, err := units.Quantity{Value: v, Unit: unit(t, "psi")}.In(bar)
		if err != nil || !(got == v || math.IsNaN(got) && math.IsNaN(v)) {
			t.Errorf("%v psi is %v bar, %v", v, got, err)
		}
	}
}
