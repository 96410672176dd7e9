package air

import (
	"fmt"
	"io"
	"time"

	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/page"
)

// shown is how many nights Table lists.
const shown = 14

func seconds(k minutes.Known) time.Duration { return time.Duration(float64(k) * float64(time.Second)) }

// Table writes the figures for a terminal of 80 columns. Times are in the zone.
func (f *Figures) Table(w io.Writer, zone *time.Location) error {
	p := page.To(w)
	p.Line("compressed air, %s to %s", stamp(f.From, zone), stamp(f.To, zone))
	rows := [][]string{{"figure", page.Right("found"), "and"}}
	row := func(figure, found, and string) { rows = append(rows, []string{figure, page.Right(found), and}) }
	seen := func(k minutes.Known) { row("time seen", length(k), "of "+page.Length(f.To.Sub(f.From))) }
	seen(f.Pressure.SeenSeconds)
	pressureRows(&f.Pressure, row)
	if f.Load.SeenSeconds != f.Pressure.SeenSeconds {
		seen(f.Load.SeenSeconds)
	}
	loadRows(&f.Load, zone, row)
	leakRows(&f.Leak, row)
	p.Rows(rows)
	f.judgements(p)
	f.nights(p)
	p.Line("")
	for _, a := range f.Advice {
		p.Line("- %s", a)
	}
	p.Line("")
	if f.Load.AtLeast && f.Load.Cycles > 0 {
		p.Line("Load cycles are counted by minutes, two within one as one: at least so many.")
	}
	p.Line("Pressures are gauge, flows free air. Leak tests are estimates.")
	return p.Err()
}

func pressureRows(r *Pressure, row func(figure, found, and string)) {
	row("header pressure, mean while open", page.With(float64(r.MeanOpen), 2, "bar"), ends(r))
	if r.BelowSeconds.Is() {
		row(fmt.Sprintf("open time below %s bar", page.Number(float64(r.Minimum), 1)), page.Length(seconds(r.BelowSeconds)), page.Times(r.Dips))
	}
}

func ends(r *Pressure) string {
	return fmt.Sprintf("lowest %s, highest %s", page.Number(float64(r.Min), 1), page.Number(float64(r.Max), 1))
}

func loadRows(r *Load, zone *time.Location, row func(figure, found, and string)) {
	row("loaded, of running", page.Percent(float64(r.Factor), 0), "loaded "+length(r.LoadedSeconds)+", running "+length(r.RunningSeconds))
	worst := ""
	if r.WorstHourEnds != nil {
		worst = fmt.Sprintf("worst hour %d, to %s", r.WorstHour, stamp(*r.WorstHourEnds, zone))
	}
	row("load cycles an hour running", page.Number(float64(r.CyclesPerHour), 1), worst)
	if r.ClosedPerHour.Is() {
		row("load cycles an hour closed", page.Number(float64(r.ClosedPerHour), 1), "")
	}
	if r.MeanUse.Is() {
		row("mean use", page.With(float64(r.MeanUse), 1, "L/s"), "delivery times loaded share")
	}
}

func leakRows(r *Leak, row func(figure, found, and string)) {
	row("leak, last night", page.With(float64(r.Latest), 2, "L/s"), usual(r))
	if r.Line != nil {
		row("leak, in 30 days", signed(r.PerMonth)+" L/s", fmt.Sprintf("95 %%: %s to %s, %s", signed(r.PerMonthLow), signed(r.PerMonthHigh), direction(r)))
	}
	if r.Share.Is() {
		row("leak, of the delivery", page.Percent(float64(r.Share), 1), "")
	}
	if r.Cost.Is() {
		row("leak, cost a year", page.With(float64(r.Cost), 0, r.Currency), fmt.Sprintf("%s kWh in %s h", page.Number(float64(r.KilowattHours), 0), page.Number(r.HoursAYear, 0)))
	}
}

func usual(r *Leak) string {
	if !r.Usual.Is() {
		return page.Count(len(r.Tests), "test")
	}
	return fmt.Sprintf("usual %s, %s", page.Number(float64(r.Usual), 2), page.Count(len(r.Tests), "test"))
}

func direction(r *Leak) string {
	switch {
	case r.Rising:
		return "rising"
	case r.Falling:
		return "falling"
	}
	return "may be chance"
}

// judgements are the figures that something is recommended for.
func (f *Figures) judgements(p *page.Page) {
	if len(f.Findings) == 0 {
		return
	}
	rows := [][]string{{"verdict", page.Right("found"), "figure", "recommended"}}
	for _, d := range f.Findings {
		rows = append(rows, []string{d.Verdict.String(), page.Right(page.Percent(d.Value, 1)), d.Figure, d.Recommended})
	}
	p.Rows(rows)
	said := map[string]bool{}
	for _, d := range f.Findings {
		if !said[d.Source] {
			p.Line("%s: %s", d.Figure, d.Source)
		}
		said[d.Source] = true
	}
}

func (f *Figures) nights(p *page.Page) {
	list := f.Leak.Nights
	if len(list) == 0 {
		return
	}
	rows := [][]string{{"night of", page.Right("leak L/s"), page.Right("tests")}}
	for _, n := range list[max(0, len(list)-shown):] {
		rows = append(rows, []string{n.Day, page.Right(page.Number(n.Rate, 2)), page.Right(fmt.Sprint(n.Tests))})
	}
	p.Rows(rows)
	if n := len(list) - shown; n > 0 {
		p.Line("and %d nights before", n)
	}
	if f.Leak.NotSettled > 0 {
		p.Line("%s not settled, left out", page.Count(f.Leak.NotSettled, "test"))
	}
}

func signed(k minutes.Known) string {
	s := page.Number(float64(k), 2)
	if k > 0 {
		s = "+" + s
	}
	return s
}

func length(k minutes.Known) string {
	if !k.Is() {
		return "-"
	}
	return page.Length(seconds(k))
}

func stamp(t time.Time, zone *time.Location) string { return t.In(zone).Format("2006-01-02 15:04") }
