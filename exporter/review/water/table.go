package water

import (
	"fmt"
	"io"
	"time"

	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/page"
)

// shown is how many days Table lists.
const shown = 14

// Table writes the figures for a terminal of 80 columns. Times are in the zone.
func (f *Figures) Table(w io.Writer, zone *time.Location) error {
	p := page.To(w)
	p.Line("water, %s to %s", stamp(f.From, zone), stamp(f.To, zone))
	f.uses(p, zone)
	f.judgements(p)
	f.balances(p)
	for i := range f.Filters {
		f.Filters[i].rows(p)
	}
	f.days(p)
	p.Line("")
	for _, a := range f.Advice {
		p.Line("- %s", a)
	}
	return p.Err()
}

func (f *Figures) uses(p *page.Page, zone *time.Location) {
	u, n := &f.Use, &f.Night
	rows := [][]string{{"figure", page.Right("found"), "and"}}
	row := func(figure, found, and string) { rows = append(rows, []string{figure, page.Right(found), and}) }
	if f.SeenSeconds.Is() {
		row("time seen", page.Length(time.Duration(float64(f.SeenSeconds)*float64(time.Second))), "of "+page.Length(f.To.Sub(f.From)))
	}
	row("vehicles", number(u.Vehicles, 0), "")
	row("fresh water a vehicle", with(u.FreshPerVehicle, 1, "L"), "in all "+with(u.Fresh, 0, "L"))
	row("all water a vehicle", with(u.TotalPerVehicle, 1, "L"), "reclaimed "+with(u.Reclaim, 0, "L"))
	row("reused", page.Percent(float64(u.Reuse), 0), "")
	if u.GonePerVehicle.Is() {
		row("gone a vehicle", with(u.GonePerVehicle, 1, "L"), "carried out, evaporated, to the sewer")
	}
	if u.Trend.Is() {
		row("fresh a vehicle, in 30 days", signed(u.Trend, 1)+" L", "95 %: "+signed(u.TrendLow, 1)+" to "+signed(u.TrendHigh, 1))
	}
	if n.FreshPerHour.Is() {
		row("fresh water at night", with(n.FreshPerHour, 1, "L/h"), worst(n, zone))
	}
	p.Rows(rows)
}

func worst(n *Night, zone *time.Location) string {
	if n.WorstNight == nil {
		return ""
	}
	return fmt.Sprintf("%s, worst %s from %s", page.Count(n.Nights, "night"), number(n.WorstPerHour, 1), stamp(*n.WorstNight, zone))
}

// judgements are the figures that something is known of elsewhere.
func (f *Figures) judgements(p *page.Page) {
	if len(f.Findings) == 0 {
		return
	}
	rows := [][]string{{"verdict", page.Right("found"), "figure", "beside"}}
	for _, d := range f.Findings {
		rows = append(rows, []string{d.Verdict.String(), page.Right(amount(d)), d.Figure, d.Recommended})
	}
	p.Rows(rows)
	said := map[string]bool{}
	for _, d := range f.Findings {
		if !said[d.Source] {
			p.Line("%s: %s", d.Figure, d.Source)
		}
		said[d.Source] = true
		if d.Remark != "" {
			p.Line("%s: %s", d.Figure, d.Remark)
		}
	}
}

func amount(d review.Finding) string {
	if d.Unit == "ratio" {
		return page.Percent(d.Value, 1)
	}
	return page.With(d.Value, 1, d.Unit)
}

func (f *Figures) balances(p *page.Page) {
	if len(f.Tanks) == 0 {
		return
	}
	rows := [][]string{{"tank, L", page.Right("in"), page.Right("out"), page.Right("change"), page.Right("missing"), page.Right("night L/h"), page.Right("lasts")}}
	for _, t := range f.Tanks {
		missing := number(t.Missing, 0)
		if t.Error.Is() {
			missing += " (" + page.Percent(float64(t.Error), 1) + ")"
		}
		in, out := number(t.In, 0), number(t.Out, 0)
		switch {
		case !t.Unmetered.Is():
		case t.In.Is():
			out = "~" + number(t.Unmetered, 0)
		default:
			in = "~" + number(t.Unmetered, 0)
		}
		rows = append(rows, []string{t.Name, page.Right(in), page.Right(out), page.Right(signed(t.Change, 0)), page.Right(missing),
			page.Right(number(t.NightLossPerHour, 1)), page.Right(lasts(t.HoursToEmpty))})
	}
	p.Rows(rows)
	p.Line("~ not metered, told by the balance; lasts: at the use of the last hour open")
}

func lasts(hours minutes.Known) string {
	if !hours.Is() {
		return "-"
	}
	return page.Length(time.Duration(float64(hours) * float64(time.Hour)))
}

func (r *FilterFigures) rows(p *page.Page) {
	rows := [][]string{{r.Name, page.Right("found"), "and"}}
	row := func(figure, found, and string) { rows = append(rows, []string{figure, page.Right(found), and}) }
	row("difference while water flows", with(r.Difference, 2, "bar"), "most "+with(r.Most, 2, "bar"))
	row("after, before a backwash", number(r.Clean, 2)+", "+with(r.Dirty, 2, "bar"), "")
	and := "last " + lasts(r.SinceBackwash) + " ago"
	if r.OpenHours.Is() {
		and = "of it open " + lasts(r.OpenHours) + ", " + with(r.BackwashLitres/1000, 1, "m3")
	}
	row("from backwash to backwash", lasts(r.BackwashHours), and)
	row("backwashes", fmt.Sprint(r.Backwashes), "")
	if r.TurbidityAfter.Is() {
		row("turbidity before, after", number(r.TurbidityBefore, 0)+", "+number(r.TurbidityAfter, 0), passed(r.Passed))
	}
	if r.DirtyTurbidity.Is() {
		row("before, after a backwash", number(r.DirtyTurbidity, 0)+", "+number(r.CleanTurbidity, 0), "behind the filter")
	}
	p.Rows(rows)
}

func passed(share minutes.Known) string {
	if !share.Is() {
		return ""
	}
	return page.Percent(float64(share), 0) + " passes"
}

func (f *Figures) days(p *page.Page) {
	if len(f.Days) == 0 {
		return
	}
	rows := [][]string{{"day", page.Right("vehicles"), page.Right("fresh L"), page.Right("reclaimed L"), page.Right("fresh a vehicle")}}
	for _, d := range f.Days[max(0, len(f.Days)-shown):] {
		each := over(minutes.Known(d.Fresh), minutes.Known(d.Vehicles))
		rows = append(rows, []string{d.Day, page.Right(page.Number(d.Vehicles, 0)), page.Right(page.Number(d.Fresh, 0)),
			page.Right(page.Number(d.Reclaim, 0)), page.Right(number(each, 1))})
	}
	p.Rows(rows)
	if n := len(f.Days) - shown; n > 0 {
		p.Line("and %d days before", n)
	}
}

func number(k minutes.Known, decimals int) string { return page.Number(float64(k), decimals) }

func with(k minutes.Known, decimals int, unit string) string {
	return page.With(float64(k), decimals, unit)
}

func signed(k minutes.Known, decimals int) string {
	if k > 0 {
		return "+" + number(k, decimals)
	}
	return number(k, decimals)
}

func stamp(t time.Time, zone *time.Location) string { return t.In(zone).Format("2006-01-02 15:04") }
