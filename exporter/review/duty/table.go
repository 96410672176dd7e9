package duty

import (
	"fmt"
	"io"
	"time"

	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/page"
)

// Table writes the review for a terminal of 80 columns: one line a machine, its services, and what to decide. Times are in
// the zone.
func (f *Figures) Table(w io.Writer, zone *time.Location) error {
	p := page.To(w)
	p.Line("duty, %s to %s", stamp(f.From, zone), stamp(f.To, zone))
	f.times(p)
	f.starts(p)
	f.services(p, zone)
	p.Line("")
	for i := range f.Machines {
		m := &f.Machines[i]
		if len(m.Findings) == 0 {
			continue
		}
		p.Line("%s", m.Equipment)
		for _, s := range m.Findings {
			p.Line("  - %s", s)
		}
		p.Line("  decide: %s", m.Decide)
	}
	f.quiet(p)
	p.Line("in 1 h: most starts in any 60 minutes; allowed: of the motor, by the site file, else by NEMA MG 10; short: shorter than its least run; closed: outside opening hours")
	return p.Err()
}

// quiet names the machines about which there is nothing to decide.
func (f *Figures) quiet(p *page.Page) {
	names := ""
	for i := range f.Machines {
		if len(f.Machines[i].Findings) == 0 {
			names += ", " + f.Machines[i].Equipment
		}
	}
	if names != "" {
		p.Line("nothing to decide: %s", names[2:])
	}
}

// times is the table of run time.
func (f *Figures) times(p *page.Page) {
	rows := [][]string{{"equipment", page.Right("run h"), page.Right("duty"), page.Right("mean run"), page.Right("shortest"), page.Right("longest"), page.Right("unseen"), page.Right("kWh")}}
	for i := range f.Machines {
		m := &f.Machines[i]
		rows = append(rows, []string{m.Equipment, page.Right(page.Number(m.RunSeconds/3600, 1)), page.Right(page.Percent(float64(m.Duty), 0)), page.Right(length(m.MeanRunSeconds)),
			page.Right(length(m.ShortestSeconds)), page.Right(length(minutes.Known(m.LongestSeconds))), page.Right(length(minutes.Known(m.UnseenSeconds))), page.Right(page.Number(float64(m.EnergyKWh), 0))})
		if l := m.Load; l != nil {
			rows = append(rows, []string{"  loaded", page.Right(page.Number(l.LoadedSeconds/3600, 1)), page.Right(page.Percent(float64(l.Factor), 0))})
		}
	}
	p.Rows(rows)
}

// starts is the table of starts, sharing, and what ran for each vehicle.
func (f *Figures) starts(p *page.Page) {
	rows := [][]string{{"equipment", page.Right("starts"), page.Right("in 1 h"), page.Right("allowed"), page.Right("short"), page.Right("of pair"), page.Right("closed h"), page.Right("s a car")}}
	for i := range f.Machines {
		m := &f.Machines[i]
		starts, worst, few := "-", "-", "-"
		if m.StartsSeen {
			starts, worst, few = fmt.Sprint(m.Starts), fmt.Sprint(m.WorstHour), fmt.Sprint(m.ShortRuns)
		}
		pair, closed, each := "", "", ""
		if m.Pair != nil {
			pair = page.Percent(float64(m.Pair.Share), 0)
		}
		if m.Closed != nil {
			closed = page.Number(m.Closed.RunSeconds/3600, 1)
		}
		if m.PerVehicle != nil {
			each = page.Number(float64(m.PerVehicle.Seconds), 0)
		}
		rows = append(rows, []string{m.Equipment, page.Right(starts), page.Right(worst), page.Right(short(float64(m.Limit))), page.Right(few), page.Right(pair), page.Right(closed), page.Right(each)})
		if l := m.Load; l != nil {
			rows = append(rows, []string{"  load cycles", page.Right(fmt.Sprint(l.Cycles)), page.Right(fmt.Sprint(l.WorstHour)), page.Right(page.Number(float64(l.Limit), 0))})
		}
	}
	p.Rows(rows)
}

// short writes a limit with a decimal where it has one.
func short(v float64) string {
	if v == float64(int(v)) {
		return page.Number(v, 0)
	}
	return page.Number(v, 1)
}

func length(s minutes.Known) string {
	if !s.Is() || s == 0 {
		return "-"
	}
	return page.Length(seconds(float64(s)))
}

// services lists what is due, the soonest of each machine.
func (f *Figures) services(p *page.Page, zone *time.Location) {
	rows := [][]string{{"service", "of", page.Right("due in h"), "expected"}}
	for i := range f.Machines {
		for _, s := range f.Machines[i].Services {
			expected := "-"
			switch {
			case s.Hours < 0:
				expected = "overdue"
			case s.Expected != nil:
				expected = s.Expected.In(zone).Format(time.DateOnly)
			}
			rows = append(rows, []string{s.Service, f.Machines[i].Equipment, page.Right(page.Number(s.Hours, 0)), expected})
		}
	}
	if len(rows) > 1 {
		p.Rows(rows)
	}
}

func stamp(t time.Time, zone *time.Location) string {
	return t.In(zone).Format("Mon 2006-01-02 15:04 MST")
}
