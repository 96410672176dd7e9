package duty_test

import (
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"roundsman/collector"
	"roundsman/exporter/review"
	"roundsman/exporter/review/duty"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/minutes/minutestest"
)

// room is a source made of lists of runs; between them everything stood still, but for what was not seen.
type room struct {
	minutestest.Source
	runs  map[string][]duty.Run
	until time.Time
}

func (r *room) Totals(_ context.Context, name string, from, to time.Time) (t duty.Totals, err error) {
	list, ok := r.runs[name]
	if !ok {
		return t, nil
	}
	t.Until = r.until
	t.Still = max(0, minTime(to, r.until).Sub(from))
	for _, run := range list {
		piece := max(0, minTime(run.To, to).Sub(maxTime(run.From, from)))
		t.Still -= piece
		inside := !run.From.Before(from) && run.From.Before(to)
		if !run.Ran {
			t.Unseen += piece
			continue
		}
		t.Run += piece
		t.Longest = max(t.Longest, piece)
		if piece > 0 || inside {
			t.Runs++
		}
		if inside {
			t.Starts += run.Starts
			t.WorstHour = max(t.WorstHour, run.Hour)
		}
		if run.Whole && piece == run.To.Sub(run.From) && (t.Shortest == 0 || piece < t.Shortest) {
			t.Shortest = piece
		}
	}
	return t, nil
}

func minTime(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func maxTime(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func (r *room) Runs(_ context.Context, name string, from, to time.Time) iter.Seq2[duty.Run, error] {
	return func(yield func(duty.Run, error) bool) {
		for _, run := range r.runs[name] {
			if run.To.After(from) && run.From.Before(to) && !yield(run, nil) {
				return
			}
		}
	}
}

// run adds a run, and counts the starts of the hour that ends with it.
func (r *room) run(name string, from time.Time, length time.Duration) {
	if r.runs == nil {
		r.runs = map[string][]duty.Run{}
	}
	hour := 1
	for _, o := range r.runs[name] {
		if o.Starts > 0 && from.Sub(o.From) < time.Hour {
			hour++
		}
	}
	r.runs[name] = append(r.runs[name], duty.Run{From: from, To: from.Add(length), Ran: true, Whole: true, Starts: 1, Hour: hour})
}

var monday = time.Date(2026, 6, 8, 0, 0, 0, 0, time.UTC)

func week() review.Span { return review.Span{From: monday, To: monday.AddDate(0, 0, 7)} }

func reviewed(t *testing.T, r *room, plan duty.Plan, span review.Span) duty.Figures {
	t.Helper()
	if r.until.IsZero() {
		r.until = span.To
	}
	f, err := duty.Review(t.Context(), r, plan, span, span.To)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// The worked run time of three runs in an hour: 180, 30 and 1200 s, duty 39.1667 %.
func TestWorkedRunTime(t *testing.T) {
	var r room
	for _, run := range [][2]int{{120, 180}, {420, 30}, {1800, 1200}} {
		r.run("pump", monday.Add(time.Duration(run[0])*time.Second), time.Duration(run[1])*time.Second)
	}
	m := reviewed(t, &r, duty.Plan{Machines: []duty.Machine{{Name: "pump", RatedKW: 7.5}}}, review.Span{From: monday, To: monday.Add(time.Hour)}).Machines[0]
	if m.RunSeconds != 1410 || m.Starts != 3 || m.MeanRunSeconds != 470 || m.LongestSeconds != 1200 || m.ShortestSeconds != 30 || fmt.Sprintf("%.4f", 100*m.Duty) != "39.1667" {
		t.Errorf("got %+v", m)
	}
	if m.ShortRuns != 1 || m.WholeRuns != 3 || m.WorstHour != 3 || !m.WorstHourEnds.Equal(monday.Add(1800*time.Second)) {
		t.Errorf("short %d of %d, worst hour %d at %v", m.ShortRuns, m.WholeRuns, m.WorstHour, m.WorstHourEnds)
	}
	if m.EnergyKWh != 7.5*1410/3600 || m.EnergyFrom != "rated power" {
		t.Errorf("energy %v from %s", m.EnergyKWh, m.EnergyFrom)
	}
}

// Limits of starts: NEMA MG 10 for a motor of so many kW, the next larger row of the table; the site file's figure wins.
func TestStartsAgainstTheLimit(t *testing.T) {
	for _, tc := range []struct {
		m     duty.Machine
		limit float64
		from  string
	}{
		{duty.Machine{RatedKW: 7.5}, 10.7, "NEMA MG 10, 4 poles, 15 hp"},
		{duty.Machine{RatedKW: 15}, 8.8, "NEMA MG 10, 4 poles, 25 hp"},
		{duty.Machine{RatedKW: 2.2, Poles: 2}, 9.9, "NEMA MG 10, 2 poles, 3 hp"},
		{duty.Machine{RatedKW: 15, StartsPerHour: 20}, 20, "site file"},
		{duty.Machine{}, math.NaN(), ""},
	} {
		tc.m.Name = "pump"
		var r room
		for i := range 12 { // a burst over the full hour: 12 in 55 minutes, 6 in each hour of the clock
			r.run("pump", monday.Add(30*time.Minute+time.Duration(5*i)*time.Minute), 2*time.Minute)
		}
		m := reviewed(t, &r, duty.Plan{Machines: []duty.Machine{tc.m}}, week()).Machines[0]
		if m.WorstHour != 12 || m.LimitFrom != tc.from || m.Limit.Is() && float64(m.Limit) != tc.limit || m.Limit.Is() == math.IsNaN(tc.limit) {
			t.Errorf("%+v: worst hour %d, limit %v from %q, want 12, %v, %q", tc.m, m.WorstHour, m.Limit, m.LimitFrom, tc.limit, tc.from)
		}
		want := "Nothing to decide."
		if tc.limit < 12 {
			want = "Stop the short cycling"
		}
		if !strings.HasPrefix(m.Decide, want) {
			t.Errorf("%+v: %s", tc.m, m.Decide)
		}
	}
}

// dublin opens from 07:00 to 20:00 on the wall.
type dublin struct{ zone *time.Location }

func (d dublin) At(m collector.Moment) (bool, collector.Moment) {
	t := time.Unix(0, int64(m)).In(d.zone)
	y, mo, day := t.Date()
	for _, edge := range []struct {
		hour   int
		inside bool
	}{{7, false}, {20, true}} {
		if at := time.Date(y, mo, day, edge.hour, 0, 0, 0, d.zone); t.Before(at) {
			return edge.inside, collector.At(at)
		}
	}
	return false, collector.At(time.Date(y, mo, day+1, 7, 0, 0, 0, d.zone))
}

// One run through a night on which the clocks go forward: from 19:00 to 08:00 are 12 hours, 10 of them closed.
func TestOutsideOpeningHours(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 3, 28, 19, 0, 0, 0, zone)
	var r room
	r.run("pump", from, time.Date(2026, 3, 29, 8, 0, 0, 0, zone).Sub(from))
	r.run("pump", time.Date(2026, 3, 29, 22, 0, 0, 0, zone), time.Minute)
	span := review.Span{From: from.Add(-time.Hour), To: from.AddDate(0, 0, 3)}
	m := reviewed(t, &r, duty.Plan{Zone: zone, Open: dublin{zone}, Machines: []duty.Machine{{Name: "pump"}}}, span).Machines[0]
	if m.Closed.RunSeconds != 10*3600+60 || m.Closed.Starts != 1 {
		t.Errorf("outside opening hours %v s, %d starts, want 36060 and 1", m.Closed.RunSeconds, m.Closed.Starts)
	}
	if !strings.Contains(strings.Join(m.Findings, "; "), "outside opening hours") {
		t.Errorf("findings %q", m.Findings)
	}
}

// vehicles lets so many cars come evenly between 08:00 and 18:00 of each day.
func (r *room) vehicles(days, perDay int) {
	n := 0.0
	for d := range days {
		for i := range perDay {
			n++
			r.Add("cars", monday.AddDate(0, 0, d-days+7).Add(8*time.Hour+time.Duration(i)*10*time.Hour/time.Duration(perDay)), n)
		}
	}
}

// A pump that runs 30 s for each car, and each day half a second longer: the slope is told, with its interval.
func TestTrendForEachVehicle(t *testing.T) {
	var r room
	r.vehicles(29, 100)
	for d := range 28 {
		wobble := time.Duration(d%3-1) * 20 * time.Second
		r.run("pump", monday.AddDate(0, 0, d-21).Add(9*time.Hour), time.Duration(100*(30+0.5*float64(d)))*time.Second+wobble)
	}
	plan := duty.Plan{Vehicles: minutes.Signal{Point: "cars"}, Machines: []duty.Machine{{Name: "pump"}}}
	f := reviewed(t, &r, plan, week())
	p := f.Machines[0].PerVehicle
	if f.Vehicles != 700 || p.Days != 28 || p.Trend == nil {
		t.Fatalf("vehicles %v, %+v", f.Vehicles, p)
	}
	if math.Abs(p.Trend.Slope-0.5) > 0.01 || !(p.Trend.SlopeLow < p.Trend.Slope && p.Trend.Slope < p.Trend.SlopeHigh) || math.Abs(float64(p.Seconds)-42) > 0.2 {
		t.Errorf("%v s a vehicle, trend %+v, want 42 and 0.5", p.Seconds, *p.Trend)
	}
	if !strings.Contains(f.Machines[0].Decide, "runs longer for the same cars") {
		t.Errorf("decide: %s", f.Machines[0].Decide)
	}
}

// Of two pumps that share their work one does nearly all.
func TestPairs(t *testing.T) {
	var r room
	r.run("one", monday.Add(time.Hour), 9*time.Hour)
	r.run("two", monday.Add(24*time.Hour), time.Hour)
	plan := duty.Plan{Machines: []duty.Machine{{Name: "one", Pair: "two"}, {Name: "two", Pair: "one"}}}
	f := reviewed(t, &r, plan, week())
	one, two := f.Machines[0], f.Machines[1]
	if one.Pair.Share != 0.9 || two.Pair.Share != 0.1 || one.Pair.Even {
		t.Errorf("shares %+v and %+v", one.Pair, two.Pair)
	}
	for _, m := range f.Machines {
		if !strings.Contains(m.Decide, "Swap lead and lag, so that two leads") {
			t.Errorf("%s: %s", m.Equipment, m.Decide)
		}
	}
	r = room{}
	r.run("one", monday.Add(time.Hour), 100*time.Second) // all of it by one, but too little to say anything
	for _, m := range reviewed(t, &r, plan, week()).Machines {
		if strings.Contains(m.Decide, "Swap") {
			t.Errorf("%s after 100 s: %s", m.Equipment, m.Decide)
		}
	}
	r = room{}
	r.run("one", monday.Add(time.Hour), 6*time.Hour)
	r.run("two", monday.Add(24*time.Hour), 4*time.Hour)
	if m := reviewed(t, &r, plan, week()).Machines[0]; !m.Pair.Even || m.Decide != "Nothing to decide." {
		t.Errorf("60 to 40: %+v, %s", m.Pair, m.Decide)
	}
}

// At 6 h of running a day a service due in 30 h of running is five days off; one that is overdue comes first.
func TestServices(t *testing.T) {
	var r room
	for d := range 28 {
		r.run("pump", monday.AddDate(0, 0, d-21).Add(9*time.Hour), 6*time.Hour)
	}
	m := duty.Machine{Name: "pump", Services: []duty.Service{{Name: "oil", Every: 500 * time.Hour, Due: 30 * time.Hour}, {Name: "seals", Every: 1500 * time.Hour, Due: -12 * time.Hour}}}
	f := reviewed(t, &r, duty.Plan{Machines: []duty.Machine{m}}, week()).Machines[0]
	if at := f.Services[0].Expected; at == nil || at.Sub(week().To).Round(time.Minute) != 5*24*time.Hour {
		t.Errorf("oil is expected at %v", at)
	}
	if !strings.HasPrefix(f.Decide, "Have it serviced: seals.") || len(f.Findings) != 2 {
		t.Errorf("%q, decide: %s", f.Findings, f.Decide)
	}
}

// A compressor that runs on: its load cycles are no starts of its motor, and without load it takes a third of its power.
func TestLoadCycles(t *testing.T) {
	var r room
	r.run("air", monday.Add(8*time.Hour), 10*time.Hour)
	for i := range 200 {
		r.run("air/load", monday.Add(8*time.Hour+time.Duration(i)*3*time.Minute), time.Minute)
	}
	m := duty.Machine{Name: "air", RatedKW: 12, StartsPerHour: 10, Load: &duty.Load{Name: "air/load", PerHour: 15, Unloaded: 0.25}}
	f := reviewed(t, &r, duty.Plan{Machines: []duty.Machine{m}}, week()).Machines[0]
	if f.Starts != 1 || f.Load.Cycles != 200 || f.Load.WorstHour != 20 || math.Abs(float64(f.Load.Factor)-1.0/3) > 1e-9 {
		t.Errorf("starts %d, load %+v", f.Starts, f.Load)
	}
	if want := 12 * (10.0/3 + 0.25*20/3); math.Abs(float64(f.EnergyKWh)-want) > 1e-9 {
		t.Errorf("energy %v, want %v", f.EnergyKWh, want)
	}
	if !strings.HasPrefix(f.Decide, "Drain the receiver") {
		t.Errorf("decide: %s", f.Decide)
	}
}

// Where much of the running did not tell whether it was loaded there is no load factor, and no energy by it.
func TestLoadUnseen(t *testing.T) {
	var r room
	r.run("air", monday.Add(8*time.Hour), 10*time.Hour)
	r.run("air/load", monday.Add(8*time.Hour), time.Hour)
	r.runs["air/load"] = append(r.runs["air/load"], duty.Run{From: monday.Add(9 * time.Hour), To: monday.Add(18 * time.Hour)})
	m := duty.Machine{Name: "air", RatedKW: 12, Load: &duty.Load{Name: "air/load", Unloaded: 0.25}}
	f := reviewed(t, &r, duty.Plan{Machines: []duty.Machine{m}}, week()).Machines[0]
	if f.Load.Factor.Is() || f.EnergyKWh.Is() || f.Load.UnseenSeconds != 9*3600 || f.Load.LoadedSeconds != 3600 {
		t.Errorf("load %+v, energy %v", f.Load, f.EnergyKWh)
	}
}

// Meters tell energy better than a rating.
func TestEnergyFromMeters(t *testing.T) {
	var r room
	for i := range 7 * 24 * 60 {
		at := monday.Add(time.Duration(i) * time.Minute)
		r.Add("meter", at, 1000+float64(i)*0.01)
		r.Add("power", at, 2.5)
	}
	r.run("pump", monday, time.Hour)
	plan := duty.Plan{Machines: []duty.Machine{
		{Name: "pump", RatedKW: 15, Energy: minutes.Signal{Point: "meter"}},
		{Name: "pump", RatedKW: 15, Energy: minutes.Signal{Point: "power"}, Power: true},
	}}
	f := reviewed(t, &r, plan, week())
	if got := float64(f.Machines[0].EnergyKWh); math.Abs(got-100.79) > 1e-6 || f.Machines[0].EnergyFrom != "energy meter" {
		t.Errorf("by the meter of energy %v, want 100.79", got)
	}
	if got := float64(f.Machines[1].EnergyKWh); math.Abs(got-2.5*168) > 1e-6 || f.Machines[1].EnergyFrom != "power meter" {
		t.Errorf("by the meter of power %v, want 420", got)
	}
}

// Where nobody counted there are no vehicles and no energy, rather than none.
func TestNobodyCounted(t *testing.T) {
	var r room
	r.vehicles(1, 100) // the day before the span ends
	r.Add("meter", monday.Add(-time.Minute), 1000)
	r.run("pump", monday, time.Hour)
	plan := duty.Plan{Vehicles: minutes.Signal{Point: "cars"}, Machines: []duty.Machine{{Name: "pump", RatedKW: 15, Energy: minutes.Signal{Point: "meter"}}}}
	for _, tt := range []struct {
		span review.Span
		want bool
	}{{week(), true}, {review.Span{From: monday, To: monday.AddDate(0, 0, 3)}, false}} {
		f := reviewed(t, &r, plan, tt.span)
		if f.Vehicles.Is() != tt.want || f.Machines[0].PerVehicle.Seconds.Is() != tt.want || f.Machines[0].EnergyKWh.Is() {
			t.Errorf("%+v: vehicles %v, %+v, %v kWh", tt.span, f.Vehicles, f.Machines[0].PerVehicle, f.Machines[0].EnergyKWh)
		}
	}
}

// What was not seen is said first, and no figure is made of nothing.
func TestUnseen(t *testing.T) {
	r := room{runs: map[string][]duty.Run{"pump": {{From: monday, To: monday.AddDate(0, 0, 2)}}, "gone": {{From: monday, To: monday.AddDate(0, 0, 7)}}}}
	f := reviewed(t, &r, duty.Plan{Machines: []duty.Machine{{Name: "pump"}, {Name: "gone"}}}, week())
	if m := f.Machines[0]; !strings.HasPrefix(m.Decide, "Mend what tells") || m.UnseenSeconds != 2*86400 {
		t.Errorf("%+v", m)
	}
	if m := f.Machines[1]; m.Duty.Is() || !strings.Contains(m.Findings[0], "not seen in this span") {
		t.Errorf("%+v", m)
	}
	if _, err := json.Marshal(f); err != nil {
		t.Error(err)
	}
}

// That the box was off hides nothing that there is to decide about a machine; that nothing told whether it runs does.
func TestBoxOff(t *testing.T) {
	m := duty.Machine{Name: "pump", Services: []duty.Service{{Name: "seals", Due: -12 * time.Hour}}}
	for _, tt := range []struct {
		off    bool
		decide string
	}{{true, "Have it serviced: seals."}, {false, "Mend what tells"}} {
		r := room{runs: map[string][]duty.Run{"pump": {{From: monday.Add(-time.Hour), To: monday.AddDate(0, 0, 2), BoxOff: tt.off}}}}
		f := reviewed(t, &r, duty.Plan{Machines: []duty.Machine{m}}, week()).Machines[0]
		if says, _, _ := f.Weightiest(); !strings.HasPrefix(f.Decide, tt.decide) || !strings.HasPrefix(says, "seals is overdue") || f.UnseenSeconds != 2*86400 {
			t.Errorf("off %v: %s; %q, %v s not seen", tt.off, f.Decide, says, f.UnseenSeconds)
		}
		if want := map[bool]float64{true: 2 * 86400}[tt.off]; f.BoxOffSeconds != want {
			t.Errorf("off %v: the box was off for %v s, want %v", tt.off, f.BoxOffSeconds, want)
		}
	}
	r := room{until: monday.AddDate(0, 0, 5)} // and it has been for the last two days
	r.run("pump", monday, time.Hour)
	r.runs["pump"] = append(r.runs["pump"], duty.Run{From: r.until, To: monday.AddDate(0, 0, 7)}) // as a source of a record tells it
	if f := reviewed(t, &r, duty.Plan{Machines: []duty.Machine{m}}, week()).Machines[0]; f.BoxOffSeconds != 2*86400 {
		t.Errorf("off since the fifth day: %v s", f.BoxOffSeconds)
	}
}

// What a meter counted while nobody looked is not said to have run while the wash was closed.
func TestClosedIsWhatSomebodySaw(t *testing.T) {
	var r room
	r.run("pump", monday, 8*time.Hour)
	r.runs["pump"][0].Alone = true
	f := reviewed(t, &r, duty.Plan{Open: dublin{time.UTC}, Machines: []duty.Machine{{Name: "pump"}}}, week()).Machines[0]
	if f.RunSeconds != 8*3600 || f.Closed.RunSeconds != 0 {
		t.Errorf("ran %v s, closed %v s, want 28800 and 0", f.RunSeconds, f.Closed.RunSeconds)
	}
}

// The table fits a terminal, and its JSON has the keys that are fixed.
func TestTable(t *testing.T) {
	var r room
	r.run("reclaim.supply.1", monday.Add(8*time.Hour), 9*time.Hour)
	r.run("air.compressor", monday.Add(8*time.Hour), 9*time.Hour)
	r.run("air.compressor/load", monday.Add(8*time.Hour), 3*time.Hour)
	plan := duty.Plan{Machines: []duty.Machine{
		{Name: "reclaim.supply.1", RatedKW: 7.5, Services: []duty.Service{{Name: "grease bearings", Due: -3 * time.Hour}}},
		{Name: "air.compressor", RatedKW: 11, Load: &duty.Load{Name: "air.compressor/load"}},
	}}
	f := reviewed(t, &r, plan, week())
	var b strings.Builder
	if err := f.Table(&b, time.UTC); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + b.String())
	for line := range strings.Lines(b.String()) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 80 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	for _, want := range []string{"grease bearings", "overdue", "loaded", "nothing to decide: air.compressor"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the table lacks %q", want)
		}
	}
	text, err := json.Marshal(f.Machines[0])
	if err != nil {
		t.Fatal(err)
	}
	var fixed map[string]any
	if err := json.Unmarshal(text, &fixed); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"equipment", "from", "to", "runSeconds", "starts", "duty", "meanRunSeconds", "longestRunSeconds", "unseenSeconds"} {
		if _, ok := fixed[key]; !ok {
			t.Errorf("the JSON lacks %q", key)
		}
	}
}

// asking is a room whose meters were tampered with.
type asking struct{ room }

func (asking) Jumps(_ context.Context, name string, from, to time.Time) ([]string, error) {
	if name != "pump" || !from.Equal(monday) || !to.Equal(monday.AddDate(0, 0, 7)) {
		return nil, nil
	}
	return []string{"hour meter of pump went from 500 to 20: replaced; was it replaced?"}, nil
}

// A meter that was replaced is asked about.
func TestJumps(t *testing.T) {
	r := asking{room{until: week().To}}
	r.run("pump", monday, time.Hour)
	f, err := duty.Review(t.Context(), &r, duty.Plan{Machines: []duty.Machine{{Name: "pump"}}}, week(), week().To)
	if err != nil {
		t.Fatal(err)
	}
	if m := f.Machines[0]; len(m.Jumps) != 1 || !strings.Contains(strings.Join(m.Findings, "; "), "was it replaced?") || !strings.HasPrefix(m.Decide, "Find out what was done to the meter") {
		t.Errorf("got %+v", m)
	}
}

// A machine that ran through two minutes of a first day says nothing yet; one that ran through a shift does.
func TestHardlyEverRests(t *testing.T) {
	for _, tt := range []struct {
		seen time.Duration
		want bool
	}{{2 * time.Minute, false}, {9 * time.Hour, true}} {
		r := room{until: monday.Add(tt.seen)}
		r.run("pump", monday, tt.seen)
		m := reviewed(t, &r, duty.Plan{Machines: []duty.Machine{{Name: "pump"}}}, review.Span{From: monday, To: monday.Add(tt.seen)}).Machines[0]
		if got := strings.Contains(m.Decide, "hardly ever rests"); got != tt.want {
			t.Errorf("seen for %s: %q", tt.seen, m.Decide)
		}
	}
}
