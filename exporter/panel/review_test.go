package panel_test

import (
	"context"
	"encoding/json"
	"errors"
	"html"
	"iter"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/collector/trendline"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
	"roundsman/exporter/review"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/duty"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/water"
)

// monday23 is the Monday before the room's Saturday, 28 November 2026, in Dublin.
var monday23 = time.Date(2026, 11, 23, 0, 0, 0, 0, time.UTC)

// books answers for all reviews, and keeps what it was asked.
type books struct {
	from, to time.Time
	err      error
	before   int // days of the span before the week
}

func (b *books) answer(from, to time.Time, figures any) ([]byte, error) {
	b.from, b.to = from, to
	if b.err != nil {
		return nil, b.err
	}
	return json.Marshal(figures)
}

func (b *books) Duty(context.Context, string, time.Time, time.Time) ([]byte, error) {
	return nil, errors.New("not asked")
}

func (b *books) All(_ context.Context, from, to time.Time) ([]byte, error) {
	f := weekOfPumps()
	f.From = f.From.AddDate(0, 0, -b.before)
	for i := range f.Machines {
		f.Machines[i].From = f.From
	}
	return b.answer(from, to, f)
}

func (b *books) Air(_ context.Context, from, to time.Time) ([]byte, error) {
	return b.answer(from, to, weekOfAir())
}

func (b *books) Water(_ context.Context, from, to time.Time) ([]byte, error) {
	return b.answer(from, to, weekOfWater())
}

func (b *books) Alarms(_ context.Context, from, to time.Time) ([]byte, error) {
	f, err := review.Alarms(weekOfAlarms(), review.Span{From: monday23, To: monday23.AddDate(0, 0, 7)}, review.Options{})
	if err != nil {
		return nil, err
	}
	return b.answer(from, to, f)
}

// Runs: each day from seven, ten minutes of each half hour; on Wednesday nobody looked.
func (b *books) Runs(_ context.Context, _ string, from, to time.Time) iter.Seq2[exporter.MachineRun, error] {
	return func(yield func(exporter.MachineRun, error) bool) {
		for d := range 7 {
			day := monday23.AddDate(0, 0, d)
			if d == 2 {
				if !yield(exporter.MachineRun{Period: exporter.Period{From: day, To: day.AddDate(0, 0, 1)}}, nil) {
					return
				}
				continue
			}
			for i := range 20 {
				at := day.Add(7*time.Hour + time.Duration(i)*30*time.Minute)
				run := exporter.MachineRun{Period: exporter.Period{From: at, To: at.Add(10 * time.Minute)}, Ran: true, Starts: 1, Hour: 1 + i%2 + d}
				if at.Before(to) && !yield(run, nil) {
					return
				}
			}
		}
	}
}

func (b *books) Closed(from, _ time.Time) []exporter.Period {
	return []exporter.Period{{From: from, To: from.Add(7 * time.Hour)}}
}

func weekOfPumps() duty.Figures {
	ends, expected := monday23.Add(33*time.Hour), monday23.AddDate(0, 1, 2)
	machine := duty.MachineFigures{Equipment: "reclaim.pump.1", Station: "reclaim", From: monday23, To: monday23.AddDate(0, 0, 7), Until: monday23.AddDate(0, 0, 7),
		RunSeconds: 41.2 * 3600, StillSeconds: 100 * 3600, UnseenSeconds: 24 * 3600, Duty: 0.2918, Starts: 312, StartsSeen: true, MeanRunSeconds: 475, LongestSeconds: 7300,
		ShortestSeconds: 12, WholeRuns: 312, ShortRuns: 90, LeastRunSeconds: 60, WorstHour: 14, WorstHourEnds: &ends, Limit: 10.7, LimitFrom: "NEMA MG 10, 4 poles, 15 hp",
		LeastRest: 46, Pair: &duty.PairFigures{With: "reclaim.pump.2", Share: 0.84}, Closed: &duty.Closed{RunSeconds: 5400, Starts: 4},
		PerVehicle: &duty.PerVehicle{Seconds: 42, Days: 26, Trend: &trendline.Line{Slope: 0.51, SlopeLow: 0.2, SlopeHigh: 0.82}}, EnergyKWh: 309, EnergyFrom: "rated power",
		Services: []duty.ServiceDue{{Service: "grease bearings", Hours: 212, Expected: &expected}, {Service: "seals", Hours: -4}},
		Findings: []string{"14 starts in its worst hour, 10.7 are allowed (NEMA MG 10, 4 poles, 15 hp)", "seals is overdue by 4 h"},
		Decide:   "Stop the short cycling before it costs the motor."}
	spare := duty.MachineFigures{Equipment: "reclaim.pump.2", Station: "reclaim", From: machine.From, To: machine.To, Until: machine.Until, RunSeconds: 28000, StillSeconds: 500000,
		Duty: 0.05, Limit: minutes.Unknown(), LeastRest: minutes.Unknown(), MeanRunSeconds: minutes.Unknown(), ShortestSeconds: minutes.Unknown(), EnergyKWh: minutes.Unknown(),
		Pair: &duty.PairFigures{With: "reclaim.pump.1", Share: 0.16}, Closed: &duty.Closed{}, Decide: "Nothing to decide."}
	return duty.Figures{From: machine.From, To: machine.To, Machines: []duty.MachineFigures{machine, spare}, Vehicles: 3530}
}

func weekOfAir() air.Figures {
	f := air.Figures{From: monday23, To: monday23.AddDate(0, 0, 7),
		Pressure: air.Pressure{Mean: 7.1, MeanOpen: 7.24, Min: 5.2, Max: 8.1, Minimum: 5.5, BelowSeconds: 180, Dips: 2, OpenSeconds: 91 * 3600, SeenSeconds: 168 * 3600},
		Load:     air.Load{LoadedSeconds: 150000, RunningSeconds: 300000, SeenSeconds: 600000, Factor: 0.5, Share: 0.25, Cycles: 1400, CyclesPerHour: 16.8, WorstHour: 31, ClosedPerHour: 3.2, MeanLoadSecond: 107, MeanUse: 7.5},
		Leak: air.Leak{Latest: 0.62, Usual: 0.55, PerMonth: 0.12, PerMonthLow: -0.1, PerMonthHigh: 0.34, Line: &trendline.Line{}, Share: 0.02, CubicMetres: 19552, KilowattHours: 2248, Cost: 629,
			Currency: "EUR", HoursAYear: 8760, CostASecond: 1015, NotSettled: 1, SinceLastHours: 9, Tests: make([]air.Test, 6)},
		Findings: []review.Finding{{Figure: "open time below minimum", Value: 0.0005, Unit: "ratio", Recommended: "none", Source: "common practice, no source", Verdict: review.Look},
			{Figure: "load factor", Value: 0.5, Unit: "ratio", Recommended: "up to 70 %, no reserve above 85 %", Source: "common practice, no source", Verdict: review.Good}},
		Advice: []string{"The header was below 5.5 bar for about 3 min while cars washed, twice."}}
	for d := range 5 {
		f.Leak.Nights = append(f.Leak.Nights, air.Night{Day: monday23.AddDate(0, 0, d).Format(time.DateOnly), Rate: 0.5 + 0.03*float64(d), Tests: 1})
	}
	return f
}

func weekOfWater() water.Figures {
	night := monday23.Add(44 * time.Hour)
	f := water.Figures{From: monday23, To: monday23.AddDate(0, 0, 7),
		Use:   water.Use{Fresh: 98000, Reclaim: 421000, Vehicles: 3530, FreshPerVehicle: 27.8, TotalPerVehicle: 147, Reuse: 0.81, GonePerVehicle: 26, Trend: 0.4, TrendLow: -0.2, TrendHigh: 1.1},
		Night: water.Night{Hours: 60, Nights: 6, Fresh: 700, FreshPerHour: 11.6, WorstPerHour: 30, WorstNight: &night},
		Tanks: []water.TankFigures{{Name: "reclaim.tank", Begin: 9000, End: 8800, Least: 3000, Change: -200, In: 421300, Out: 421000, Missing: 500, Error: 0.0012, Unmetered: minutes.Unknown(),
			NightLossPerHour: 2.5, UsePerHour: 3900, HoursToEmpty: 2.3},
			{Name: "fresh.tank", Begin: 900, End: 880, Least: 300, Change: -20, In: 98000, Out: minutes.Unknown(), Missing: minutes.Unknown(), Error: minutes.Unknown(), Unmetered: 98020,
				NightLossPerHour: minutes.Unknown(), UsePerHour: minutes.Unknown(), HoursToEmpty: minutes.Unknown()}},
		Filters: []water.FilterFigures{{Name: "sand.filter", Difference: 0.41, Most: 0.92, Clean: 0.31, Dirty: 0.84, Backwashes: 14, BackwashHours: 11.8, OpenHours: 6.5, BackwashLitres: 29000, SinceBackwash: 3,
			TurbidityBefore: 71, TurbidityAfter: 22, Passed: 0.31, DirtyTurbidity: 26, CleanTurbidity: 19}},
		Findings: []review.Finding{{Figure: "reused", Value: 0.81, Unit: "ratio", Recommended: "mean 51 %, newest 80 %", Source: "EPA, WaterSense at Work", Verdict: review.Good},
			{Figure: "fresh a vehicle", Value: 27.8, Unit: "L", Recommended: "mean 114 L, no reclaim 249 L", Source: "ICA", Verdict: review.Good, Remark: "under 29.5 L, the least published"}},
		Advice: []string{"Nothing asks for action."}}
	for d := range 7 {
		f.Days = append(f.Days, water.Day{Day: monday23.AddDate(0, 0, d).Format(time.DateOnly), Fresh: 14000, Reclaim: 60000, Vehicles: 504})
	}
	return f
}

func weekOfAlarms() (list []review.Activation) {
	for i := range 40 {
		at := monday23.Add(time.Duration(i) * 4 * time.Hour)
		list = append(list, review.Activation{Rule: "air-low", Point: "air.header.pressure", Priority: 3, Start: at, End: at.Add(40 * time.Second), Ending: review.Returned})
	}
	return list
}

// reviewed is a panel with all its reviews on the room's Saturday.
func reviewed(err error) (http.Handler, *books) {
	clock := collector.NewClock()
	b := &books{err: err}
	return panel.New(exporter.NewBoard(clock, exportertest.Saturday(clock).View()), panel.Options{Duties: b, Plants: b, Reviews: b, Journal: manyLines(120), Overdue: time.Hour}).Handler(), b
}

func TestReviewPagesShow(t *testing.T) {
	h, _ := reviewed(nil)
	has(t, html.UnescapeString(words(page(t, h, "/pumps"))), "Mon 23 Nov 2026, 00:00 to Mon 30 Nov 2026, 00:00 Europe/Dublin", "Reclaim pump 1 14 starts in its worst hour, 10.7 are allowed", "Stop the short cycling before it costs the motor.",
		"Run time 41.2 h 29 % of the time seen", "most in any 60 min: 14, to Tue 24 Nov 2026, 09:00", "14 of 10.7", "84 % Reclaim pump 1 uneven: Reclaim pump 1 leads too much Reclaim pump 2 16 %",
		"seals Reclaim pump 1 −4 h overdue never noted grease bearings Reclaim pump 1 212 h", "Not seen 24.0 h in no other figure", "42 s +0.51 s a day over 26 days (95 %: +0.20 to +0.82)")
	has(t, html.UnescapeString(words(page(t, h, "/air"))), "Mean while open 7.24 bar lowest 5.2, highest 8.1 bar", "Open time below 5.5 bar 3.0 min 2 times", "Last night 0.62 L/s usual 0.55 L/s, 6 tests",
		"Change in 30 days +0.12 L/s 95 %: −0.10 to +0.34, may be chance", "Cost a year 629 EUR 2248 kWh in 8760 h", "look Open time below minimum 0.1 %", "Fri 27 Nov 0.62 1", "1 test not settled")
	has(t, html.UnescapeString(words(page(t, h, "/water"))), "Fresh water a vehicle 27.8 L in all 98000 L", "Reused 81 %", "Reclaim tank In it at the end 8800 L least 3000 L, change −200 L", "Missing 500 L 0.1 % of what ran in",
		"Ran out 98020 L not metered, told by the balance", "Difference while water flows 0.41 bar most 0.92 bar", "Water from one to the next 29.0 m³", "Mon 23 Nov 504 14000 60000 27.8")
	has(t, html.UnescapeString(words(page(t, h, "/alarms"))), "The alarm system Mon 23 Nov 2026, 00:00 to Mon 30 Nov 2026, 00:00", "40 alarms, 0 notes kept apart", "Alarms a day 5.71", "about 150 very likely acceptable", "Air low 40 100.00 %", "meant for at least 30 days")
	if pumps := page(t, h, "/pumps"); strings.Count(pumps, `class="ran"`) != 2*6*20 || !strings.Contains(pumps, `class="closed"`) || !strings.Contains(pumps, `class="unseen"`) {
		t.Errorf("the strips: %d runs", strings.Count(pumps, `class="ran"`))
	}
}

// Of a long span the hours of each day are drawn, of a longer one those of each week; a day that nobody saw is no zero.
func TestReviewOfALongSpan(t *testing.T) {
	h, b := reviewed(nil)
	b.before = 21
	text := html.UnescapeString(page(t, h, "/pumps"))
	has(t, text, "Hours that Reclaim pump 1 ran, by day", "<title>Mon 23: 3.3\u00a0h</title>", "<title>Wed 25: not known</title>", "<title>Sun 22: 0.0\u00a0h</title>", "<title>Sun 29: 8</title>", "Most starts of Reclaim pump 1 in any 60 minutes, by day")
	hasNot(t, text, `class="ran"`)
	b.before = 84
	text = html.UnescapeString(page(t, h, "/pumps"))
	has(t, text, "Hours that Reclaim pump 1 ran, by week", "<title>23 Nov: 20.0\u00a0h</title>", "<title>16 Nov: 0.0\u00a0h</title>", "<title>23 Nov: 8</title>")
}

// The spans that a page offers are those of the site's own days, on Saturday, 28 October 2000, at 06:10 in Dublin.
func TestReviewSpans(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(time.Date(2000, 10, 28, 5, 10, 0, 0, time.UTC)))
		reviewSpans(t)
	})
}

func reviewSpans(t *testing.T) {
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	day := func(month time.Month, d int) time.Time { return time.Date(2000, month, d, 0, 0, 0, 0, dublin) }
	for _, tt := range []struct {
		query    string
		from, to time.Time
	}{
		{"", time.Time{}, time.Time{}},
		{"span=7-days", time.Time{}, time.Time{}},
		{"span=30-days", time.Date(2000, 9, 28, 5, 10, 0, 0, time.UTC), time.Time{}},
		{"span=this-week", day(10, 23), time.Time{}},
		{"span=last-week", day(10, 16), day(10, 23)},
		{"span=this-month", day(10, 1), time.Time{}},
		{"span=last-month", day(9, 1), day(10, 1)},
		{"from=2000-03-26&last=2000-03-26", time.Date(2000, 3, 26, 0, 0, 0, 0, time.UTC), time.Date(2000, 3, 26, 23, 0, 0, 0, time.UTC)}, // a day of 23 hours
		{"from=2000-10-20&last=2000-10-28", day(10, 20), time.Time{}},                                                                    // today has not ended
		{"from=2000-10-20&to=2000-10-21", day(10, 20), day(10, 21)},
		{"from=2000-10-20T06:00:00Z&last=", time.Date(2000, 10, 20, 6, 0, 0, 0, time.UTC), time.Time{}},
	} {
		h, b := reviewed(nil)
		page(t, h, "/pumps?"+tt.query)
		if !b.from.Equal(tt.from) || !b.to.Equal(tt.to) {
			t.Errorf("%s: asked %v to %v, want %v to %v", tt.query, b.from, b.to, tt.from, tt.to)
		}
	}
	h, b := reviewed(nil)
	for _, tt := range []struct{ query, says string }{
		{"span=lastweek", "There is no span &#34;lastweek&#34;"},
		{"from=2000-10-20&last=2000-10-19", "The first day is after the last, or has not come yet."},
		{"from=2001-01-01", "The first day is after the last, or has not come yet."},
		{"from=monday", "no day such as 2026-11-28"},
		{"last=%3Cscript>", "is no day such as 2026-11-28"},
	} {
		b.from = monday23
		w := get(t, h, "/air?"+tt.query)
		if w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), tt.says) || strings.Contains(w.Body.String(), "<script>") || !b.from.IsZero() {
			t.Errorf("%s: %d, %s", tt.query, w.Code, words(w.Body.String()))
		}
	}
}

func TestReviewPagesWithoutFigures(t *testing.T) {
	for _, tt := range []struct {
		err  error
		code int
		says string
	}{
		{exporter.ErrNoPlan, 200, "The site file does not say which points to review."},
		{exporter.ErrReviewing, 503, "others wait. Load this page again in some seconds."},
		{context.DeadlineExceeded, 503, "others wait"},
		{exporter.ErrSpan, 400, "There is nothing in this span."},
	} {
		h, _ := reviewed(tt.err)
		for _, path := range []string{"/pumps", "/air", "/water"} {
			if w := get(t, h, path); w.Code != tt.code || !strings.Contains(words(w.Body.String()), tt.says) || (w.Header().Get("Retry-After") != "") != (tt.code == 503) {
				t.Errorf("%v: %s: %d %s", tt.err, path, w.Code, words(w.Body.String()))
			}
		}
		has(t, words(page(t, h, "/alarms")), tt.says, "Standing Air low") // the alarms all the same
	}
	h, _ := reviewed(errors.New("disk gone"))
	if w := get(t, h, "/pumps"); w.Code != 500 {
		t.Errorf("%d", w.Code)
	}
	clock := collector.NewClock()
	bare := panel.New(exporter.NewBoard(clock, exportertest.Saturday(clock).View()), panel.Options{}).Handler()
	has(t, words(page(t, bare, "/pumps")), "Nothing is recorded here, so there is nothing to review.")
	hasNot(t, words(page(t, bare, "/")), "Pumps Air Water")
}

// The journal is filtered by alarm, kind, person and span, and its pages keep the choice.
func TestJournalFilter(t *testing.T) {
	clock := collector.NewClock()
	j := manyLines(120)
	for i := range j.lines {
		j.lines[i].Kind = "remark"
		if i%2 == 0 {
			j.lines[i].Kind, j.lines[i].Alarm, j.lines[i].Who = "acknowledged", "air-low", "Niamh Quill"
		}
	}
	h := panel.New(exporter.NewBoard(clock, exportertest.Saturday(clock).View()), panel.Options{Journal: j, Overdue: time.Hour}).Handler()
	count := func(query string) (lines int, older string) {
		t.Helper()
		text := page(t, h, "/alarms?"+query)
		_, journal, _ := strings.Cut(text, `id="journal"`)
		journal, _, _ = strings.Cut(journal, "</section>")
		_, link, _ := strings.Cut(journal, `<a href="/alarms?`)
		link, _, _ = strings.Cut(link, `#journal" rel="next"`)
		return strings.Count(journal, "<li><time"), strings.ReplaceAll(link, "&amp;", "&")
	}
	if n, next := count("alarm=air-low&who=quill"); n != 50 {
		t.Errorf("of 60 lines the first page has %d", n)
	} else if v, err := url.ParseQuery(next); err != nil || v.Get("alarm") != "air-low" || v.Get("who") != "quill" || v.Get("older") == "" {
		t.Errorf("the next page is %q", next)
	} else if n, next := count(next); n != 10 || strings.Contains(next, "older") {
		t.Errorf("the second page has %d lines, next %q", n, next)
	}
	for query, want := range map[string]int{"kind=remark": 50, "kind=shelved": 0, "alarm=air-high": 0, "who=hartnell": 0, "span=last-month": 0, "last=2026-11-20&kind=acknowledged": 0} {
		if n, _ := count(query); n != want {
			t.Errorf("%s: %d lines, want %d", query, n, want)
		}
	}
	text := page(t, h, "/alarms?alarm=gone-by&kind=acknowledged")
	has(t, text, `<option value="gone-by" selected>Gone by</option>`, `<option value="acknowledged" selected>Acknowledged</option>`, "Nothing of the kind.", "Show all")
	var answer struct {
		Lines []struct{ Alarm, Kind string }
	}
	if err := json.Unmarshal(get(t, h, "/api/v1/journal?alarm=air-low&limit=5").Body.Bytes(), &answer); err != nil || len(answer.Lines) != 5 || answer.Lines[4].Alarm != "air-low" {
		t.Errorf("the interface: %+v, %v", answer, err)
	}
}
