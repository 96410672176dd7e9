package main

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"roundsman/collector/outsidetest"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/duty"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/water"
)

// monthsAnswer is what the commands answer about a span.
type monthsAnswer struct {
	duty  duty.Figures
	air   air.Figures
	water water.Figures
}

func askMonths(t *testing.T, site string, from, to time.Time) (a monthsAnswer) {
	t.Helper()
	for name, into := range map[string]any{"duty": &a.duty, "air": &a.air, "water": &a.water} {
		if err := json.Unmarshal([]byte(ask(t, exitGood, name, site, "--from", from.Format(time.RFC3339), "--to", to.Format(time.RFC3339), "--json")), into); err != nil {
			t.Fatal(err)
		}
	}
	return a
}

// The reviews of weeks, over spans of any kind, against a plain model of the room: across the spring change of the clocks,
// through a night, two days and a kill of the box, over contacts and links that are lost, before the record and after it.
func TestHeavyMonths(t *testing.T) {
	plan := newMonthsPlan(t, 38)
	dir := memoryDir(t)
	if keep := os.Getenv("ROUNDSMAN_KEEP_RECORD"); keep != "" { // to look at it
		dir = keep
	}
	write(t, dir, "site.yaml", monthsSite)
	write(t, dir, "rules.yaml", smallRules)
	begun := time.Now()
	plan.play(t, dir)
	t.Logf("%d looks in %s", len(plan.looks), time.Since(begun).Round(time.Second))
	plan.lose(t, filepath.Join(dir, "corner.db"))
	site := filepath.Join(dir, "site.yaml")
	for name, s := range monthsSpans(plan) {
		t.Run(name, func(t *testing.T) {
			a := askMonths(t, site, s.from, s.to)
			plan.compareDuty(t, &a.duty, s)
			plan.compareMore(t, &a.duty, s)
			plan.compareAir(t, &a.air, s)
			plan.compareWater(t, &a.water, s)
		})
	}
	t.Run("read by others", func(t *testing.T) { readByOthers(t, plan, site) })
}

// monthsSpans are spans that people ask for, and others.
func monthsSpans(p *monthsPlan) map[string]span {
	day := func(month time.Month, d int) time.Time { return time.Date(2000, month, d, 0, 0, 0, 0, p.zone) }
	list := map[string]span{
		"march":                 {from: day(3, 1), to: day(4, 1)},
		"all":                   {from: day(2, 20), to: day(4, 10)},
		"day the clocks change": {from: day(3, 26), to: day(3, 27)},
		"a day":                 {from: day(3, 8), to: day(3, 9)},
		"a closed day":          {from: day(3, 17), to: day(3, 18)},
		"before the record":     {from: day(2, 1), to: day(2, 20)},
		"around its begin":      {from: day(2, 20), to: day(2, 26)},
		"after the record":      {from: day(4, 20), to: day(4, 27)},
		"while it was off":      {from: day(3, 14), to: day(3, 15)},
	}
	r := rand.New(rand.NewPCG(3, 5))
	for i := range 12 {
		from := p.begin.Add(time.Duration(r.Int64N(int64(p.end.Sub(p.begin)))) - 12*time.Hour).Truncate(time.Minute)
		length := time.Duration(math.Exp(r.Float64()*math.Log(30*24*60))*float64(time.Minute)) + time.Minute
		list[fmt.Sprintf("dice %d", i)] = span{from: from, to: from.Add(length).Truncate(time.Minute)}
	}
	return list
}

func (p *monthsPlan) compareDuty(t *testing.T, f *duty.Figures, s span) {
	courses := map[string]*machine{
		"compressor": p.course(contactOf(airRunning)), "one": p.course(contactOf(oneRun)), "two": p.course(contactOf(twoRun)),
		"arch": p.course(twoThresholds(archCurrent, 8, 4)), "booster": p.course(twoThresholds(boosterSpeed, 5, 5)),
	}
	for i := range f.Machines {
		m := &f.Machines[i]
		c := courses[m.Equipment]
		if c == nil {
			continue
		}
		least := time.Minute
		if m.Equipment == "one" {
			least = 90 * time.Second
		}
		want := p.figures(c, s.from, s.to, least)
		got := ranFor{run: seconds(m.RunSeconds), still: seconds(m.StillSeconds), dark: seconds(m.UnseenSeconds), longest: seconds(m.LongestSeconds),
			closed: seconds(m.Closed.RunSeconds), starts: m.Starts, worst: m.WorstHour, whole: m.WholeRuns, short: m.ShortRuns, shut: m.Closed.Starts}
		if m.ShortestSeconds.Is() {
			got.shortest = seconds(float64(m.ShortestSeconds))
		}
		if m.MeanRunSeconds.Is() {
			got.runs = int(math.Round(m.RunSeconds / float64(m.MeanRunSeconds)))
		}
		if want.run == 0 {
			want.runs = 0
		}
		if got != want {
			t.Errorf("%s, %s to %s:\ngot  %+v\nwant %+v", m.Equipment, s.from, s.to, got, want)
		}
	}
}

// closeTo compares numbers that may differ by rounding; what is not known must be NaN in both.
func closeTo(t *testing.T, what string, got minutes.Known, want float64) {
	t.Helper()
	if math.IsInf(want, 0) {
		want = math.NaN()
	}
	if got.Is() == math.IsNaN(want) || math.Abs(float64(got)-want) > 1e-6*max(1, math.Abs(want)) {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

// orNothing is a sum of so many looks: without one it is not known.
func orNothing(v float64, n int) float64 {
	if n == 0 {
		return math.NaN()
	}
	return v
}

// compareMore holds pairs, vehicles, trends, energy and what an hour meter and a counter of starts tell.
func (p *monthsPlan) compareMore(t *testing.T, f *duty.Figures, s span) {
	by := map[string]*duty.MachineFigures{}
	for i := range f.Machines {
		by[f.Machines[i].Equipment] = &f.Machines[i]
	}
	one, two := by["one"], by["two"]
	closeTo(t, "share of one", one.Pair.Share, one.RunSeconds/(one.RunSeconds+two.RunSeconds))
	cars := p.rose(carsCount, s.from, s.to, always)
	closeTo(t, "vehicles", f.Vehicles, orNothing(cars, len(p.within(s.from, s.to))))
	closeTo(t, "seconds a vehicle", one.PerVehicle.Seconds, one.RunSeconds/cars)
	closeTo(t, "energy by rating", one.EnergyKWh, 7.5*one.RunSeconds/3600)
	mean, n := meanOf(p.within(s.from, s.to), archPower, always)
	closeTo(t, "energy by the meter of power", by["arch"].EnergyKWh, mean*float64(n)/60)
	c := by["compressor"]
	loaded := p.figures(p.course(contactOf(airLoaded)), s.from, s.to, 0).run.Seconds()
	closeTo(t, "time loaded", minutes.Known(c.Load.LoadedSeconds), loaded)
	closeTo(t, "energy of the compressor", c.EnergyKWh, 11*(loaded+0.3*(c.RunSeconds-loaded))/3600)
	x, y := p.perVehicle(p.course(contactOf(oneRun)), s.to)
	if one.PerVehicle.Days != len(x) || (one.PerVehicle.Trend != nil) != (len(x) >= 5) {
		t.Errorf("trend of one: %+v, want one of %d days", one.PerVehicle, len(x))
	} else if tr := one.PerVehicle.Trend; tr != nil {
		closeTo(t, "trend of one", minutes.Known(tr.Slope), slope(x, y))
	}
	p.compareBlower(t, by["blower"], s)
}

// perVehicle returns, for each whole day of the 28 before that of an instant, how long a machine ran for each car.
func (p *monthsPlan) perVehicle(m *machine, to time.Time) (x, y []float64) {
	year, month, day := to.In(p.zone).Date()
	for i := range 28 {
		from, end := time.Date(year, month, day+i-28, 0, 0, 0, 0, p.zone), time.Date(year, month, day+i-27, 0, 0, 0, 0, p.zone)
		f := p.figures(m, from, end, 0)
		if cars := p.rose(carsCount, from, end, always); cars >= 20 && f.run+f.still > 0 && f.dark <= end.Sub(from)/20 {
			x, y = append(x, float64(i)), append(y, f.run.Seconds()/cars)
		}
	}
	return x, y
}

// compareBlower: a counter tells starts at the look that shows them, an hour meter run time to two of its steps.
func (p *monthsPlan) compareBlower(t *testing.T, m *duty.MachineFigures, s span) {
	starts := 0.0
	for i := 1; i < len(p.looks); i++ {
		if at := p.looks[i].at; !at.Before(s.from) && at.Before(s.to) {
			starts += p.looks[i].v[blowerStarts] - p.looks[i-1].v[blowerStarts]
		}
	}
	if float64(m.Starts) != starts {
		t.Errorf("starts by the counter: %d, want %v", m.Starts, starts)
	}
	if m.WorstHour > 4 || m.LongestSeconds > 3600 || m.Closed.RunSeconds > 3*3600 { // what they told of the time the box was off is of no hour
		t.Errorf("%d starts in the worst hour, longest run %v s, closed %v s", m.WorstHour, m.LongestSeconds, m.Closed.RunSeconds)
	}
	if hours := p.rose(blowerHours, s.from, s.to, always); math.Abs(m.RunSeconds/3600-hours) > 0.2 {
		t.Errorf("hours by the meter: %.2f, want %.2f", m.RunSeconds/3600, hours)
	}
}

func (p *monthsPlan) compareAir(t *testing.T, f *air.Figures, s span) {
	looks := p.within(s.from, s.to)
	mean, n := meanOf(looks, pressure, always)
	closeTo(t, "mean pressure", f.Pressure.Mean, mean)
	open, nOpen := meanOf(looks, pressure, p.openAt)
	closeTo(t, "mean pressure while open", f.Pressure.MeanOpen, open)
	least, below, dips, under := math.Inf(1), 0, 0, time.Time{}
	var turning, loaded, both float64
	for _, l := range looks {
		if p.openAt(l.at) {
			least = min(least, l.v[pressure])
			if l.v[pressure] < 5.5 {
				if below++; l.at.Sub(under) > 2*time.Minute {
					dips++
				}
				under = l.at
			} else {
				under = time.Time{}
			}
		}
		turning, loaded, both = turning+l.v[airRunning], loaded+l.v[airLoaded], both+l.v[airRunning]*l.v[airLoaded]
	}
	closeTo(t, "lowest pressure while open", f.Pressure.Min, least)
	closeTo(t, "time below", f.Pressure.BelowSeconds, orNothing(float64(60*below), nOpen))
	closeTo(t, "open and seen", f.Pressure.OpenSeconds, float64(60*nOpen))
	ons, worst := loadings(looks, airLoaded)
	shut, nShut := 0, 0
	for _, at := range ons {
		if !p.openAt(at) {
			shut++
		}
	}
	for _, l := range looks {
		if !p.openAt(l.at) {
			nShut++
		}
	}
	// The record also counts a loading that began while nobody looked, and one at the span's first look: its looks alone do not tell.
	over, blind := f.Load.Cycles-len(ons), notLooked(looks, s.from)+1
	if f.Pressure.Dips != dips || over < 0 || over > blind || f.Load.WorstHour < worst || f.Load.WorstHour > worst+over {
		t.Errorf("%d dips, %d cycles, %d in the worst hour; want %d, %d, %d, cycles at most %d more", f.Pressure.Dips, f.Load.Cycles, f.Load.WorstHour, dips, len(ons), worst, blind)
	}
	closeTo(t, "running", f.Load.RunningSeconds, orNothing(60*turning, len(looks)))
	closeTo(t, "load factor", f.Load.Factor, both/turning)
	closeTo(t, "cycles an hour", f.Load.CyclesPerHour, 60*float64(len(ons)+over)/turning)
	if got := float64(f.Load.ClosedPerHour) * float64(nShut) / 60; nShut > 0 && (got < float64(shut)-1e-6 || got > float64(shut+over)+1e-6) {
		t.Errorf("%v cycles while closed, want %d, at most %d more", got, shut, over)
	}
	closeTo(t, "mean use", f.Load.MeanUse, 30*loaded/float64(n))
}

func (p *monthsPlan) compareWater(t *testing.T, f *water.Figures, s span) {
	looks := p.within(s.from, s.to)
	fresh, reclaim, cars := 10*p.rose(freshPulses, s.from, s.to, always), 50*p.rose(reclaimPulses, s.from, s.to, always), p.rose(carsCount, s.from, s.to, always)
	closeTo(t, "fresh", f.Use.Fresh, orNothing(fresh, len(looks)))
	closeTo(t, "reclaimed", f.Use.Reclaim, orNothing(reclaim, len(looks)))
	closeTo(t, "fresh a vehicle", f.Use.FreshPerVehicle, fresh/cars)
	closeTo(t, "reused", f.Use.Reuse, reclaim/(fresh+reclaim))
	if len(f.Tanks) != 1 || len(f.Filters) != 1 {
		t.Fatalf("tanks %+v, filters %+v", f.Tanks, f.Filters)
	}
	if len(looks) > 0 {
		change := looks[len(looks)-1].v[tankVolume] - looks[0].v[tankVolume]
		closeTo(t, "change of the tank", f.Tanks[0].Change, change)
		closeTo(t, "drawn from the tank", f.Tanks[0].Unmetered, fresh-change)
	}
	ons, _ := loadings(looks, filterBackwash)
	if f.Filters[0].Backwashes != len(ons) {
		t.Errorf("%d backwashes, want %d", f.Filters[0].Backwashes, len(ons))
	}
	if n := len(ons); n > 1 {
		closeTo(t, "from backwash to backwash", f.Filters[0].BackwashHours, ons[n-1].Sub(ons[0]).Hours()/float64(n-1))
	}
	p.compareDays(t, f, s)
	p.compareNights(t, f, s)
}

// compareDays: each day of the wall clock has what was counted in it.
func (p *monthsPlan) compareDays(t *testing.T, f *water.Figures, s span) {
	got := map[string]water.Day{}
	for _, d := range f.Days {
		got[d.Day] = d
	}
	for at := s.from.In(p.zone); at.Before(s.to); at = time.Date(at.Year(), at.Month(), at.Day()+1, 0, 0, 0, 0, p.zone) {
		end := time.Date(at.Year(), at.Month(), at.Day()+1, 0, 0, 0, 0, p.zone)
		if end.After(s.to) {
			end = s.to
		}
		want := water.Day{Day: at.Format(time.DateOnly), Fresh: 10 * p.roseSince(freshPulses, s.from, at, end), Reclaim: 50 * p.roseSince(reclaimPulses, s.from, at, end), Vehicles: p.roseSince(carsCount, s.from, at, end)}
		d := got[want.Day]
		if math.Abs(d.Fresh-want.Fresh)+math.Abs(d.Reclaim-want.Reclaim)+math.Abs(d.Vehicles-want.Vehicles) > 1e-6 {
			t.Errorf("day: got %+v, want %+v", d, want)
		}
	}
}

// roseSince is what a counter rose in a part of a span.
func (p *monthsPlan) roseSince(point int, begin, from, to time.Time) float64 {
	return p.rose(point, begin, to, func(at time.Time) bool { return !at.Before(from) })
}

// compareNights: what the meter rose from the first to the last look of each night, half an hour after closing; a night
// that was not seen for an hour tells nothing.
func (p *monthsPlan) compareNights(t *testing.T, f *water.Figures, s span) {
	var hours, litres float64
	n := 0
	for at := s.from; at.Before(s.to); at = at.Add(time.Minute) {
		begin := at
		for at.Before(s.to) && !p.openAt(at) {
			at = at.Add(time.Minute)
		}
		if at.Sub(begin) < 2*time.Hour {
			continue
		}
		if night := p.within(begin.Add(30*time.Minute), at); len(night) > 1 && night[len(night)-1].at.Sub(night[0].at) >= time.Hour {
			first, last := night[0], night[len(night)-1]
			hours, litres, n = hours+last.at.Sub(first.at).Hours(), litres+10*(last.v[freshPulses]-first.v[freshPulses]), n+1
		}
	}
	if f.Night.Nights != n {
		t.Errorf("%d nights, want %d", f.Night.Nights, n)
	}
	closeTo(t, "hours of night", minutes.Known(f.Night.Hours), hours)
	closeTo(t, "fresh an hour of night", f.Night.FreshPerHour, litres/hours)
}

// byOthers is what a script reads from the views of a record: run time, starts and unseen time of each machine from its
// intervals, cut to a span, minute figures, and sums of days.
const byOthers = `
import sqlite3, sys, json, datetime as d
db = sqlite3.connect('file:%s?mode=ro' % sys.argv[1], uri=True)
lo, hi = sys.argv[2], sys.argv[3]
when = lambda s: d.datetime.strptime(s, '%Y-%m-%dT%H:%M:%S.%fZ' if '.' in s else '%Y-%m-%dT%H:%M:%SZ')
a, z, out = when(lo), when(hi), {}
clip = lambda x, y: max(0.0, (min(y, z) - max(x, a)).total_seconds())
for name, kind, ended, seconds, starts in db.execute('SELECT equipment, kind, ended, seconds, starts FROM equipment_intervals'):
    m = out.setdefault(name, {'run': 0.0, 'unseen': 0.0, 'starts': 0, 'hours': 0.0})
    end = when(ended)
    begun = end - d.timedelta(seconds=seconds)
    if kind in m: m[kind] += clip(begun, end) if kind != 'starts' else 0
    if a <= begun < z: m['starts'] += starts
for name, hours in db.execute("SELECT equipment, sum(run_hours) FROM equipment_days WHERE day LIKE '2000-03-%' GROUP BY equipment"):
    out[name]['hours'] = hours
minutes = db.execute("SELECT count(*), avg(mean), max(unit) FROM minute_figures WHERE point = 'air.pressure' AND time >= ? AND time < ?", (lo, hi)).fetchone()
print(json.dumps({'machines': out, 'minutes': minutes[0], 'pressure': minutes[1], 'unit': minutes[2]}))
`

// readByOthers: a copy made by backup, read with another tool, has the figures of March that the commands tell, in the site's
// units; the questions in the notes on the record are answered.
func readByOthers(t *testing.T, p *monthsPlan, site string) {
	python := outsidetest.Python(t, "python3", "sqlite3")
	dir := t.TempDir()
	ask(t, exitGood, "backup", site, filepath.Join(dir, "copy.db"))
	from, to := time.Date(2000, 3, 1, 0, 0, 0, 0, p.zone), time.Date(2000, 4, 1, 0, 0, 0, 0, p.zone)
	script := func(text string, args ...string) string {
		cmd := exec.Command(python, append([]string{"-c", text}, args...)...)
		cmd.Dir = dir
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%v: %s", err, err.(*exec.ExitError).Stderr)
		}
		return string(out)
	}
	var got struct {
		Machines map[string]struct {
			Run, Unseen, Hours float64
			Starts             int
		}
		Minutes  int
		Pressure float64
		Unit     string
	}
	if err := json.Unmarshal([]byte(script(byOthers, "copy.db", from.UTC().Format(time.RFC3339), to.UTC().Format(time.RFC3339))), &got); err != nil {
		t.Fatal(err)
	}
	a := askMonths(t, site, from, to)
	for i := range a.duty.Machines {
		m := &a.duty.Machines[i]
		g := got.Machines[m.Equipment]
		if math.Abs(g.Run-m.RunSeconds) > 1e-3 || math.Abs(g.Unseen-m.UnseenSeconds) > 1e-3 || g.Starts != m.Starts || math.Abs(3600*g.Hours-m.RunSeconds) > 1e-3 {
			t.Errorf("%s: a script reads %+v; the command tells run %v, unseen %v, %d starts", m.Equipment, g, m.RunSeconds, m.UnseenSeconds, m.Starts)
		}
	}
	if got.Unit != "bar" || 60*got.Minutes != int(a.air.Pressure.SeenSeconds) || math.Abs(got.Pressure-float64(a.air.Pressure.Mean)) > 1e-9 {
		t.Errorf("a script reads %d minutes of %v %s; the command tells %+v", got.Minutes, got.Pressure, got.Unit, a.air.Pressure)
	}
	notes, err := os.ReadFile(filepath.Join("..", "..", "deploy", "RECORD.md"))
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range []string{"sql", "python"} {
		for _, block := range regexp.MustCompile("(?s)```"+kind+"\n(.*?)```").FindAllStringSubmatch(string(notes), -1) {
			text := block[1]
			if kind == "sql" {
				text = "import sqlite3\nfor row in sqlite3.connect('file:copy.db?mode=ro', uri=True).execute(\"\"\"" + text + "\"\"\"): print(row)"
			}
			if out := script(text); out == "" {
				t.Errorf("no answer to %s", block[1])
			}
		}
	}
}
