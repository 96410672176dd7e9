package draw_test

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the rules of the tz database, wherever the test runs

	"roundsman/exporter/panel/draw"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

var timeWord = regexp.MustCompile(`<text(?: class="alt")? x="([\d.]+)%" y="255" text-anchor="\w+">([^<]*)</text>`)

// axis returns the words of a time axis with their places.
func axis(from, to time.Time, z *time.Location) string {
	t := draw.Trend{From: from, To: to, Step: time.Minute, Zone: z}
	var list []string
	for _, m := range timeWord.FindAllStringSubmatch(string(t.SVG()), -1) {
		list = append(list, m[2]+"@"+m[1])
	}
	return strings.Join(list, " ")
}

// TestTimeAxis: the clock of Dublin is set back on 25 October 2026 at 02:00 and forward on 28 March 2027 at 01:00 (tz database);
// the first day has 25 hours, the second 23. In Cairo midnight of 24 April 2026 is skipped: the day begins at 01:00.
func TestTimeAxis(t *testing.T) {
	dublin, cairo, kolkata := zone(t, "Europe/Dublin"), zone(t, "Africa/Cairo"), zone(t, "Asia/Kolkata")
	day := func(y int, m time.Month, d int, z *time.Location) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, z) }
	for _, c := range []struct {
		name     string
		from, to time.Time
		zone     *time.Location
		want     string
	}{
		{"an hour", time.Date(2026, 7, 4, 5, 5, 0, 0, time.UTC), time.Date(2026, 7, 4, 6, 5, 0, 0, time.UTC), dublin, "06:10@8.333 06:20@25 06:30@41.667 06:40@58.333 06:50@75 07:00@91.667"},
		{"a day", day(2026, 7, 4, dublin), day(2026, 7, 5, dublin), dublin, "Sat 4@0 03:00@12.5 06:00@25 09:00@37.5 12:00@50 15:00@62.5 18:00@75 21:00@87.5 Sun 5@100"},
		{"25 hours", day(2026, 10, 25, dublin), day(2026, 10, 26, dublin), dublin, "Sun 25@0 06:00@28 12:00@52 18:00@76 Mon 26@100"},
		{"23 hours", day(2027, 3, 28, dublin), day(2027, 3, 29, dublin), dublin, "Sun 28@0 03:00@8.696 06:00@21.739 09:00@34.783 12:00@47.826 15:00@60.87 18:00@73.913 21:00@86.957 Mon 29@100"},
		{"the hour that comes twice", time.Date(2026, 10, 25, 0, 0, 0, 0, time.UTC), time.Date(2026, 10, 25, 4, 0, 0, 0, time.UTC), dublin,
			"01:00@0 01:30@12.5 01:00@25 01:30@37.5 02:00@50 02:30@62.5 03:00@75 03:30@87.5 04:00@100"},
		{"half an hour's zone", time.Date(2026, 7, 4, 0, 0, 0, 0, time.UTC), time.Date(2026, 7, 4, 6, 0, 0, 0, time.UTC), kolkata, "06:00@8.333 07:00@25 08:00@41.667 09:00@58.333 10:00@75 11:00@91.667"},
		{"days without a midnight", time.Date(2026, 4, 22, 10, 0, 0, 0, time.UTC), time.Date(2026, 4, 27, 10, 0, 0, 0, time.UTC), cairo, "Thu 23@10 Fri 24@30 Sat 25@49.167 Sun 26@69.167 Mon 27@89.167"},
		{"a month", day(2026, 11, 1, dublin), day(2026, 12, 1, dublin), dublin, "2 Nov@3.333 9 Nov@26.667 16 Nov@50 23 Nov@73.333 30 Nov@96.667"},
		{"a year", time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC), time.UTC, "2026@0 Mar@16.164 May@32.877 Jul@49.589 Sep@66.575 Nov@83.288 2027@100"},
		{"nothing", noon, noon, dublin, ""},
		{"backwards", noon, noon.Add(-time.Hour), dublin, ""},
	} {
		if got := axis(c.from, c.to, c.zone); got != c.want {
			t.Errorf("%s:\n%s\nwant\n%s", c.name, got, c.want)
		}
	}
}

var rect = regexp.MustCompile(`<rect class="(\w+)"(?: fill="[^"]*")? x="([\d.]+)%" y="([\d.]+)" width="([\d.]+)%"`)

func rects(svg, class string) string {
	var list []string
	for _, m := range rect.FindAllStringSubmatch(svg, -1) {
		if m[1] == class {
			list = append(list, fmt.Sprintf("%s+%s@%s", m[2], m[4], m[3]))
		}
	}
	return strings.Join(list, " ")
}

// TestStrip: a run over midnight is on both days; on the day of 25 hours each hour stands where it does on others, and the
// one that came twice stands there twice.
func TestStrip(t *testing.T) {
	z := zone(t, "Europe/Dublin")
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 10, day, hour, minute, 0, 0, z) }
	s := draw.Strip{ID: "s", Title: "Lift pump 1", From: at(24, 0, 0), To: at(26, 12, 0), Zone: z,
		Runs:   []draw.Span{{From: at(24, 6, 0), To: at(24, 12, 0)}, {From: at(24, 23, 0), To: at(25, 0, 30)}, {From: at(26, 11, 0), To: at(26, 15, 0)}},
		Unseen: []draw.Span{{From: at(25, 6, 0), To: at(25, 12, 0)}}, Closed: []draw.Span{{From: at(24, 18, 0), To: at(25, 0, 0)}}}
	svg := string(s.SVG())
	wellFormed(t, svg)
	for class, want := range map[string]string{
		"ran":    "25+25@18 95.833+4.167@18 0+2.083@36 45.833+4.167@54", // the last ends with the span
		"unseen": "25+25@36",
		"closed": "75+25@18",
		"looked": "0+100@18 0+4.167@36 4.167+4.167@36 4.167+4.167@42.6 8.333+91.667@36 0+50@54",
	} {
		if got := rects(svg, class); got != want {
			t.Errorf("%s: %s, want %s", class, got, want)
		}
	}
	for _, want := range []string{">Sat 24</text>", ">Sun 25</text>", ">Mon 26</text>", "Ran for 8 h 30 min in 3 days, not seen for 6 h 0 min.", `<line class="hour" x1="25%"`, "On Sun 25 October the time from 01:00 to 02:00 came twice"} {
		if !strings.Contains(svg, want) {
			t.Errorf("no %s in %s", want, svg)
		}
	}
}

// TestBars: 100 pixels, the axis reaches 1.08 times the largest of values and limits: 108.
func TestBars(t *testing.T) {
	b := draw.Bars{ID: "b", Title: "Starts per hour", Height: 140, Bars: []draw.Bar{{Label: "06", Value: 100}, {Label: "07", Value: 54}, {Label: "08", Value: gap}, {Label: "09", Value: 0}},
		Limits: []draw.Limit{{Value: 81, Words: "limit 81"}}}
	svg := string(b.SVG())
	wellFormed(t, svg)
	for _, want := range []string{
		`<rect class="amount over" fill="currentColor" x="3.75%" y="25.4" width="17.5%" height="92.6"><title>06: 100</title>`,
		`<rect class="amount" fill="currentColor" x="28.75%" y="68" width="17.5%" height="50"><title>07: 54</title>`,
		`<rect class="unseen" fill="url(#b-h)" x="53.75%" y="18" width="17.5%" height="100"><title>08: not known</title>`,
		`x="78.75%" y="118" width="17.5%" height="0"><title>09: 0</title>`,
		`<line x2="100%" y1="43" y2="43"`,
		"Most: 06, 100; limit: limit 81; 1 above; 1 not known.",
	} {
		if !strings.Contains(svg, want) {
			t.Errorf("no %s in %s", want, svg)
		}
	}
}

// FuzzTrend: whatever the values, the drawing is XML without a number that is none, and stays within its bounds in time and size.
func FuzzTrend(f *testing.F) {
	f.Add(int64(0), int64(3600_000), int64(1000), 5.0, 0.1, 7.0, uint8(60), "bar")
	f.Add(int64(-1<<62), int64(1<<62), int64(-5), 1e308, -1e308, 0.0, uint8(200), "<&\x00")
	f.Add(int64(1790000000000), int64(1), int64(0), 1e-300, 5e-324, -1.0, uint8(3), "")
	f.Fuzz(func(t *testing.T, from, length, step int64, value, change, limit float64, n uint8, words string) {
		trend := draw.Trend{ID: words, Title: words, From: time.UnixMilli(from), To: time.UnixMilli(from + length), Step: time.Duration(step) * time.Millisecond, Unit: words,
			Limits: []draw.Limit{{Value: limit, Words: words}, {Value: value}}, Least: change, Low: limit, High: value}
		for i := range int(n) {
			v := value + float64(i)*change
			trend.Steps = append(trend.Steps, draw.Step{Milli: from + int64(i)*step, Min: v - change, Mean: v, Max: v + change})
		}
		trace := draw.Trace{From: trend.From, To: trend.To, Step: trend.Step, Steps: trend.Steps, Limits: trend.Limits, Least: limit}
		strip := draw.Strip{From: trend.From, To: trend.To, Runs: []draw.Span{{From: trend.From, To: trend.To}}, Title: words}
		bars := draw.Bars{Bars: []draw.Bar{{Label: words, Value: value}, {Value: change}}, Limits: trend.Limits}
		for _, svg := range []string{string(trend.SVG()), string(trace.SVG()), string(strip.SVG()), string(bars.SVG())} {
			wellFormed(t, svg)
			if len(svg) > 120_000 || strings.Contains(strings.ReplaceAll(svg, words, ""), "NaN") {
				t.Errorf("%d bytes: %.300s", len(svg), svg)
			}
		}
	})
}
