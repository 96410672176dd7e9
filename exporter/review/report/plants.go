package report

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"roundsman/exporter/panel/draw"
	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/water"
)

func (r *Report) airRows() []row {
	if r.Air == nil {
		return nil
	}
	pr, lo, le := &r.Air.Pressure, &r.Air.Load, &r.Air.Leak
	var list []row
	add := func(figure, found, and string) { list = append(list, row{figure, found, and}) }
	add("Header pressure, mean while open", with(pr.MeanOpen, 2, "bar"), fmt.Sprintf("lowest %s, highest %s bar", number(float64(pr.Min), 1), number(float64(pr.Max), 1)))
	if pr.BelowSeconds.Is() {
		add("Open time below "+with(pr.Minimum, 1, "bar"), length(pr.BelowSeconds), plural(pr.Dips, "dip"))
	}
	add("Load factor: loaded, of running", percent(lo.Factor, 0), "loaded "+length(lo.LoadedSeconds)+", running "+length(lo.RunningSeconds))
	worst := ""
	if lo.WorstHourEnds != nil {
		worst = fmt.Sprintf("worst hour %d, to %s", lo.WorstHour, r.stamp(*lo.WorstHourEnds))
	}
	add("Load cycles an hour of running", number(float64(lo.CyclesPerHour), 1), worst)
	if lo.ClosedPerHour.Is() {
		add("Load cycles an hour while closed", number(float64(lo.ClosedPerHour), 1), "")
	}
	if lo.MeanUse.Is() {
		add("Mean use, free air", with(lo.MeanUse, 1, "L/s"), "delivery times loaded share")
	}
	tests := plural(len(le.Tests), "test") + ", " + number(float64(le.NotSettled), 0) + " not settled"
	add("Leak, last night with a test", with(le.Latest, 2, "L/s"), "usual "+with(le.Usual, 2, "L/s")+"; "+tests)
	if le.Line != nil {
		way := "may be chance"
		if le.Rising {
			way = "rising"
		} else if le.Falling {
			way = "falling"
		}
		add("Leak, change in 30 days", signed(le.PerMonth, 2)+"\u00a0L/s", fmt.Sprintf("95 %%: %s to %s, %s", signed(le.PerMonthLow, 2), signed(le.PerMonthHigh, 2), way))
	}
	if le.Share.Is() {
		add("Leak, of the delivery", percent(le.Share, 1), "")
	}
	if le.Cost.Is() {
		add("Leak, cost a year", with(le.Cost, 0, le.Currency), fmt.Sprintf("%s in %s h", with(le.KilowattHours, 0, "kWh"), number(le.HoursAYear, 0)))
	}
	return list
}

// leaks draws the leak of each night.
func (r *Report) leaks() template.HTML {
	if r.Air == nil || len(r.Air.Leak.Nights) < 2 {
		return ""
	}
	t := draw.Trend{ID: "leak", Title: "Leak of compressed air, night by night", From: r.From, To: r.To, Step: 24 * time.Hour, Hold: 36 * time.Hour, Zone: r.Zone, Unit: "L/s", Digits: 2, Height: 150, Low: 0, High: 0.1}
	for _, n := range r.Air.Leak.Nights {
		day, err := time.ParseInLocation(time.DateOnly, n.Day, r.Zone)
		if err != nil {
			continue // made by the review
		}
		t.Steps = append(t.Steps, draw.Step{Milli: day.Add(12 * time.Hour).UnixMilli(), Min: n.Rate, Mean: n.Rate, Max: n.Rate})
	}
	return t.SVG()
}

// pressure draws the header's course.
func (r *Report) pressure() template.HTML {
	if r.Air == nil || len(r.Header) == 0 || r.HeaderStep <= 0 {
		return ""
	}
	t := draw.Trend{ID: "header", Title: "Header pressure: mean, and lowest to highest", From: r.From, To: r.To, Step: r.HeaderStep, Zone: r.Zone, Unit: "bar", Digits: 1, Height: 170, Steps: r.Header, Low: 0, High: 1}
	if v := r.Air.Pressure.Minimum; v.Is() && v > 0 {
		t.Limits = []draw.Limit{{Value: float64(v), Words: "least " + with(v, 1, "bar")}}
	}
	return t.SVG()
}

// waterView is the water as the page shows it.
type waterView struct {
	Rows    []row
	Tanks   []tank
	Filters []filter
	PerCar  template.HTML
	Judged  []review.Finding
}

type tank struct{ Name, In, Out, Change, Missing, Night, Lasts string }

type filter struct{ Name, Difference, Most, CleanDirty, Every, Count, Turbidity, Passed string }

func (r *Report) water() *waterView {
	f := r.Water
	if f == nil {
		return nil
	}
	v := &waterView{Judged: f.Findings}
	u, n := &f.Use, &f.Night
	add := func(figure, found, and string) { v.Rows = append(v.Rows, row{figure, found, and}) }
	add("Vehicles", number(float64(u.Vehicles), 0), "")
	add("Fresh water a vehicle", with(u.FreshPerVehicle, 1, "L"), "in all "+with(u.Fresh, 0, "L"))
	add("All water a vehicle", with(u.TotalPerVehicle, 1, "L"), "reclaimed "+with(u.Reclaim, 0, "L"))
	add("Reused", percent(u.Reuse, 0), "")
	if u.GonePerVehicle.Is() {
		add("Gone a vehicle", with(u.GonePerVehicle, 1, "L"), "carried out, evaporated, to the sewer")
	}
	if u.Trend.Is() {
		add("Fresh water a vehicle, change in 30 days", signed(u.Trend, 1)+"\u00a0L", "95 %: "+signed(u.TrendLow, 1)+" to "+signed(u.TrendHigh, 1))
	}
	if n.FreshPerHour.Is() {
		and := plural(n.Nights, "night")
		if n.WorstNight != nil {
			and += ", worst " + with(n.WorstPerHour, 1, "L/h") + " from " + r.stamp(*n.WorstNight)
		}
		add("Fresh water at night", with(n.FreshPerHour, 1, "L/h"), and)
	}
	for i := range f.Tanks {
		v.Tanks = append(v.Tanks, tankRow(&f.Tanks[i]))
	}
	for i := range f.Filters {
		v.Filters = append(v.Filters, filterRow(&f.Filters[i]))
	}
	v.PerCar = r.perCar()
	return v
}

// perCar draws fresh water a vehicle, day by day; a day without vehicles is not known.
func (r *Report) perCar() template.HTML {
	b := draw.Bars{ID: "fresh", Title: "Fresh water a vehicle, day by day", Unit: "L", Digits: 0, Height: 150}
	for _, d := range r.Water.Days {
		v := math.NaN()
		if d.Vehicles > 0 {
			v = d.Fresh / d.Vehicles
		}
		label := d.Day
		if day, err := time.Parse(time.DateOnly, d.Day); err == nil {
			label = day.Format("Mon 2")
		}
		b.Bars = append(b.Bars, draw.Bar{Label: label, Value: v})
	}
	if len(b.Bars) < 2 {
		return ""
	}
	return b.SVG()
}

func tankRow(t *water.TankFigures) tank {
	in, out := number(float64(t.In), 0), number(float64(t.Out), 0)
	switch {
	case !t.Unmetered.Is():
	case t.In.Is():
		out = "about " + number(float64(t.Unmetered), 0)
	default:
		in = "about " + number(float64(t.Unmetered), 0)
	}
	missing := number(float64(t.Missing), 0)
	if t.Error.Is() {
		missing += " (" + percent(t.Error, 1) + ")"
	}
	return tank{t.Name, in, out, signed(t.Change, 0), missing, number(float64(t.NightLossPerHour), 1), length(3600 * t.HoursToEmpty)}
}

func filterRow(f *water.FilterFigures) filter {
	return filter{
		Name: f.Name, Difference: number(float64(f.Difference), 2), Most: number(float64(f.Most), 2),
		CleanDirty: number(float64(f.Clean), 2) + " / " + number(float64(f.Dirty), 2), Every: length(3600 * f.BackwashHours), Count: number(float64(f.Backwashes), 0),
		Turbidity: number(float64(f.TurbidityBefore), 0) + " / " + number(float64(f.TurbidityAfter), 0), Passed: percent(f.Passed, 0),
	}
}

// alarmView is the alarm system as the page shows it.
type alarmView struct {
	Findings []finding
	Sources  []string
	Actors   []actor
	Floods   []review.Flood
	More     int // floods beyond those told
	Rehearse string
}

type finding struct {
	Verdict, Found, Figure, Recommended, Remark string
	Source                                      int
}

type actor struct {
	Alarm, Point, Alarms, Share, Chattering, Fleeting, Words string
}

// mostFloods is how many floods are told, the largest first as in the terminal.
const mostFloods = 10

func (r *Report) alarms() *alarmView {
	f := r.Alarms
	if f == nil {
		return nil
	}
	v := &alarmView{}
	for i := range f.Findings {
		d := &f.Findings[i]
		v.Findings = append(v.Findings, finding{d.Verdict.String(), amount(d), capital(d.Figure), d.Recommended, d.Remark, v.source(d.Source)})
	}
	for _, a := range r.Worst.Actors {
		words := a.Words
		if words == "" {
			words = "–"
		}
		v.Actors = append(v.Actors, actor{a.Alarm, a.Point, number(float64(a.Alarms), 0), percent(minutes.Known(a.Share), 1), number(float64(a.Chattering), 0), number(float64(a.Fleeting), 0), words})
	}
	switch {
	case r.Worst.Why != "":
		v.Rehearse = r.Worst.Why
	case !r.Worst.From.IsZero():
		v.Rehearse = fmt.Sprintf("Rehearsed over the readings kept from %s to %s. Suggestions come from these alone: judge them before you take them.", r.stamp(r.Worst.From), r.stamp(r.Worst.To))
	}
	v.Floods = f.Sliding.Episodes
	if n := len(v.Floods) - mostFloods; n > 0 {
		v.Floods, v.More = v.Floods[:mostFloods], n
	}
	return v
}

// source returns the number of a source; 0: none.
func (v *alarmView) source(s string) int {
	s = strings.TrimSpace(s)
	if s == "" {
		return 0
	}
	for i := range v.Sources {
		if v.Sources[i] == s {
			return i + 1
		}
	}
	v.Sources = append(v.Sources, s)
	return len(v.Sources)
}
