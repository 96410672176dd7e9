package air

import (
	"math"
	"slices"
	"time"

	"roundsman/collector/trendline"
	"roundsman/exporter/review/minutes"
)

// Leak is what leaks, L/s of free air.
type Leak struct {
	Tests  []Test  `json:"tests"`  // all of the span
	Nights []Night `json:"nights"` // with a settled test

	Latest minutes.Known `json:"latest"` // of the last night
	Usual  minutes.Known `json:"usual"`  // median of the nights before; unknown with fewer than three
	// Line is the line through the nights' figures over days since the first; null with fewer than three. Rising and
	// Falling say that this is not chance, with 95 % confidence.
	Line           *trendline.Line `json:"line"`
	PerMonth       minutes.Known   `json:"perMonth"` // its slope in 30 days
	PerMonthLow    minutes.Known   `json:"perMonthLow"`
	PerMonthHigh   minutes.Known   `json:"perMonthHigh"`
	Rising         bool            `json:"rising"`
	Falling        bool            `json:"falling"`
	Share          minutes.Known   `json:"shareOfDelivery"` // 0 to 1
	CubicMetres    minutes.Known   `json:"cubicMetresAYear"`
	KilowattHours  minutes.Known   `json:"kilowattHoursAYear"`
	Cost           minutes.Known   `json:"costAYear"`
	Currency       string          `json:"currency"`
	HoursAYear     float64         `json:"hoursAYear"`
	CostASecond    minutes.Known   `json:"costAYearPerLitreASecond"` // what each L/s costs in a year
	NotSettled     int             `json:"notSettled"`               // tests
	SinceLastHours minutes.Known   `json:"sinceLastTestHours"`       // at the span's end
}

// Night is the time from noon to noon.
type Night struct {
	Day   string  `json:"day"`   // on which it began, in the site's zone
	Rate  float64 `json:"rate"`  // median of its settled tests
	Tests int     `json:"tests"` // settled
}

func (w *work) leak() (Leak, error) {
	l := Leak{
		Tests: []Test{}, Nights: []Night{}, Latest: minutes.Unknown(), Usual: minutes.Unknown(), PerMonth: minutes.Unknown(),
		PerMonthLow: minutes.Unknown(), PerMonthHigh: minutes.Unknown(), Share: minutes.Unknown(), SinceLastHours: minutes.Unknown(),
	}
	if err := w.tests(&l); err != nil {
		return l, err
	}
	if n := len(l.Tests); n > 0 {
		l.SinceLastHours = minutes.Known(w.span.To.Sub(l.Tests[n-1].At).Hours())
	}
	zone := w.plan.Zone
	if zone == nil {
		zone = time.UTC
	}
	l.Nights = nights(l.Tests, zone)
	if n := len(l.Nights); n > 0 {
		l.Latest = minutes.Known(l.Nights[n-1].Rate)
		if n > 3 {
			l.Usual = minutes.Known(middle(rates(l.Nights[:n-1])))
		}
	}
	l.trend()
	l.cost(w.plan)
	return l, nil
}

func (w *work) tests(l *Leak) error {
	s := w.plan.Leak
	if !s.Named() {
		return nil
	}
	for t, err := range w.src.LeakTests(w.ctx, s.Point, w.span.From, w.span.To) {
		if err != nil {
			return err
		}
		if s.Factor != 0 {
			t.Rate *= s.Factor
		}
		l.Tests = append(l.Tests, t)
		if !t.Settled {
			l.NotSettled++
		}
	}
	return nil
}

// nights joins the settled tests of each night.
func nights(tests []Test, zone *time.Location) []Night {
	out := []Night{}
	var list []float64
	for i, t := range tests {
		day := nightOf(t.At, zone)
		if t.Settled {
			list = append(list, t.Rate)
		}
		if i+1 < len(tests) && nightOf(tests[i+1].At, zone) == day {
			continue
		}
		if len(list) > 0 {
			out = append(out, Night{day, middle(list), len(list)})
		}
		list = nil
	}
	return out
}

// nightOf returns the day on which the night of a time began.
func nightOf(at time.Time, zone *time.Location) string {
	return at.In(zone).Add(-12 * time.Hour).Format(time.DateOnly)
}

func rates(list []Night) []float64 {
	var out []float64
	for _, n := range list {
		out = append(out, n.Rate)
	}
	return out
}

// middle returns the median.
func middle(v []float64) float64 {
	v = slices.Clone(v)
	slices.Sort(v)
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

const month = 30 // days

func (l *Leak) trend() {
	var x, y []float64
	for _, n := range l.Nights {
		day, err := time.Parse(time.DateOnly, n.Day)
		if err != nil {
			continue // made by nightOf
		}
		x, y = append(x, float64(day.Unix()/86400)), append(y, n.Rate)
	}
	for i := len(x) - 1; i >= 0; i-- {
		x[i] -= x[0]
	}
	line, err := trendline.Fit(x, y)
	if err != nil {
		return // fewer than three nights
	}
	l.Line, l.Rising, l.Falling = &line, line.Rises(), line.Falls()
	l.PerMonth = minutes.Known(month * line.Slope)
	l.PerMonthLow, l.PerMonthHigh = minutes.Known(month*line.SlopeLow), minutes.Known(month*line.SlopeHigh)
}

// hoursInYear is a year of 365 days, as the sourcebook counts.
const hoursInYear = 8760

// cost tells what the latest leak costs in a year: flow times specific power times hours times price, as in DOE's
// Compressed Air Tip Sheet #3 (from memory). It takes each cubic metre as dear as the next: with load and unload control
// what an unloaded motor draws is not saved, so put in what a cubic metre more costs.
func (l *Leak) cost(p *Plan) {
	l.HoursAYear, l.Currency = p.Cost.Hours, p.Cost.Currency
	if l.HoursAYear == 0 {
		l.HoursAYear = hoursInYear
	}
	if p.Delivery > 0 {
		l.Share = l.Latest / minutes.Known(p.Delivery)
	}
	perLitre := minutes.Known(3.6 * l.HoursAYear) // m3 a year of one L/s
	l.CubicMetres = l.Latest * perLitre
	l.KilowattHours, l.Cost, l.CostASecond = minutes.Unknown(), minutes.Unknown(), minutes.Unknown()
	if p.Cost.Specific > 0 {
		l.KilowattHours = l.CubicMetres * minutes.Known(p.Cost.Specific)
		if p.Cost.Price > 0 && !math.IsInf(p.Cost.Price, 0) {
			l.CostASecond = perLitre * minutes.Known(p.Cost.Specific*p.Cost.Price)
			l.Cost = l.KilowattHours * minutes.Known(p.Cost.Price)
		}
	}
}
