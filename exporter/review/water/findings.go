package water

import (
	"fmt"
	"math"
	"strings"

	"roundsman/collector/sorting"
	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/page"
)

// What is published or said of other washes. Litres from gallons of 3.785411784 L.
const (
	practice = "common practice, no source"
	epa      = "EPA, WaterSense at Work (Oct 2012), p. 180 and 185"
	ica      = "International Carwash Association study of six conveyors in 2017 (2018); EPA, WaterSense at Work (2012), p. 180"

	leastPublished = 29.53  // L fresh a vehicle, conveyor with brushes and reclaim, at best (EPA)
	meanReclaiming = 113.56 // six reclaiming conveyors (ICA)
	noReclaim      = 249.08 // conveyor with brushes, no reclaim (EPA)
	automatic      = 150.   // an average automatic
	homeWash       = 300.   // at home with a hose
	meanReuse      = 0.51   // of sites that reclaim (EPA, after Brown 2000)
	balanceError   = 0.05   // of a day's in
	nightFlow      = 20.    // L/h
)

// judged makes a finding: up to good is good, up to most asks for a look.
func judged(figure, unit string, v minutes.Known, good, most float64, recommended, source string) review.Finding {
	f := review.Finding{Figure: figure, Value: float64(v), Unit: unit, Recommended: recommended, Source: source, Verdict: review.Poor}
	switch {
	case float64(v) <= good:
		f.Verdict = review.Good
	case float64(v) <= most:
		f.Verdict = review.Look
	}
	return f
}

// findings returns what can be judged, worst first.
func findings(f *Figures) []review.Finding {
	var list []review.Finding
	if u := &f.Use; u.FreshPerVehicle.Is() {
		d := judged("fresh a vehicle", "L", u.FreshPerVehicle, meanReclaiming, noReclaim, "mean 114 L, no reclaim 249 L", ica)
		if u.FreshPerVehicle < leastPublished {
			d.Remark = "under 29.5 L, the least published; newest tunnels are said to take under 10 L (" + practice + ")"
		}
		list = append(list, d)
	}
	if u := &f.Use; u.TotalPerVehicle.Is() {
		list = append(list, judged("all water a vehicle", "L", u.TotalPerVehicle, automatic, homeWash, "average 150 L, home 300 L", practice))
	}
	if u := &f.Use; u.Reuse.Is() {
		d := judged("reused", "ratio", -u.Reuse, -meanReuse, -meanReuse/2, "mean 51 %, newest 80 %", epa)
		d.Value = float64(u.Reuse)
		list = append(list, d)
	}
	for _, t := range f.Tanks {
		if t.Error.Is() {
			d := judged("balance of "+t.Name, "ratio", minutes.Known(math.Abs(float64(t.Error))), balanceError, 2*balanceError, "within 5 %", practice)
			d.Value = float64(t.Error)
			list = append(list, d)
		}
	}
	if f.Night.FreshPerHour.Is() {
		list = append(list, judged("fresh water at night", "L/h", f.Night.FreshPerHour, nightFlow, 5*nightFlow, "under 20 L/h", practice))
	}
	if u := &f.Use; u.Vehicles.Is() && u.Vehicles < leastVehicles {
		few(list)
	}
	sorting.StableFunc(list, func(a, b review.Finding) int { return int(b.Verdict) - int(a.Verdict) })
	return list
}

// few takes the verdicts from figures of a vehicle where there were few: tanks that fill now and then decide them.
func few(list []review.Finding) {
	for i := range list {
		if d := &list[i]; strings.HasSuffix(d.Figure, "a vehicle") || d.Figure == "reused" {
			d.Verdict, d.Remark = review.NotJudged, fmt.Sprintf("fewer than %d vehicles", leastVehicles)
		}
	}
}

// advice says in plain words what to do, most urgent first.
func advice(f *Figures, p *Plan) []string {
	list := []string{}
	say := func(when bool, format string, values ...any) {
		if when {
			list = append(list, fmt.Sprintf(format, values...))
		}
	}
	u, n := &f.Use, &f.Night
	say(n.FreshPerHour.Is() && n.FreshPerHour > nightFlow, "Fresh water runs at night: %s L/h, at most %s. Shut the hand valve for a night and watch the meter: fill valve, weep line, toilets.",
		page.Number(float64(n.FreshPerHour), 0), page.Number(float64(n.WorstPerHour), 0))
	for _, t := range f.Tanks {
		say(t.Error.Is() && math.Abs(float64(t.Error)) > balanceError, "%s does not balance: %s L of %s L in are missing (%s). A meter is wrong, it overflows, or something runs past the meters.",
			t.Name, page.Number(float64(t.Missing), 0), page.Number(float64(t.In), 0), page.Percent(float64(t.Error), 1))
		say(t.NightLossPerHour.Is() && t.NightLossPerHour > nightFlow, "%s loses %s L/h at night past its meters: valve, pump seal, tank.", t.Name, page.Number(float64(t.NightLossPerHour), 0))
	}
	say(u.TrendLow.Is() && u.TrendLow > 0, "Fresh water a vehicle grows by %s L in 30 days: nozzles, leaks, or other programmes sold.", page.Number(float64(u.Trend), 1))
	say(u.FreshPerVehicle.Is() && u.FreshPerVehicle > noReclaim, "A vehicle takes %s L of fresh water, more than a conveyor without reclaim (249 L). Is the reclaim plant running?", page.Number(float64(u.FreshPerVehicle), 0))
	for i, r := range f.Filters {
		say(r.Dirty.Is() && r.Clean.Is() && r.Clean > r.Dirty*0.8, "%s is no cleaner after a backwash (%s bar) than before (%s bar): time, flow or media.",
			r.Name, page.Number(float64(r.Clean), 2), page.Number(float64(r.Dirty), 2))
		say(p.Filters[i].Due > 0 && r.Most > minutes.Known(p.Filters[i].Due), "%s reached %s bar, due is %s: backwash sooner.", r.Name, page.Number(float64(r.Most), 2), page.Number(p.Filters[i].Due, 2))
		say(r.Passed.Is() && r.Passed > 0.95, "%s takes out hardly anything: %s of the turbidity passes. Channels in the media?", r.Name, page.Percent(float64(r.Passed), 0))
	}
	say(u.Resets > 0, "Totals fell %s: a meter was changed or reset, water is missing in the figures.", page.Times(u.Resets))
	switch {
	case unseen(f):
		list = []string{"Nothing was seen of the water in this span: the record has none of it."}
	case len(list) == 0:
		list = append(list, "Nothing asks for action.")
	}
	return list
}

// unseen reports whether no point of the review told anything.
func unseen(f *Figures) bool {
	seen := f.Use.Fresh.Is() || f.Use.Reclaim.Is() || f.Use.Vehicles.Is()
	for _, t := range f.Tanks {
		seen = seen || t.Least.Is()
	}
	for _, r := range f.Filters {
		seen = seen || r.Difference.Is() || r.TurbidityAfter.Is() || r.Backwashes > 0
	}
	return !seen
}
