package main

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/rules"
)

// roomView is a small room with one alarm, one lost signal and one link down.
func roomView() *exporter.View {
	at := collector.At(time.Date(2026, 6, 13, 5, 10, 0, 0, time.UTC))
	site := &exporter.Site{
		Name: "Corner Wash", Zone: time.FixedZone("IST", 3600),
		Points: []collector.Point{
			{ID: 0, Name: "air.header.pressure", Station: "air", Unit: "bar", Digits: 2},
			{ID: 1, Name: "hyd.oil.temperature", Station: "hydraulics", Unit: "degC", Digits: 1},
			{ID: 2, Name: "air.compressor.running", Station: "air", Kind: collector.State},
			{ID: 3, Name: "reclaim.filter.difference", Station: "reclaim", Unit: "bar", Digits: 2},
		},
		Rules: []rules.Rule{
			{Name: "air-low", Point: 0, Kind: rules.Low, Limit: 5.5, Unit: "bar", Digits: 2, Priority: rules.HighPriority, Response: "Stop loading. Read the gauge."},
			{Name: "oil-hot", Point: 1, Kind: rules.High, Limit: 70, Unit: "degC", Digits: 1, Priority: rules.LowPriority, Response: "Cooler."},
		},
	}
	return &exporter.View{
		Site: site, At: at, Time: at2time(at),
		Readings: []collector.Reading{
			{Point: 0, Value: 5.31, Quality: collector.Good, At: at},
			collector.Fail(1, collector.SignalLow, 3480, at, "3.48 mA is below 3.6 mA"),
			{Point: 2, Value: 1, Quality: collector.Good, At: at},
			{Point: 3, Value: -0.001, Quality: collector.Good, At: at},
		},
		Alarms: []rules.Status{
			{Rule: 0, State: rules.Unacknowledged, Active: true, Started: at.Add(-12 * time.Second), Value: 5.31, Cause: -1},
			{Rule: 1, State: rules.Normal, Cause: -1},
		},
		Links: []collector.LinkStatus{{Name: "plc", Up: true}, {Name: "rs485", LastError: "no answer in 300ms (3 tries)"}},
	}
}

func at2time(m collector.Moment) time.Time { return time.Unix(0, int64(m)).UTC() }

func TestScreen(t *testing.T) {
	s := screen{width: 100, height: 30, address: "http://127.0.0.1:9480", note: "nothing"}
	text := strings.Join(s.draw(roomView()), "\n")
	for _, want := range []string{
		"Corner Wash   Sat 06:10:00", "http://127.0.0.1:9480",
		"HIGH      air-low since 06:09:48: air.header.pressure 5.31 bar, low limit 5.50 bar",
		"Stop loading. Read the gauge.",
		"header pressure 5.31 bar", "compressor running",
		"! oil temperature: signal too low",
		"filter difference 0.00 bar",
		"plc up", "! rs485 down: no answer in 300ms (3 tries)",
		"Watches only. Not a safety device.",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the screen lacks %q:\n%s", want, text)
		}
	}
	if strings.Contains(text, "All quiet") {
		t.Errorf("a room in alarm is called quiet:\n%s", text)
	}
}

// Whatever the terminal's size, nothing runs over its edges, and the worst stands on top.
func TestScreenFits(t *testing.T) {
	v := roomView()
	for width := 20; width <= 200; width += 7 {
		for height := 6; height <= 60; height += 3 {
			s := screen{width: width, height: height, address: "http://127.0.0.1:9480"}
			lines := s.draw(v)
			if len(lines) > height {
				t.Fatalf("%dx%d: %d lines", width, height, len(lines))
			}
			for _, l := range lines {
				if utf8.RuneCountInString(l) > width {
					t.Fatalf("%dx%d: line of %d: %q", width, height, utf8.RuneCountInString(l), l)
				}
			}
			if height > 8 && !strings.HasPrefix(lines[2], "HIGH") {
				t.Fatalf("%dx%d: the alarm is not on top: %q", width, height, lines)
			}
		}
	}
}

func TestQuietScreen(t *testing.T) {
	v := roomView()
	v.Alarms[0].State = rules.Normal
	s := screen{width: 80, height: 24}
	if lines := s.draw(v); lines[2] != "All quiet." {
		t.Errorf("a quiet room: got %q", lines[2])
	}
}
