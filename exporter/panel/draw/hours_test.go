package draw_test

import (
	"strings"
	"testing"
	"time"

	"roundsman/exporter/panel/draw"
)

// The path is worked out by hand: a day is 1,000 wide, an hour 41.7, a row 5 high and 7 below the one before.
func TestHours(t *testing.T) {
	day := time.Date(2026, 11, 2, 0, 0, 0, 0, time.UTC)
	at := func(h, m int) time.Time { return day.Add(time.Duration(h)*time.Hour + time.Duration(m)*time.Minute) }
	for _, tt := range []struct {
		name string
		runs []draw.Span
		want string
	}{
		{"a whole hour", []draw.Span{{From: at(6, 0), To: at(7, 0)}}, "M250 0h41.7l0 5h-41.7z"},
		{"half of it, in two pieces", []draw.Span{{From: at(6, 10), To: at(6, 25)}, {From: at(6, 40), To: at(6, 55)}}, "M250 0h20.8l0 5h-20.8z"},
		{"over midnight", []draw.Span{{From: at(23, 0), To: at(25, 0)}}, "M958.3 0h41.7l0 5h-41.7zM0 7h41.7l0 5h-41.7z"},
		{"outside the span", []draw.Span{{From: at(-3, 0), To: at(0, 0)}, {From: at(48, 0), To: at(49, 0)}}, ""},
		{"nothing", nil, ""},
	} {
		h := draw.Hours{ID: "h", Title: "Pump <1>", From: day, To: day.AddDate(0, 0, 2), Runs: tt.runs}
		svg := string(h.SVG())
		if got := wellFormed(t, svg)["ran"]; got != tt.want {
			t.Errorf("%s: path %q, want %q", tt.name, got, tt.want)
		}
		if strings.Contains(svg, "<1>") {
			t.Error("the title is not escaped")
		}
	}
}

// The clocks of London: on 26 March 2023 there is no time from 1 to 2, on 29 October 2023 it comes twice. What ran at ten
// stands at ten on both days; of the hour that came twice the second stands under the first. Ends are rounded to tenths.
func TestHoursWhenTheClockIsSet(t *testing.T) {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name        string
		month       time.Month
		day         int
		ranHours    []time.Duration // since midnight
		ran, looked string
		words       string
	}{
		{"spring, ten o'clock summer time", time.March, 26, []time.Duration{9}, "M416.7 0h41.6l0 5h-41.6z", "M0 0h41.7l0 5h-41.7zM83.3 0h916.7l0 5h-916.7z", "no time from 01:00 to 02:00"},
		{"spring, the hours beside the gap", time.March, 26, []time.Duration{0, 1}, "M0 0h41.7l0 5h-41.7zM83.3 0h41.7l0 5h-41.7z", "", ""},
		{"spring, the last hour", time.March, 26, []time.Duration{22}, "M958.3 0h41.7l0 5h-41.7z", "", ""},
		{"autumn, ten o'clock", time.October, 29, []time.Duration{11}, "M416.7 0h41.6l0 5h-41.6z", "M0 0h41.7l0 5h-41.7zM41.7 0h41.6l0 2.3h-41.6zM41.7 2.8h41.6l0 2.2h-41.6zM83.3 0h916.7l0 5h-916.7z", "from 01:00 to 02:00 came twice"},
		{"autumn, the first of the two", time.October, 29, []time.Duration{1}, "M41.7 0h41.6l0 2.3h-41.6z", "", ""},
		{"autumn, the second", time.October, 29, []time.Duration{2}, "M41.7 2.8h41.6l0 2.2h-41.6z", "", ""},
		{"autumn, both, and the next", time.October, 29, []time.Duration{1, 2, 3}, "M41.7 0h41.6l0 2.3h-41.6zM41.7 2.8h41.6l0 2.2h-41.6zM83.3 0h41.7l0 5h-41.7z", "", ""},
		{"autumn, the last hour", time.October, 29, []time.Duration{24}, "M958.3 0h41.7l0 5h-41.7z", "", ""},
	} {
		from := time.Date(2023, tt.month, tt.day, 0, 0, 0, 0, zone)
		h := draw.Hours{ID: "h", Title: "p", From: from, To: from.AddDate(0, 0, 1), Zone: zone}
		for _, hour := range tt.ranHours {
			h.Runs = append(h.Runs, draw.Span{From: from.Add(hour * time.Hour), To: from.Add((hour + 1) * time.Hour)})
		}
		svg := string(h.SVG())
		paths := wellFormed(t, svg)
		if got := paths["ran"]; got != tt.ran {
			t.Errorf("%s: %s, want %s", tt.name, got, tt.ran)
		}
		if got := paths["looked"]; tt.looked != "" && got != tt.looked {
			t.Errorf("%s: looked %s, want %s", tt.name, got, tt.looked)
		}
		if !strings.Contains(svg, tt.words) {
			t.Errorf("%s: it does not say %q", tt.name, tt.words)
		}
		strip := draw.Strip{ID: "s", Title: "p", From: h.From, To: h.To, Zone: zone, Runs: h.Runs}
		if tt.name == "spring, ten o'clock summer time" || tt.name == "autumn, ten o'clock" {
			if got := rects(string(strip.SVG()), "ran"); got != "41.667+4.167@18" {
				t.Errorf("%s: the strip has it at %s", tt.name, got)
			}
		}
	}
}

// Time that was not seen is hatched, not drawn as rest, also through the hour that came twice.
func TestHoursUnseen(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 10, 25, 0, 0, 0, 0, zone)
	h := draw.Hours{ID: "h", Title: "p", From: from, To: from.AddDate(0, 0, 1), Zone: zone, Unseen: []draw.Span{{From: from, To: from.Add(5 * time.Hour)}}}
	if got := rects(string(h.SVG()), "unseen"); got != "0+4.167@18 4.167+4.167@18 4.167+4.167@20.8 8.333+8.333@18" {
		t.Errorf("five hours are hatched at %s", got)
	}
}
