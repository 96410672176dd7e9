package draw_test

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"roundsman/exporter/panel/draw"
)

var noon = time.Date(2026, 11, 28, 12, 0, 0, 0, time.UTC)

// steps returns one step a minute from noon; NaN leaves one out.
func steps(values ...float64) (list []draw.Step) {
	for i, v := range values {
		if !math.IsNaN(v) {
			list = append(list, draw.Step{Milli: noon.UnixMilli() + int64(i)*60_000, Min: v, Mean: v, Max: v})
		}
	}
	return list
}

var gap = math.NaN()

// tenMinutes is a trend of ten minutes whose axis is exactly 0 to 10 but for the room of 6 % on both sides, which is cut at 0.
func tenMinutes(values ...float64) draw.Trend {
	return draw.Trend{ID: "t", Title: "Header pressure", From: noon, To: noon.Add(10 * time.Minute), Step: time.Minute, Unit: "bar", Digits: 2,
		Steps: steps(values...), Low: 0, High: 10, Height: 18 + 22 + 106}
}

// wellFormed reads the drawing as XML and returns the attributes d of its paths by class.
func wellFormed(t *testing.T, svg string) map[string]string {
	t.Helper()
	paths := map[string]string{}
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return paths
		}
		if err != nil {
			t.Fatalf("not XML: %v\n%s", err, svg)
		}
		e, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		var class, path string
		for _, a := range e.Attr {
			switch {
			case a.Name.Local == "class":
				class = a.Value
			case a.Name.Local == "d":
				path = a.Value
			case a.Name.Local == "style" || strings.HasPrefix(a.Name.Local, "on"):
				t.Fatalf("attribute %s: the content-security policy forbids it", a.Name.Local)
			}
		}
		if e.Name.Local == "script" || e.Name.Local == "style" {
			t.Fatalf("element %s", e.Name.Local)
		}
		if path != "" {
			paths[class] += path
		}
	}
}

// TestCourse: axis 0 to 10.6 over 106 pixels, so y = 106 - 10*value; each minute is 100 of 1000 wide; a value stands in
// the middle of its minute, and the ends of a run reach to those of their minutes.
func TestCourse(t *testing.T) {
	for _, c := range []struct {
		name   string
		values []float64
		want   string
	}{
		{"two", []float64{5, 10}, "M0 56h50l100-50h50"},
		{"level", []float64{5, 5, 5}, "M0 56h300"},
		{"a gap is never crossed", []float64{5, 10, gap, 5}, "M0 56h50l100-50h50M300 56h100"},
		{"one point", []float64{gap, gap, 2.5}, "M200 81h100"},
		{"tenths", []float64{5, 5.04, 5.123}, "M0 56h50l100-.4 100-.8h50"},
		{"nothing", nil, ""},
		{"infinite", []float64{math.Inf(1), 5}, "M100 56h100"},
	} {
		trend := tenMinutes(c.values...)
		if got := wellFormed(t, string(trend.SVG()))["mean"]; got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestNoNumberEver(t *testing.T) {
	trend := tenMinutes(5, 6)
	trend.Steps = append(trend.Steps, draw.Step{Milli: noon.Add(4 * time.Minute).UnixMilli(), Min: 1, Mean: math.NaN(), Max: 9})
	trend.Limits = []draw.Limit{{Value: math.NaN(), Words: "none"}, {Value: math.Inf(-1), Words: "none"}}
	bars := draw.Bars{Bars: []draw.Bar{{Label: "a", Value: gap}, {Label: "b", Value: math.Inf(1)}}}
	for _, svg := range []string{string(trend.SVG()), string(bars.SVG())} {
		wellFormed(t, svg)
		if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") || strings.Contains(svg, ">none<") {
			t.Error(svg)
		}
	}
	if svg := string(bars.SVG()); strings.Count(svg, `class="unseen"`) != 2 || strings.Contains(svg, `"amount"`) {
		t.Errorf("bars that are not known: %s", svg)
	}
}

// TestRange: what lies between smallest and largest is one area a run, along the largest and back along the smallest.
func TestRange(t *testing.T) {
	trend := tenMinutes()
	trend.Steps = []draw.Step{{noon.UnixMilli(), 4, 5, 6}, {noon.UnixMilli() + 60_000, 5, 6, 9}}
	paths := wellFormed(t, string(trend.SVG()))
	if want := "M0 46h50l100-30h50l0 40h-50l-100 10h-50z"; paths["range"] != want {
		t.Errorf("range %q, want %q", paths["range"], want)
	}
	if want := "M0 56h50l100-10h50"; paths["mean"] != want {
		t.Errorf("mean %q, want %q", paths["mean"], want)
	}
	trend.Steps = steps(3, 4)
	if _, ok := wellFormed(t, string(trend.SVG()))["range"]; ok {
		t.Error("a range is drawn where there is none")
	}
}

func TestGapsAreHatched(t *testing.T) {
	trend := tenMinutes(gap, 5, gap, gap, 5)
	svg := string(trend.SVG())
	for _, want := range []string{`<rect x="0%" y="18" width="20%"`, `<rect x="20%" y="18" width="20%"`, `<rect x="50%" y="18" width="50%"`} {
		if want == `<rect x="0%" y="18" width="20%"` { // one minute is missing at the beginning, less than a step and a half
			if strings.Contains(svg, `<rect x="0%"`) {
				t.Errorf("hatched before the first reading: %s", svg)
			}
			continue
		}
		if !strings.Contains(svg, want) {
			t.Errorf("no %s in %s", want, svg)
		}
	}
	trend.Hold = 4 * time.Minute // it speaks seldom
	if got := wellFormed(t, string(trend.SVG()))["mean"]; got != "M100 56h400" {
		t.Errorf("with a hold of four minutes: %q", got)
	}
	trend.Steps = nil
	if svg := string(trend.SVG()); !strings.Contains(svg, `<rect x="0%" y="18" width="100%"`) || !strings.Contains(svg, "Nothing that could be used") {
		t.Errorf("nothing kept: %s", svg)
	}
}

func TestLimits(t *testing.T) {
	trend := tenMinutes(7, 8)
	trend.Limits = []draw.Limit{{Value: 5.5, Words: "low 5.50 bar"}, {Value: 5, Words: "low-low 5.00 bar", Outer: true}}
	svg := string(trend.SVG())
	for _, want := range []string{
		`<g class="limit"><line x2="100%" y1="69" y2="69"`, // 18 + 106 - 55
		`<text x="4" y="65">low 5.50 bar</text>`,
		`<g class="limit outer"><line x2="100%" y1="74" y2="74"`,
		`<text x="4" y="78">low-low 5.00 bar</text>`, // 70 would lie over the other
		`Lowest 7.00 bar, highest 8.00 bar; limit: low 5.50 bar; limit: low-low 5.00 bar.`,
	} {
		if !strings.Contains(strings.ReplaceAll(svg, "\u00a0", " "), want) {
			t.Errorf("no %s in %s", want, svg)
		}
	}
}

func TestEscaping(t *testing.T) {
	evil := `"><script>alert(1)</script>&'` + "\x00\xff"
	trend := tenMinutes(1)
	trend.ID, trend.Title, trend.Desc, trend.Unit, trend.Source = evil, evil, evil, evil, evil
	trend.Limits, trend.Marks = []draw.Limit{{Value: 1, Words: evil}}, []draw.Mark{{Value: 1, Words: evil}}
	strip := draw.Strip{ID: evil, Title: evil, Desc: evil, From: noon, To: noon.Add(time.Hour)}
	bars := draw.Bars{ID: evil, Title: evil, Desc: evil, Unit: evil, Bars: []draw.Bar{{Label: evil, Value: 1, Words: evil}, {Label: evil, Value: gap}}}
	for _, svg := range []string{string(trend.SVG()), string(strip.SVG()), string(bars.SVG())} {
		wellFormed(t, svg)
		if strings.Contains(svg, "<script") || strings.Contains(svg, "\x00") || strings.Contains(svg, "\xff") {
			t.Error(svg)
		}
	}
}

func TestTrace(t *testing.T) {
	trace := draw.Trace{From: noon, To: noon.Add(10 * time.Minute), Step: time.Minute, Steps: steps(5, 6, gap, 5), Limits: []draw.Limit{{Value: 5.5}, {Value: 50}}}
	svg := string(trace.SVG())
	paths := wellFormed(t, svg)
	if want := "M0 15.1h5l10-14.2h5M30 15.1h10"; paths["mean"] != want { // 6 % of room, 1/1.12 of 16: 15.14 and .86 between 5 and 6
		t.Errorf("mean %q, want %q", paths["mean"], want)
	}
	if want := "M0 8h100"; paths["limit"] != want {
		t.Errorf("limits %q, want %q: only one is near", paths["limit"], want)
	}
	trace.Least = 100 // a value that hardly moves looks like one: 0 to 55.5 + 6 on 16 pixels
	trace.Limits = nil
	if got := wellFormed(t, string(trace.SVG()))["mean"]; !strings.HasPrefix(got, "M0 14.7h5l10-.3h5") {
		t.Errorf("noise: %q", got)
	}
	trace.Steps = nil
	if got := trace.SVG(); got != "" {
		t.Errorf("nothing kept: %q", got)
	}
}

// TestBytes: a year in a thousand steps is less than 25 kB, gaps and limits included.
func TestBytes(t *testing.T) {
	trend := year()
	svg := trend.SVG()
	paths := wellFormed(t, string(svg))
	if len(svg) >= 25_000 || strings.Count(paths["mean"], "M") != 10 {
		t.Errorf("%d bytes, %d runs", len(svg), strings.Count(paths["mean"], "M"))
	}
	t.Logf("a year in 1,000 steps: %d bytes", len(svg))
}

// year is a rough year in a thousand steps with nine gaps.
func year() draw.Trend {
	from := time.Date(2025, 11, 28, 0, 0, 0, 0, time.UTC)
	trend := draw.Trend{ID: "t", From: from, To: from.AddDate(1, 0, 0), Step: 8760 * time.Hour / 1000, Unit: "bar",
		Limits: []draw.Limit{{Value: 5.5, Words: "low 5.50 bar"}}}
	for i := range 1000 {
		if i%100 == 99 {
			continue
		}
		mean := 7 + math.Sin(float64(i)/7) + 0.6*math.Sin(float64(i*i))
		trend.Steps = append(trend.Steps, draw.Step{Milli: from.UnixMilli() + int64(i)*trend.Step.Milliseconds(), Min: mean - 0.7 - 0.3*math.Cos(float64(i*i)), Mean: mean, Max: mean + 1.1})
	}
	return trend
}

var number = regexp.MustCompile(`\d\.\d\d`)

// TestTenths: coordinates are rounded to tenths; shares of the width have up to three decimals.
func TestTenths(t *testing.T) {
	trend := year()
	for class, path := range wellFormed(t, string(trend.SVG())) {
		if s := number.FindString(path); s != "" {
			t.Errorf("%s: a coordinate is finer than a tenth: %s", class, s)
		}
	}
}

// BenchmarkTrend prints what a thousand steps cost, beside the plainest way to write as many numbers.
func BenchmarkTrend(b *testing.B) {
	trend := year()
	var ours, plain time.Duration
	for b.Loop() {
		t0 := time.Now()
		svg := trend.SVG()
		t1 := time.Now()
		var text strings.Builder
		for i := range trend.Steps {
			s := &trend.Steps[i]
			fmt.Fprintf(&text, "%.1f %.1f %.1f %.1f ", float64(i), s.Min, s.Mean, s.Max)
		}
		ours, plain = ours+t1.Sub(t0), plain+time.Since(t1)
		if len(svg) < 1000 || text.Len() < 1000 {
			b.Fatal("nothing drawn")
		}
	}
	b.ReportMetric(float64(ours)/float64(plain), "of-printing-the-numbers")
}
