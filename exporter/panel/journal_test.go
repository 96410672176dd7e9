package panel_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
)

// journal is a fake that keeps the contract of exporter.Journal over lines in memory, and may break off.
type journal struct {
	lines []exporter.Line
	err   error // after the lines
	read  int   // lines handed out
}

func (j *journal) Lines(_ context.Context, s exporter.Stretch) iter.Seq2[exporter.Line, error] {
	lines, limit := slices.Clone(j.lines), s.Limit
	if s.Newest {
		slices.Reverse(lines)
	}
	return func(yield func(exporter.Line, error) bool) {
		for _, l := range lines {
			passed := s.After > 0 && (s.Newest && l.Seq >= s.After || !s.Newest && l.Seq <= s.After)
			if s.Alarm != "" && l.Alarm != s.Alarm || s.Kind != "" && l.Kind != s.Kind || !strings.Contains(strings.ToLower(l.Who), strings.ToLower(s.Who)) {
				continue
			}
			if l.Time.Before(s.From) || !s.To.IsZero() && !l.Time.Before(s.To) || passed {
				continue
			}
			if limit--; limit < 0 {
				return
			}
			if j.read++; !yield(l, nil) {
				return
			}
		}
		if j.err != nil {
			yield(exporter.Line{}, j.err)
		}
	}
}

var sixTen = time.Date(2026, 11, 28, 6, 10, 5, 0, time.UTC)

// manyLines are n of the box's own lines, a second apart.
func manyLines(n int) *journal {
	j := &journal{}
	for i := range n {
		j.lines = append(j.lines, exporter.Line{Seq: int64(i + 1), Time: sixTen.Add(time.Duration(i) * time.Second), Kind: fmt.Sprintf("line %d", i+1), Value: math.NaN(), Limit: math.NaN()})
	}
	return j
}

func TestAPIJournal(t *testing.T) {
	j := &journal{lines: []exporter.Line{
		{Seq: 7, Time: sixTen.Add(-time.Hour), Kind: "started", Value: math.NaN(), Limit: math.NaN()},
		{Seq: 8, Time: sixTen, Kind: "shelved", Alarm: "air-low", Point: "air.header.pressure", From: "unacknowledged", To: "shelved", Priority: "high",
			Value: 5.21, Limit: 5.5, Unit: "bar", Quality: "good", Who: "Niamh Quill", Why: "hose", Until: sixTen.Add(30 * time.Minute)},
	}}
	h, _ := acting(panel.Options{Journal: j})
	const first = `{"seq":7,"time":"2026-11-28T05:10:05Z","kind":"started","alarm":"","point":"","from":"","to":"","priority":"","value":null,"limit":null,"unit":"","quality":"","who":"","why":"","until":null}`
	const second = `{"seq":8,"time":"2026-11-28T06:10:05Z","kind":"shelved","alarm":"air-low","point":"air.header.pressure","from":"unacknowledged","to":"shelved","priority":"high",` +
		`"value":5.21,"limit":5.5,"unit":"bar","quality":"good","who":"Niamh Quill","why":"hose","until":"2026-11-28T06:40:05Z"}`
	for query, want := range map[string]string{
		"":                           first + "," + second + `],"next":null`,
		"?limit=1":                   first + `],"next":7`,
		"?limit=1&after=7":           second + `],"next":null`,
		"?after=8":                   `],"next":null`,
		"?from=2026-11-28T06:10:05Z": second + `],"next":null`,
		"?to=2026-11-28T06:10:05Z":   first + `],"next":null`,
		"?order=oldest":              first + "," + second + `],"next":null`,
		"?order=newest":              second + "," + first + `],"next":null`,
		"?order=newest&limit=1":      second + `],"next":8`,
		"?order=newest&after=8":      first + `],"next":null`,
		"?from=2026-11-28T07:10:05+01:00&to=2026-11-28T06:10:06Z": second + `],"next":null`,
	} {
		sameJSON(t, get(t, h, "/api/v1/journal"+query), `{"zone":"Europe/Dublin","lines":[`+want+"}")
	}
}

func TestAPIJournalRefused(t *testing.T) {
	h, _ := acting(panel.Options{Journal: manyLines(3)})
	for query, want := range map[string][2]string{
		"?from=yesterday": {`from: "yesterday" is no time such as 2026-11-28T06:10:00Z (RFC 3339)`, "from"},
		"?to=2026-11-28":  {`to: "2026-11-28" is no time such as 2026-11-28T06:10:00Z (RFC 3339)`, "to"},
		"?from=2026-11-28T06:10:05Z&to=2026-11-28T06:10:04Z": {"to: 2026-11-28T06:10:04Z is before from", "to"},
		"?limit=0":     {`limit: "0" is no whole number from 1 to 5000`, "limit"},
		"?limit=5001":  {`limit: "5001" is no whole number from 1 to 5000`, "limit"},
		"?after=-1":    {`after: "-1" is no whole number from 0 to 9223372036854775807`, "after"},
		"?after=x":     {`after: "x" is no whole number from 0 to 9223372036854775807`, "after"},
		"?order=new":   {`order: there is no "new"; there are oldest, newest`, "order"},
		"?order=newst": {`order: there is no "newst" (did you mean newest?); there are oldest, newest`, "order"},
		"?form=2026":   {`there is no parameter "form" (did you mean from?)`, "form"},
	} {
		w := get(t, h, "/api/v1/journal"+query)
		if query == "?form=2026" {
			want[0] = strings.Replace(want[0], " (did you mean from?)", "", 1) // two letters of four differ
		}
		refused(t, w, 400, want[0], want[1])
	}
}

// TestAPIJournalPages: following 'next' gives every line once and in order, wherever the pages end.
func TestAPIJournalPages(t *testing.T) {
	for _, n := range []int{0, 1, 6, 7, 8, 21, 1203} {
		j := manyLines(n)
		h, _ := acting(panel.Options{Journal: j})
		var seen, after int64
		for more := true; more; {
			var page struct {
				Lines []struct{ Seq int64 }
				Next  *int64
			}
			w := get(t, h, fmt.Sprintf("/api/v1/journal?limit=7&after=%d", after))
			if err := json.Unmarshal(w.Body.Bytes(), &page); err != nil || len(page.Lines) > 7 {
				t.Fatalf("%v: %s", err, w.Body)
			}
			for _, l := range page.Lines {
				if seen++; l.Seq != seen {
					t.Fatalf("%d lines: line %d came as number %d", n, l.Seq, seen)
				}
			}
			if more = page.Next != nil; more {
				after = *page.Next
			}
		}
		if seen != int64(n) {
			t.Errorf("%d lines of %d came", seen, n)
		}
	}
}

func TestAPIJournalBreaksOff(t *testing.T) {
	j := manyLines(3)
	j.err = errors.New("record roundsman.db: read: disk on fire")
	h, _ := acting(panel.Options{Journal: j})
	refused(t, get(t, h, "/api/v1/journal"), 500, "see the log", "") // not the half of it as if it were all
	has(t, words(page(t, h, "/alarms")), "Standing Air low", "The journal cannot be read now.")
}

// TestJournalOnThePage: the last 50 lines, newest first, in site time, and no more is read than that takes.
func TestJournalOnThePage(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Ardenmoor(clock)
	v := room.View()
	v.At = clock.Moment(time.Date(2026, 7, 4, 5, 10, 5, 0, time.UTC))
	v.Time = clock.Time(v.At)
	nan := math.NaN()
	for _, tt := range []struct {
		n     int
		apart time.Duration
		want  []string
		not   string
	}{
		{0, time.Second, []string{"Journal Nothing yet."}, ""},
		{1, time.Second, []string{"Journal 06:10:04 line 1"}, ""},
		{50, time.Second, []string{"Journal 06:10:04 line 50 06:10:03 line 49", "line 2 06:09:15 line 1"}, ""},
		{51, time.Second, []string{"Journal 06:10:04 line 51", "line 2"}, "line 1 "},
		{3000, time.Second, []string{"Journal 06:10:04 line 3000", "line 2951"}, "line 2950"},
		{60, time.Hour, []string{"line 60 04:10:05 line 59", "Thu 2 Jul 04:10 line 11"}, "line 10 "},
		{3, 100 * 24 * time.Hour, []string{"line 3", "line 2", "line 1"}, ""},
	} {
		j := &journal{}
		for i := range tt.n {
			at := v.Time.Add(-time.Second - time.Duration(tt.n-1-i)*tt.apart)
			if tt.apart > time.Second {
				at = v.Time.Add(-time.Duration(tt.n-i) * tt.apart)
			}
			j.lines = append(j.lines, exporter.Line{Seq: int64(i + 1), Time: at, Kind: fmt.Sprintf("line %d", i+1), Value: nan, Limit: nan})
		}
		h := panel.New(exporter.NewBoard(clock, v), panel.Options{Journal: j}).Handler()
		text := words(page(t, h, "/alarms"))
		has(t, text, tt.want...)
		if tt.not != "" {
			hasNot(t, text[strings.Index(text, "Journal"):], tt.not)
		}
		if j.read > 51 {
			t.Errorf("%d lines were read of %d", j.read, tt.n)
		}
	}
}

// TestJournalPages: from page to older page every line comes once, and back to the latest.
func TestJournalPages(t *testing.T) {
	j := manyLines(123)
	h, _ := acting(panel.Options{Journal: j})
	next, want, pages := "/alarms", 123, 0
	for next != "" {
		html := page(t, h, next)
		text := words(html)
		text = text[strings.Index(text, "Journal"):strings.Index(text, "Quiet")]
		for ; want > 0 && strings.Contains(text+" ", fmt.Sprintf(" line %d ", want)); want-- {
		}
		if pages++; strings.Contains(text, "Latest lines") != (pages > 1) {
			t.Errorf("page %d: %s", pages, text)
		}
		_, rest, found := strings.Cut(html, `<a href="/alarms?older=`)
		if next = ""; found {
			number, _, _ := strings.Cut(rest, "#")
			next = "/alarms?older=" + number
		}
	}
	if want != 0 || pages != 3 {
		t.Errorf("line %d did not come in its turn, %d pages", want, pages)
	}
	has(t, words(page(t, h, "/alarms?older=1")), "Nothing older.", "Latest lines")
	refused(t, get(t, h, "/alarms?older=soon"), 400, `older: "soon" is no whole number from 1 to 9223372036854775807`, "older")
}

// A line of a clock that was not set has no date; what arithmetic adds to a value is not shown.
func TestUndatedLine(t *testing.T) {
	tenths := 0.1
	j := &journal{lines: []exporter.Line{{Seq: 1, Time: time.Unix(12, 0), Kind: "started", Alarm: "air-low", Value: 7.2 + tenths, Limit: 3 * tenths, Undated: true}}}
	h, _ := acting(panel.Options{Journal: j})
	has(t, words(page(t, h, "/alarms")), "no date Air low started")
	has(t, get(t, h, "/api/v1/journal").Body.String(), `"time":"1970-01-01T00:00:12Z"`, `"value":7.3,"limit":0.3,`, `"undated":true`)
}

func TestJournalLineOnThePage(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Ardenmoor(clock)
	v := room.View()
	j := &journal{lines: []exporter.Line{
		{Seq: 1, Time: v.Time.Add(-3 * time.Second), Kind: "started", Alarm: "air-low", Point: "air.header.pressure", Value: 5.2134, Limit: 5.5, Unit: "bar"},
		{Seq: 2, Time: v.Time.Add(-2 * time.Second), Kind: "shelved", Alarm: "air-low", Value: math.NaN(), Limit: math.NaN(), Who: "Niamh Quill", Why: "<b>hose</b>", Until: v.Time.Add(48 * time.Hour)},
		{Seq: 4, Time: v.Time.Add(-1 * time.Second), Kind: "started", Alarm: "compressor-fault", Point: "air.compressor.fault", Value: 1, Limit: 1},
		{Seq: 5, Time: v.Time.Add(-1 * time.Second), Kind: "started", Alarm: "gone", Point: "of.last.year", Value: 5.2, Limit: 5.5, Unit: "m"},
		{Seq: 6, Time: v.Time.Add(-1 * time.Second), Kind: "outage", Value: math.NaN(), Limit: math.NaN(), Why: "3 min"},
	}}
	html := page(t, panel.New(exporter.NewBoard(clock, v), panel.Options{Journal: j}).Handler(), "/alarms")
	zone := v.Site.Zone
	has(t, words(html), "outage 3 min", "Air low shelved until "+v.Time.Add(48*time.Hour).In(zone).Format("Mon 2 Jan 15:04")+" by Niamh Quill &lt;b&gt;hose&lt;/b&gt;",
		"Air low started: 5.21 bar, limit 5.50 bar", "Gone started: 5.2 m, limit 5.5 m")
	hasNot(t, words(html), "Compressor fault started:")
}
