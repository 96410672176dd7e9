package main

import (
	"strings"
	"testing"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/rules"
)

// A power failure suppresses half a site's alarms: a summary for people has one line for them.
func TestSuppressionTakesOneLine(t *testing.T) {
	clock := collector.NewClock()
	v := exportertest.Ardenmoor(clock).View()
	var out strings.Builder
	s := &show{d: &daemon{board: exporter.NewBoard(clock, v)}, out: &out}
	events := []rules.Event{
		{At: v.At, Rule: 0, Kind: rules.EventStarted, Why: "register map moved"},
		{At: v.At, Rule: 1, Kind: rules.EventSuppressed, Why: "mains-lost"},
		{At: v.At, Rule: 2, Kind: rules.EventSuppressed, Why: "mains-lost"},
		{At: v.At, Rule: 3, Kind: rules.EventSuppressed, Why: "wash.closed"},
	}
	s.lines(events)
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(lines) != 3 || !strings.Contains(lines[0], ": register map moved. ") ||
		!strings.Contains(lines[1], "2 alarms suppressed (mains-lost)") || !strings.Contains(lines[2], v.Site.Rules[3].Name) {
		t.Errorf("lines:\n%s\nwant the start with its reason, two alarms in one line, and the one that another condition suppresses", out.String())
	}
}
