package panel

import (
	"fmt"
	"html/template"
	"math"
	"net/http"
	"time"

	"roundsman/exporter/panel/draw"
	"roundsman/exporter/review"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/page"
	"roundsman/exporter/review/water"
)

// plantPage is what the pages of air and water share.
type plantPage struct {
	reviewHead
	Advice   []string
	Findings []finding
	Sources  []string
}

func (l *plantPage) judged(list []review.Finding, advice []string) {
	l.Findings, l.Sources = findingsOf(list, 1)
	l.Advice = advice
}

// airPage is the page of the compressed air.
type airPage struct {
	plantPage
	Pressure, Load, Leak figures
	Nights               []nightRow
	Drawn                template.HTML
	NotSettled           string
}

type nightRow struct{ Night, Leak, Tests string }

func (p *Panel) airPage(w http.ResponseWriter, r *http.Request) error {
	v, _ := p.now()
	l := airPage{plantPage: plantPage{reviewHead: p.reviewHead(r, v, "air", "Air", "30-days")}}
	if p.opts.Plants == nil {
		l.Told = nothingRecorded
		return l.show(w, "air.html", &l)
	}
	var f air.Figures
	if err := l.figures(r.Context(), p.opts.Plants.Air, &f); err != nil {
		return err
	}
	if l.Told == "" {
		l.fill(&f)
	}
	return l.show(w, "air.html", &l)
}

func (l *airPage) fill(f *air.Figures) {
	l.spanned(f.From, f.To)
	l.judged(f.Findings, f.Advice)
	l.Pressure, l.Load, l.Leak = pressureLines(&f.Pressure, spanWords(f.From, f.To)), loadLines(&f.Load, spanWords(f.From, f.To), l.zone), leakLines(&f.Leak)
	for _, n := range f.Leak.Nights {
		l.Nights = append(l.Nights, nightRow{dayWords(n.Day), amount(minutes.Known(n.Rate), 2, ""), fmt.Sprint(n.Tests)})
	}
	if n := f.Leak.NotSettled; n > 0 {
		l.NotSettled = page.Count(n, "test") + " not settled, left out."
	}
	l.Drawn = leakBars(&f.Leak)
}

func pressureLines(r *air.Pressure, span string) (l figures) {
	l.add("Time seen", lasting(r.SeenSeconds), "of %s", span)
	l.add("Mean while open", amount(r.MeanOpen, 2, "bar"), "lowest %s, highest %s", amount(r.Min, 1, ""), amount(r.Max, 1, "bar"))
	if r.BelowSeconds.Is() {
		l.add("Open time below "+amount(r.Minimum, 1, "bar"), lasting(r.BelowSeconds), "%s", page.Times(r.Dips))
	}
	if r.OpenSeconds.Is() {
		l.add("Open and seen", lasting(r.OpenSeconds), "")
	}
	return l
}

func loadLines(r *air.Load, span string, zone *time.Location) (l figures) {
	l.add("Time seen", lasting(r.SeenSeconds), "of %s", span)
	l.add("Loaded, of running time", percent(r.Factor, 0), "loaded %s, running %s", lasting(r.LoadedSeconds), lasting(r.RunningSeconds))
	worst := ""
	if r.WorstHourEnds != nil {
		worst = fmt.Sprintf("worst hour %s, to %s", r.AtLeastWords(fmt.Sprint(r.WorstHour)), stamp(*r.WorstHourEnds, zone))
	}
	l.add("Load cycles an hour running", r.AtLeastWords(amount(r.CyclesPerHour, 1, "")), "%s", worst)
	if r.ClosedPerHour.Is() {
		l.add("Load cycles an hour closed", r.AtLeastWords(amount(r.ClosedPerHour, 1, "")), "")
	}
	if r.MeanUse.Is() {
		l.add("Mean use", amount(r.MeanUse, 1, "L/s"), "delivery times loaded share")
	}
	return l
}

func leakLines(r *air.Leak) (l figures) {
	usual := page.Count(len(r.Tests), "test")
	if r.Usual.Is() {
		usual = "usual " + amount(r.Usual, 2, "L/s") + ", " + usual
	}
	l.add("Last night", amount(r.Latest, 2, "L/s"), "%s", usual)
	if r.Line != nil {
		l.add("Change in 30 days", signedWords(r.PerMonth, 2, "L/s"), "95 %%: %s to %s, %s", signedWords(r.PerMonthLow, 2, ""), signedWords(r.PerMonthHigh, 2, ""), leakTrend(r))
	}
	if r.Share.Is() {
		l.add("Of what the compressor gives", percent(r.Share, 1), "")
	}
	if r.Cost.Is() {
		l.add("Cost a year", amount(r.Cost, 0, r.Currency), "%s in %s", amount(r.KilowattHours, 0, "kWh"), amount(minutes.Known(r.HoursAYear), 0, "h"))
	}
	if r.SinceLastHours.Is() {
		l.add("Since the last test", lasting(r.SinceLastHours*3600), "")
	}
	return l
}

func leakTrend(r *air.Leak) string {
	switch {
	case r.Rising:
		return "rising"
	case r.Falling:
		return "falling"
	}
	return "may be chance"
}

// leakBars draws the leak of each night; nights without a settled test are gaps.
func leakBars(r *air.Leak) template.HTML {
	if len(r.Nights) < 2 {
		return ""
	}
	b := draw.Bars{ID: "leak", Title: "Leak of each night", Unit: "L/s", Digits: 2, Height: 150}
	if r.Usual.Is() {
		b.Limits = []draw.Limit{{Value: float64(r.Usual), Words: "usual " + amount(r.Usual, 2, "L/s")}}
	}
	rate := map[string]float64{}
	for _, n := range r.Nights {
		rate[n.Day] = n.Rate
	}
	for _, day := range daysFrom(r.Nights[0].Day, r.Nights[len(r.Nights)-1].Day) {
		v, ok := rate[day.Format(time.DateOnly)]
		if !ok {
			v = math.NaN()
		}
		b.Bars = append(b.Bars, draw.Bar{Label: day.Format("Mon 2"), Value: v})
	}
	return b.SVG()
}

// daysFrom returns all days from one to another, both written as in a review.
func daysFrom(first, last string) (list []time.Time) {
	day, err := time.Parse(time.DateOnly, first)
	end, err2 := time.Parse(time.DateOnly, last)
	if err != nil || err2 != nil {
		return nil
	}
	for ; !day.After(end) && len(list) < 800; day = day.AddDate(0, 0, 1) {
		list = append(list, day)
	}
	return list
}

// waterPage is the page of the water.
type waterPage struct {
	plantPage
	Use     figures
	Tanks   []section
	Filters []section
	Days    []waterDay
	Drawn   template.HTML
}

// section is a part of the plant and its figures.
type section struct {
	Name    string
	Figures figures
}

type waterDay struct{ Day, Vehicles, Fresh, Reclaim, Each string }

func (p *Panel) waterPage(w http.ResponseWriter, r *http.Request) error {
	v, _ := p.now()
	l := waterPage{plantPage: plantPage{reviewHead: p.reviewHead(r, v, "water", "Water", "30-days")}}
	if p.opts.Plants == nil {
		l.Told = nothingRecorded
		return l.show(w, "water.html", &l)
	}
	var f water.Figures
	if err := l.figures(r.Context(), p.opts.Plants.Water, &f); err != nil {
		return err
	}
	if l.Told == "" {
		l.fill(&f)
	}
	return l.show(w, "water.html", &l)
}

func (l *waterPage) fill(f *water.Figures) {
	l.spanned(f.From, f.To)
	l.judged(f.Findings, f.Advice)
	l.Use = useLines(f, l.zone)
	for i := range f.Tanks {
		l.Tanks = append(l.Tanks, section{inWords(f.Tanks[i].Name), tankLines(&f.Tanks[i])})
	}
	for i := range f.Filters {
		l.Filters = append(l.Filters, section{inWords(f.Filters[i].Name), filterLines(&f.Filters[i])})
	}
	for _, d := range f.Days {
		l.Days = append(l.Days, waterDay{dayWords(d.Day), amount(minutes.Known(d.Vehicles), 0, ""), amount(minutes.Known(d.Fresh), 0, ""),
			amount(minutes.Known(d.Reclaim), 0, ""), amount(freshEach(d), 1, "")})
	}
	l.Drawn = freshBars(f)
}

func freshEach(d water.Day) minutes.Known {
	if d.Vehicles == 0 {
		return minutes.Unknown()
	}
	return minutes.Known(d.Fresh / d.Vehicles)
}

func useLines(f *water.Figures, zone *time.Location) (l figures) {
	u, n := &f.Use, &f.Night
	if f.SeenSeconds.Is() {
		l.add("Time seen", lasting(f.SeenSeconds), "of %s", spanWords(f.From, f.To))
	}
	l.add("Vehicles", amount(u.Vehicles, 0, ""), "")
	l.add("Fresh water a vehicle", amount(u.FreshPerVehicle, 1, "L"), "in all %s", amount(u.Fresh, 0, "L"))
	l.add("All water a vehicle", amount(u.TotalPerVehicle, 1, "L"), "reclaimed %s", amount(u.Reclaim, 0, "L"))
	l.add("Reused", percent(u.Reuse, 0), "of all water")
	if u.GonePerVehicle.Is() {
		l.add("Gone a vehicle", amount(u.GonePerVehicle, 1, "L"), "carried out, evaporated, to the sewer")
	}
	if u.Trend.Is() {
		l.add("Fresh a vehicle, change in 30 days", signedWords(u.Trend, 1, "L"), "95 %%: %s to %s", signedWords(u.TrendLow, 1, ""), signedWords(u.TrendHigh, 1, ""))
	}
	if n.FreshPerHour.Is() {
		worst := page.Count(n.Nights, "night")
		if n.WorstNight != nil {
			worst += fmt.Sprintf(", worst %s from %s", amount(n.WorstPerHour, 1, "L/h"), stamp(*n.WorstNight, zone))
		}
		l.add("Fresh water at night", amount(n.FreshPerHour, 1, "L/h"), "%s", worst)
	}
	return l
}

// spanWords is how long a span is.
func spanWords(from, to time.Time) string { return lasting(minutes.Known(to.Sub(from).Seconds())) }

func tankLines(t *water.TankFigures) (l figures) {
	l.add("In it at the end", amount(t.End, 0, "L"), "least %s, change %s", amount(t.Least, 0, "L"), signedWords(t.Change, 0, "L"))
	in, out := amount(t.In, 0, "L"), amount(t.Out, 0, "L")
	inFrom, outFrom := "by its meters", "by its meters"
	switch {
	case !t.Unmetered.Is():
	case t.In.Is():
		out, outFrom = amount(t.Unmetered, 0, "L"), "not metered, told by the balance"
	default:
		in, inFrom = amount(t.Unmetered, 0, "L"), "not metered, told by the balance"
	}
	l.add("Ran in", in, "%s", inFrom)
	l.add("Ran out", out, "%s", outFrom)
	if t.Missing.Is() {
		l.add("Missing", amount(t.Missing, 0, "L"), "%s of what ran in", percent(t.Error, 1))
	}
	if t.NightLossPerHour.Is() {
		l.add("Lost at night", amount(t.NightLossPerHour, 1, "L/h"), "beyond its meters")
	}
	if t.HoursToEmpty.Is() {
		l.add("Lasts", lasting(t.HoursToEmpty*3600), "at the use of the last hour open, %s", amount(t.UsePerHour, 0, "L/h"))
	}
	return l
}

func filterLines(r *water.FilterFigures) (l figures) {
	l.add("Difference while water flows", amount(r.Difference, 2, "bar"), "most %s", amount(r.Most, 2, "bar"))
	l.add("After a backwash", amount(r.Clean, 2, "bar"), "before it %s", amount(r.Dirty, 2, "bar"))
	l.add("Backwashes", fmt.Sprint(r.Backwashes), "last %s ago", lasting(r.SinceBackwash*3600))
	if r.BackwashHours.Is() {
		between := ""
		if r.OpenHours.Is() {
			between = "of it open " + lasting(r.OpenHours*3600)
		}
		l.add("From one to the next", lasting(r.BackwashHours*3600), "%s", between)
	}
	if r.BackwashLitres.Is() {
		l.add("Water from one to the next", amount(r.BackwashLitres/1000, 1, "m3"), "")
	}
	if r.TurbidityAfter.Is() {
		l.add("Turbidity behind it", amount(r.TurbidityAfter, 0, ""), "before it %s, %s passes", amount(r.TurbidityBefore, 0, ""), percent(r.Passed, 0))
	}
	if r.DirtyTurbidity.Is() {
		l.add("The same after a backwash", amount(r.CleanTurbidity, 0, ""), "before it %s", amount(r.DirtyTurbidity, 0, ""))
	}
	return l
}

// freshBars draws the fresh water a vehicle took on each day; days without vehicles are gaps.
func freshBars(f *water.Figures) template.HTML {
	if len(f.Days) < 2 {
		return ""
	}
	b := draw.Bars{ID: "fresh", Title: "Fresh water a vehicle, by day", Unit: "L", Digits: 1, Height: 150}
	if f.Use.FreshPerVehicle.Is() {
		b.Limits = []draw.Limit{{Value: float64(f.Use.FreshPerVehicle), Words: "mean " + amount(f.Use.FreshPerVehicle, 1, "L")}}
	}
	for _, d := range f.Days {
		t, err := time.Parse(time.DateOnly, d.Day)
		if err != nil {
			continue
		}
		b.Bars = append(b.Bars, draw.Bar{Label: t.Format("Mon 2"), Value: float64(freshEach(d))})
	}
	return b.SVG()
}
