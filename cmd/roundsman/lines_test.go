package main

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// A line shows the priority that its alarm had then, whatever the rules say today; the latest come first where asked for.
func TestJournalLines(t *testing.T) {
	dir := writeSite(t, smallRules)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		defer r.stop()
		r.feed(5.0, 10*time.Second)
		r.feed(7.0, 40*time.Second)
		write(t, dir, "rules.yaml", strings.Replace(smallRules, "severity: major, time-to-respond: 2m", "priority: low", 1))
		if err := r.reloader.reload(t.Context(), "test"); err != nil {
			t.Fatal(err)
		}
		r.feed(5.0, 10*time.Second)
		lines := func(s exporter.Stretch) (out []exporter.Line) {
			for l, err := range (journal{r.record.Reader, r.judge.figures.priority}).Lines(t.Context(), s) {
				if err != nil {
					t.Fatal(err)
				}
				out = append(out, l)
			}
			return out
		}
		var got []string
		all := lines(exporter.Stretch{Newest: true})
		for i, l := range all {
			if l.Seq != all[0].Seq-int64(i) {
				t.Errorf("line %d comes as number %d", l.Seq, i)
			}
			if l.Alarm == "air-low" {
				got = append(got, l.Kind+" "+l.Priority)
			}
		}
		if strings.Join(got, ", ") != "started low, returned high, started high" {
			t.Errorf("air-low: %v", got)
		}
		if two := lines(exporter.Stretch{Newest: true, After: 3, Limit: 5}); len(two) != 2 || two[0].Seq != 2 || two[1].Seq != 1 {
			t.Errorf("before line 3: %+v", two)
		}
		if two := lines(exporter.Stretch{After: 1, Limit: 2}); len(two) != 2 || two[0].Seq != 2 || two[1].Seq != 3 {
			t.Errorf("after line 1: %+v", two)
		}
		of := func(s exporter.Stretch) (kinds string) {
			for _, l := range lines(s) {
				kinds += l.Kind + " " + l.Alarm + l.Who + ", "
			}
			return kinds
		}
		if got := of(exporter.Stretch{Alarm: "air-low", Kind: "started"}); got != "started air-low, started air-low, " {
			t.Errorf("starts of one alarm: %s", got)
		}
		if got := of(exporter.Stretch{Who: "TES"}); got != "rules reloaded test, " {
			t.Errorf("of a person: %s", got)
		}
		if got := of(exporter.Stretch{Who: "tess"}) + of(exporter.Stretch{Kind: "start"}); got != "" {
			t.Errorf("of nobody: %s", got)
		}
	})
}

func TestShownLine(t *testing.T) {
	at := time.Date(2026, 11, 28, 6, 10, 0, 0, time.UTC)
	if l := shownLine(&record.Line{Kind: record.LinesRedated, Time: at, Until: at.Add(-time.Hour), Count: 41, Why: "the clock was set"}); l.Why !=
		"the clock was set, 41 lines, the first of 2026-11-28T05:10:00Z" || !l.Until.IsZero() {
		t.Errorf("re-dated: %+v", l)
	}
	if l := shownLine(&record.Line{Kind: record.Outage, Length: 90 * time.Second}); l.Why != "1m30s" || l.From != "" || l.Priority != "" {
		t.Errorf("outage: %+v", l)
	}
	if l := shownLine(&record.Line{Kind: "started", Alarm: "a", To: rules.Unacknowledged, Undated: true}); l.To != "unacknowledged" || !l.Undated {
		t.Errorf("started: %+v", l)
	}
}
