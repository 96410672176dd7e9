package panel

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/sorting"
	"roundsman/exporter"
	"roundsman/exporter/panel/draw"
	"roundsman/exporter/review/duty"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/page"
)

// pumps is the page of what pumps and compressors did.
type pumps struct {
	reviewHead
	Decide   []decision
	Machines []pump
	Pairs    []pairRow
	Services []serviceRow
	Vehicles string
	Closed   bool // opening hours are known
	PerCar   bool // vehicles are counted
	Visitor  visitor
	Asked    []question // about meters that jumped
}

const pumpsPath = "/pumps"

// decision is what there is to decide about a machine.
type decision struct{ ID, Machine, Says, Decide string }

// pump is one machine.
type pump struct {
	ID, Name                  string
	Run, Duty, Starts         string
	Worst, Allowed            string // starts in 1 h
	Over                      bool   // more than allowed
	Short, Share, Closed, Car string
	Mean, Shortest, Longest   string
	Unseen, Energy            string
	Figures                   figures
	Findings                  []string
	Decide                    string
	Strip, Hours              template.HTML
	Merged                    string // shorter gaps are not drawn
	Days                      int    // of the strip
}

// pairRow is how two machines share their work.
type pairRow struct {
	One, Two, OneShare, TwoShare string
	Left                         int // share of the first, percent
	Even                         string
}

// serviceRow is work due by run time.
type serviceRow struct {
	Service, Machine, Due, Expected, Last string
	Overdue                               bool
	left                                  float64 // hours
}

// longestStrip is the longest span that is drawn day by day; a longer one is told by hours a day.
const longestStrip = 15 * 24 * time.Hour

func (p *Panel) pumpsPage(w http.ResponseWriter, r *http.Request) error {
	v, _ := p.now()
	l := pumps{reviewHead: p.reviewHead(r, v, "pumps", "Pumps", "7-days")}
	l.Visitor = p.visitor(r)
	l.Asked = p.questions(v, l.Visitor)
	if p.opts.Duties == nil {
		l.Told = nothingRecorded
		return l.show(w, "pumps.html", &l)
	}
	var f duty.Figures
	if err := l.figures(r.Context(), p.opts.Duties.All, &f); err != nil {
		return err
	}
	if l.Told == "" {
		if err := l.fill(r.Context(), p.opts.Duties, &f); err != nil {
			return err
		}
	}
	return l.show(w, "pumps.html", &l)
}

func (l *pumps) fill(ctx context.Context, d exporter.Duties, f *duty.Figures) error {
	l.spanned(f.From, f.To)
	if f.Vehicles.Is() {
		l.Vehicles, l.PerCar = amount(f.Vehicles, 0, ""), true
	}
	closed := d.Closed(f.From, f.To)
	seen := map[string]bool{}
	for i := range f.Machines {
		m := &f.Machines[i]
		row := newPump(m, l.zone)
		l.Closed = l.Closed || m.Closed != nil
		if err := l.draw(ctx, d, m, closed, &row); err != nil {
			return err
		}
		l.Machines = append(l.Machines, row)
		if len(m.Findings) > 0 {
			l.Decide = append(l.Decide, decision{row.ID, row.Name, m.Findings[0], m.Decide})
		}
		if p := m.Pair; p != nil && p.Share.Is() && !seen[m.Equipment] {
			seen[p.With] = true
			l.Pairs = append(l.Pairs, newPair(m.Equipment, p))
		}
		for _, s := range m.Services {
			l.Services = append(l.Services, newService(row.Name, s, l.zone))
		}
	}
	sorting.StableFunc(l.Services, func(a, b serviceRow) int { return cmp.Compare(a.left, b.left) })
	return nil
}

func newPump(m *duty.MachineFigures, zone *time.Location) pump {
	r := pump{ID: "m-" + strings.ReplaceAll(m.Equipment, ".", "-"), Name: inWords(m.Equipment), Decide: m.Decide, Findings: m.Findings,
		Run: amount(minutes.Known(m.RunSeconds/3600), 1, ""), Duty: percent(m.Duty, 0), Starts: "–", Worst: "–", Short: "–", Allowed: "–",
		Mean: someTime(m.MeanRunSeconds), Shortest: someTime(m.ShortestSeconds), Longest: someTime(minutes.Known(m.LongestSeconds)),
		Unseen: someTime(minutes.Known(m.UnseenSeconds)), Energy: amount(m.EnergyKWh, 0, "")}
	if m.StartsSeen {
		r.Starts, r.Worst, r.Short = fmt.Sprint(m.Starts), fmt.Sprint(m.WorstHour), fmt.Sprint(m.ShortRuns)
	}
	if m.Limit.Is() {
		r.Allowed = plainly(shortly(float64(m.Limit)))
		r.Over = m.StartsSeen && float64(m.WorstHour) > float64(m.Limit)
	}
	if m.Pair != nil {
		r.Share = percent(m.Pair.Share, 0)
	}
	if m.Closed != nil {
		r.Closed = amount(minutes.Known(m.Closed.RunSeconds/3600), 1, "")
	}
	if m.PerVehicle != nil {
		r.Car = amount(m.PerVehicle.Seconds, 0, "")
	}
	r.Figures = machineLines(m, &r, zone)
	return r
}

// someTime is a length, a dash for none: a machine that did not run has no longest run.
func someTime(k minutes.Known) string {
	if k == 0 {
		return "–"
	}
	return lasting(k)
}

// shortly writes a limit with a decimal where it has one.
func shortly(v float64) string {
	if v == math.Trunc(v) {
		return page.Number(v, 0)
	}
	return page.Number(v, 1)
}

// machineLines are the figures of one machine in full.
func machineLines(m *duty.MachineFigures, r *pump, zone *time.Location) (l figures) {
	l.add("Run time", amount(minutes.Known(m.RunSeconds/3600), 1, "h"), "%s of the time seen", r.Duty)
	if m.UnseenSeconds >= 1 {
		l.add("Not seen", r.Unseen, "in no other figure")
	}
	if m.StartsSeen {
		l.add("Starts", r.Starts, "%s", worstHour(m, zone))
		l.add("Allowed in 1 h", r.Allowed, "%s", limitFrom(m))
	}
	l.add("Mean run", r.Mean, "shortest %s, longest %s", r.Shortest, r.Longest)
	if m.WholeRuns > 0 {
		l.add("Short runs", r.Short, "of %d, shorter than %s", m.WholeRuns, lasting(minutes.Known(m.LeastRunSeconds)))
	}
	if c := m.Load; c != nil {
		l.add("Loaded", amount(minutes.Known(c.LoadedSeconds/3600), 1, "h"), "%s of its running time", percent(c.Factor, 0))
		allowed := ""
		if c.Limit.Is() {
			allowed = ", allowed " + amount(c.Limit, 0, "")
		}
		l.add("Load cycles", fmt.Sprint(c.Cycles), "most in 1 h: %d%s", c.WorstHour, allowed)
	}
	if m.Closed != nil {
		l.add("Outside opening hours", amount(minutes.Known(m.Closed.RunSeconds/3600), 1, "h"), "%s", page.Count(m.Closed.Starts, "start"))
	}
	if p := m.PerVehicle; p != nil {
		l.add("For each vehicle", amount(p.Seconds, 0, "s"), "%s", carTrend(p))
	}
	if m.EnergyKWh.Is() {
		l.add("Energy", amount(m.EnergyKWh, 0, "kWh"), "by its %s", m.EnergyFrom)
	}
	return l
}

func worstHour(m *duty.MachineFigures, zone *time.Location) string {
	s := fmt.Sprintf("most in any 60 min: %d", m.WorstHour)
	if m.WorstHourEnds != nil {
		s += ", to " + stamp(*m.WorstHourEnds, zone)
	}
	return s
}

func limitFrom(m *duty.MachineFigures) string {
	switch {
	case !m.Limit.Is():
		return "not given, and no rated power to look it up by"
	case m.LeastRest.Is():
		return fmt.Sprintf("by the %s; the least rest between starts is %s", m.LimitFrom, lasting(m.LeastRest))
	}
	return "by the " + m.LimitFrom
}

func carTrend(p *duty.PerVehicle) string {
	if p.Trend == nil {
		return ""
	}
	t := p.Trend
	return fmt.Sprintf("%s a day over %d days (95 %%: %s to %s)", signedWords(minutes.Known(t.Slope), 2, "s"), p.Days,
		signedWords(minutes.Known(t.SlopeLow), 2, ""), signedWords(minutes.Known(t.SlopeHigh), 2, ""))
}

func newPair(name string, p *duty.PairFigures) pairRow {
	r := pairRow{One: inWords(name), Two: inWords(p.With), OneShare: percent(p.Share, 0), TwoShare: percent(1-p.Share, 0),
		Left: int(math.Round(100 * float64(p.Share))), Even: "even"}
	if !p.Even {
		r.Even = "uneven: " + r.One + " leads too much"
		if p.Share < 0.5 {
			r.Even = "uneven: " + r.Two + " leads too much"
		}
	}
	return r
}

func newService(machine string, s duty.ServiceDue, zone *time.Location) serviceRow {
	r := serviceRow{Service: s.Service, Machine: machine, Due: amount(minutes.Known(s.Hours), 0, "h"), Expected: "–", Last: "never noted", left: s.Hours}
	switch {
	case s.Hours < 0:
		r.Expected, r.Overdue = "overdue", true
	case s.Expected != nil:
		r.Expected = s.Expected.In(zone).Format("2 Jan 2006")
	}
	if s.Last != nil {
		r.Last = s.Last.In(zone).Format("2 Jan 2006")
	}
	return r
}

// draw adds the strip of a machine's runs, or the hours of each day when the span is long, and the starts against the limit.
func (l *pumps) draw(ctx context.Context, d exporter.Duties, m *duty.MachineFigures, closed []exporter.Period, row *pump) error {
	days := newDays(m.From, m.To, l.zone)
	var ran, unseen []draw.Span
	for run, err := range d.Runs(ctx, m.Equipment, m.From, m.To) {
		if errors.Is(err, exporter.ErrReviewing) || errors.Is(err, context.DeadlineExceeded) {
			return nil // the figures stand without it
		}
		if err != nil {
			return err
		}
		days.add(&run)
		if span := (draw.Span{From: run.From, To: run.To}); run.Ran {
			ran = append(ran, span)
		} else {
			unseen = append(unseen, span)
		}
	}
	if m.Until.Before(m.To) && !m.Until.IsZero() { // beyond what is on the record
		unseen = append(unseen, draw.Span{From: collector.Later(m.Until, m.From), To: m.To})
	}
	if m.RunSeconds+m.StillSeconds == 0 {
		return nil // nothing is known of it
	}
	if m.To.Sub(m.From) <= longestStrip {
		s := draw.Strip{ID: row.ID + "-strip", Title: "When " + row.Name + " ran", From: m.From, To: m.To, Zone: l.zone, Unseen: unseen}
		for _, c := range closed {
			s.Closed = append(s.Closed, draw.Span(c))
		}
		var gap time.Duration
		s.Runs, gap = joined(ran)
		if gap > 0 {
			row.Merged = plainly(page.Length(gap))
		}
		s.Desc = fmt.Sprintf("Ran for %s h, %s of the time seen.", row.Run, row.Duty)
		row.Strip = s.SVG()
	} else {
		row.Strip = days.hours(row)
	}
	if m.StartsSeen && m.Starts > 0 && len(days.list) > 1 {
		row.Hours = days.starts(row, m)
	}
	return nil
}

// mostDrawn is how many runs of a machine are drawn one by one: more would weigh a page down.
const mostDrawn = 1200

// joined joins runs whose gaps are too short to be drawn, and tells up to what length; 0: all are drawn.
func joined(runs []draw.Span) ([]draw.Span, time.Duration) {
	if len(runs) <= mostDrawn {
		return runs, 0
	}
	for gap := time.Minute; ; gap *= 2 {
		var out []draw.Span
		for _, r := range runs {
			if n := len(out); n > 0 && r.From.Sub(out[n-1].To) < gap {
				out[n-1].To = r.To
			} else {
				out = append(out, r)
			}
		}
		if len(out) <= mostDrawn {
			return out, gap
		}
	}
}
