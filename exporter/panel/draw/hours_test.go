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

// A day of 25 hours has 25 parts, and time that was not seen is hatched, not drawn as rest.
func TestHoursOfALongDay(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 10, 25, 0, 0, 0, 0, zone)
	h := draw.Hours{ID: "h", Title: "p", From: from, To: from.AddDate(0, 0, 1), Zone: zone, Runs: []draw.Span{{From: from.Add(24 * time.Hour), To: from.Add(25 * time.Hour)}},
		Unseen: []draw.Span{{From: from, To: from.Add(5 * time.Hour)}}}
	svg := string(h.SVG())
	if got := wellFormed(t, svg)["ran"]; got != "M960 0h40l0 5h-40z" {
		t.Errorf("the last hour is %q", got)
	}
	if !strings.Contains(svg, `class="unseen" fill="url(#h-h)" x="0%" y="18" width="20%"`) {
		t.Errorf("five of 25 hours are not hatched: %s", svg)
	}
}
