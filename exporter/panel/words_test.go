package panel

import (
	"math"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/rules"
)

func TestQuantity(t *testing.T) {
	for _, tt := range []struct {
		value  float64
		digits int
		unit   string
		want   string
	}{
		{5.2149, 2, "bar", "5.21\u00a0bar"},
		{-3.25, 1, "degC", "−3.2\u00a0°C"}, // 3.25 is exact: half to even
		{-0.04, 1, "degC", "0.0\u00a0°C"},
		{12.4, 1, "uS/cm", "12.4\u00a0µS/cm"},
		{3, 0, "m3/h", "3\u00a0m³/h"},
		{126, 0, "", "126"},
		{math.NaN(), 1, "bar", "–\u00a0bar"},
		{1e300, 2, "", "1e+300"},
		{1, 99, "", "1.000000000"},
		{1.6, -5, "", "2"},
	} {
		if got := quantity(tt.value, tt.digits, tt.unit); got != tt.want {
			t.Errorf("quantity(%v, %d, %q) = %q, want %q", tt.value, tt.digits, tt.unit, got, tt.want)
		}
	}
}

func TestRoughly(t *testing.T) {
	for d, want := range map[time.Duration]string{
		-time.Second: "0 s", 0: "0 s", 250 * time.Millisecond: "250 ms", 59*time.Second + 999*time.Millisecond: "59 s", time.Minute: "1 min",
		4*time.Minute + 20*time.Second: "4 min 20 s", 2*time.Hour + 30*time.Second: "2 h", 26*time.Hour + 59*time.Minute: "1 d 2 h", 400 * 24 * time.Hour: "400 d",
	} {
		if got := roughly(d); got != want {
			t.Errorf("roughly(%v) = %q, want %q", d, got, want)
		}
	}
}

func TestFormOf(t *testing.T) {
	state := collector.State
	for _, tt := range []struct {
		name, station string
		kind          collector.Kind
		title, on     string
	}{
		{"air.header.pressure", "air", collector.Number, "Header pressure", "on"},
		{"hyd.pump.1.running", "hydraulics", state, "Pump 1", "running"},
		{"pit.1.level", "pits", collector.Number, "Pit 1 level", "on"},
		{"wash.open", "tunnel", state, "Wash", "open"},
		{"air.compressor.fault", "air", state, "Compressor fault", "fault"},
		{"reclaim.orp", "reclaim", collector.Number, "ORP", "on"},
		{"power.voltage.l1", "power", collector.Number, "Voltage L1", "on"},
		{"maintenance.key", "tunnel", state, "Maintenance key", "on"},
		{"running", "x", state, "Running", "running"},
		{"plc", "plc", state, "PLC", "on"},
		{"air.", "air", state, "Air", "on"},
		{"", "", state, "", "on"},
	} {
		title, on, _ := formOf(&collector.Point{Name: tt.name, Station: tt.station, Kind: tt.kind})
		if title != tt.title || on != tt.on {
			t.Errorf("%s in %s: %q, %q, want %q, %q", tt.name, tt.station, title, on, tt.title, tt.on)
		}
	}
}

// An alarm that stands says what its reading itself says is wrong: a wire, a broken file.
func TestMessageNamesTheFault(t *testing.T) {
	v := &exporter.View{
		Site: &exporter.Site{
			Points: []collector.Point{{Name: "air.header.pressure", Unit: "bar"}, {ID: 1, Name: "box.files.good", Kind: collector.State}},
			Rules:  []rules.Rule{{Name: "fault", Kind: rules.BadSignal}, {Name: "box-files", Point: 1, Kind: rules.Equals}},
		},
		Readings: []collector.Reading{
			collector.Fail(0, collector.SignalLow, 3400, 5, "3.40 mA is below 3.6 mA"),
			{Point: 1, Quality: collector.Good, Fault: collector.Hinted, Detail: "rules.yaml:3:1: unknown key"},
		},
	}
	for i, want := range []string{"air.header.pressure, reading bad: 3.40 mA is below 3.6 mA", "box.files.good, not good: rules.yaml:3:1: unknown key"} {
		if got := message(v, rules.Status{Rule: i, State: rules.Unacknowledged, Active: true, Started: 5, Value: math.NaN()}); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	if got := message(v, rules.Status{Rule: 0}); got != "air.header.pressure, reading bad" {
		t.Errorf("a quiet alarm tells of a fault: %q", got)
	}
}

// 126 tenths are 12.6, not 12.600000000000001; a counter keeps its digits.
func TestTidy(t *testing.T) {
	tenth := 0.1
	for v, want := range map[float64]float64{126 * tenth: 12.6, 85.68287037037037: 85.6828703704, 9007199254740991: 9007199254740991, 0: 0} {
		if got := tidy(v); got != want {
			t.Errorf("tidy(%v) = %v, want %v", v, got, want)
		}
	}
}

func TestConditionWords(t *testing.T) {
	site := &exporter.Site{Points: []collector.Point{{Name: "a", Unit: "bar"}, {Name: "wash.open", Kind: collector.State}}}
	for _, tt := range []struct {
		rule rules.Rule
		want string
	}{
		{rules.Rule{Kind: rules.LowLow, Limit: 4.8, Digits: 2, Unit: "bar"}, "below 4.80\u00a0bar"},
		{rules.Rule{Kind: rules.High, Limit: 105, Unit: "degC"}, "above 105\u00a0°C"},
		{rules.Rule{Kind: rules.Rate, Limit: -0.08, Digits: 2, Unit: "bar/s"}, "falls faster than 0.08\u00a0bar/s"},
		{rules.Rule{Kind: rules.Deviation, Limit: 1, Unit: "bar", Other: 1}, "more than 1\u00a0bar away from wash.open"},
		{rules.Rule{Kind: rules.Equals, Point: 1, Limit: 0}, "closed"},
		{rules.Rule{Kind: rules.StaleSignal, Window: 2 * time.Minute}, "nothing new for 2 min"},
		{rules.Rule{Kind: rules.NotReached, Limit: 6.8, Digits: 1, Unit: "bar", Window: 4 * time.Minute}, "6.8\u00a0bar not reached within 4 min"},
		{rules.Rule{Kind: rules.TotalAbove, Limit: 20, Unit: "L", Window: time.Hour}, "rose by more than 20\u00a0L in 1 h"},
		{rules.Rule{Kind: rules.StartsAbove, Limit: 15, Window: time.Hour}, "more than 15 starts in 1 h"},
		{rules.Rule{Kind: rules.Discrepancy, Other: 1}, "disagrees with wash.open"},
		{rules.Rule{Kind: rules.Discrepancy, Other: collector.NoPoint}, "disagrees with what it must equal"},
		{rules.Rule{Kind: rules.FormulaIsTrue}, "its formula is true"},
	} {
		if got := conditionWords(site, &tt.rule); got != tt.want {
			t.Errorf("kind %v: %q, want %q", tt.rule.Kind, got, tt.want)
		}
	}
}

func TestBar(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct {
		name                  string
		low, high             float64
		limits                limits
		value                 float64
		needle, band, bandEnd float64
	}{
		{"range only", 0, 10, noLimits(), 2.5, 25, 0, 100},
		{"low limits", 0, 16, limits{4.8, 5.5, nan, nan}, 8, 50, 34.4, 100},
		{"high limits cut a wide range", 0, 400, limits{nan, nan, 90, 150}, 105, 50, 0, 42.9},
		{"both", 0, 100, limits{15, 30, 96, nan}, 50, 50, 30, 96},
		{"beyond the end", 0, 10, noLimits(), 99, 100, 0, 100},
		{"below the start", 0, 10, noLimits(), -99, 0, 0, 100},
	} {
		p := &collector.Point{Low: tt.low, High: tt.high}
		b := newBar(p, tt.limits, &collector.Reading{Value: tt.value, Quality: collector.Good})
		if b == nil || b.Needle != tt.needle || b.Band != tt.band || b.BandEnd != tt.bandEnd {
			t.Errorf("%s: %+v, want needle %v, band %v to %v", tt.name, b, tt.needle, tt.band, tt.bandEnd)
		}
	}
	if b := newBar(&collector.Point{Low: nan, High: nan}, noLimits(), &collector.Reading{}); b != nil {
		t.Errorf("a point without range or limits has a drawing: %+v", b)
	}
}
