package review

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"roundsman/collector/sorting"
	paper "roundsman/exporter/review/page"
)

// longest is how many lines each list of alarms has in Table; the rest is counted.
const longest = 10

// Table writes the figures for a terminal: each beside what is recommended, worst first, then the alarms to look at,
// with the sources below. Times are in the zone.
func (f *Figures) Table(w io.Writer, zone *time.Location) error {
	p := page{w: w, zone: zone}
	p.line("%s to %s, %s; for one operating position", zoned(f.From, zone), zoned(f.To, zone), length(f.length().Seconds()))
	if unseen := f.Unseen(); unseen != "" {
		p.line("%s", unseen)
	}
	if f.SeenSeconds == 0 && f.Alarms == 0 {
		return p.err
	}
	p.line("%s; %s kept apart: a note rings nobody", count(f.Alarms, "alarm"), count(f.Notes, "note"))
	if f.seen() < 30*24*time.Hour {
		p.line("the recommendations are meant for at least 30 days (ISA-18.2, from memory)")
	}
	if f.Repaired > 0 {
		p.line("%s before they started, the clock was set back: counted as at once", count(f.Repaired, "alarm")+" ended or acknowledged")
	}
	sources := p.findings(f.Findings)
	p.floods(f)
	p.frequent(f)
	p.repeating(f)
	p.stale(f)
	p.line("")
	for i, s := range sources {
		p.line("[%d] %s", i+1, s)
	}
	p.line("a flood begins at %d or more alarms in ten minutes and ends below %d; sources differ between 10 or more and more than 10",
		f.FloodBegins, f.FloodEnds)
	return p.err
}

// page writes lines until one cannot be written.
type page struct {
	w    io.Writer
	zone *time.Location
	err  error
}

func (p *page) line(format string, values ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format+"\n", values...)
	}
}

// rows writes a head and rows in columns.
func (p *page) rows(rows [][]string) {
	p.line("")
	for _, line := range paper.Columns(rows) {
		p.line("%s", line)
	}
}

// findings returns the sources that the rows point to.
func (p *page) findings(list []Finding) []string {
	var sources []string
	rows := [][]string{{"verdict", "\tfound", "figure", "recommended"}}
	for i := range list {
		d := &list[i]
		recommended := d.Recommended
		if d.Source != "" {
			n := slices.Index(sources, d.Source)
			if n < 0 {
				n = len(sources)
				sources = append(sources, d.Source)
			}
			recommended = fmt.Sprintf("%s [%d]", recommended, n+1)
		}
		if d.Remark != "" {
			recommended += "; " + d.Remark
		}
		rows = append(rows, []string{d.Verdict.String(), "\t" + d.amount(), d.Figure, recommended})
	}
	p.rows(rows)
	return sources
}

// amount returns the value as people write it.
func (d *Finding) amount() string {
	switch {
	case d.Unit == "ratio":
		return percent(d.Value)
	case d.Unit == "seconds":
		return length(d.Value)
	case d.Value == float64(int(d.Value)):
		return strconv.Itoa(int(d.Value))
	}
	return strconv.FormatFloat(d.Value, 'f', 2, 64)
}

func (p *page) floods(f *Figures) {
	p.line("")
	p.line("floods: %d, sliding, %s of the time; %d by fixed periods, %s", len(f.Sliding.Episodes), percent(f.Sliding.Share),
		len(f.Fixed.Episodes), percent(f.Fixed.Share))
	if len(f.Sliding.Episodes) == 0 {
		return
	}
	list := slices.Clone(f.Sliding.Episodes)
	sorting.StableFunc(list, func(a, b Flood) int { return b.Alarms - a.Alarms })
	rows := [][]string{{"flood from", "to", "\talarms", "\tmost in ten minutes"}}
	for _, e := range list[:min(longest, len(list))] {
		to := "not over"
		if !e.End.IsZero() {
			to = p.stamp(e.End)
		}
		rows = append(rows, []string{p.stamp(e.Begin), to, whole(e.Alarms), whole(e.Peak)})
	}
	p.rows(rows)
	p.more(len(list))
}

func (p *page) frequent(f *Figures) {
	if len(f.Frequent) == 0 {
		return
	}
	rows := [][]string{{"most frequent", "point", "\talarms", "\tshare"}}
	for _, a := range f.Frequent {
		rows = append(rows, []string{a.Alarm, a.Point, whole(a.Alarms), "\t" + percent(a.Share)})
	}
	p.rows(append(rows, []string{fmt.Sprintf("together, of %d different", f.Different), "", "", "\t" + percent(f.FrequentAll)}))
}

func (p *page) repeating(f *Figures) {
	if len(f.Chattering) > 0 {
		rows := [][]string{{"chattering (3 starts in a minute)", "\tminutes", "\tstarts in them", "first"}}
		for _, a := range f.Chattering[:min(longest, len(f.Chattering))] {
			rows = append(rows, []string{a.Alarm, whole(a.Windows), whole(a.Starts), p.stamp(a.First)})
		}
		p.rows(rows)
		p.more(len(f.Chattering))
	}
	if len(f.Fleeting) > 0 {
		rows := [][]string{{"fleeting (over within " + length(f.FleetingSeconds) + ", by itself)", "\ttimes"}}
		for _, a := range f.Fleeting[:min(longest, len(f.Fleeting))] {
			rows = append(rows, []string{a.Alarm, whole(a.Alarms)})
		}
		p.rows(rows)
		p.more(len(f.Fleeting))
	}
}

func (p *page) stale(f *Figures) {
	if len(f.Stale.Alarms) == 0 {
		return
	}
	rows := [][]string{{"stale (active over 24 h)", "since", "\tactive", ""}}
	for _, a := range f.Stale.Alarms[:min(longest, len(f.Stale.Alarms))] {
		still := "still active"
		if !a.End.IsZero() {
			still = "until " + p.stamp(a.End)
		}
		rows = append(rows, []string{a.Alarm, p.stamp(a.Start), "\t" + length(a.Seconds), still})
	}
	p.rows(rows)
	p.more(len(f.Stale.Alarms))
}

// more says how many lines a list would have beyond the longest.
func (p *page) more(n int) {
	if n > longest {
		p.line("and %d more", n-longest)
	}
}

func (p *page) stamp(t time.Time) string { return t.In(p.zone).Format("2006-01-02 15:04:05") }

// zoned tells the zone too: its clocks may change within a span.
func zoned(t time.Time, zone *time.Location) string {
	return t.In(zone).Format("2006-01-02 15:04:05 MST")
}

func whole(n int) string { return "\t" + strconv.Itoa(n) }

func percent(share float64) string { return strconv.FormatFloat(100*share, 'f', 2, 64) + " %" }

func count(n int, what string) string {
	if n != 1 {
		what += "s"
	}
	return fmt.Sprintf("%d %s", n, what)
}

// length returns seconds in the largest unit that leaves a number people can read.
func length(seconds float64) string {
	switch {
	case seconds >= 48*3600:
		return strconv.FormatFloat(seconds/86400, 'f', 1, 64) + " d"
	case seconds >= 2*3600:
		return strconv.FormatFloat(seconds/3600, 'f', 1, 64) + " h"
	case seconds >= 120:
		return strconv.FormatFloat(seconds/60, 'f', 1, 64) + " min"
	}
	return strconv.FormatFloat(seconds, 'f', -1, 64) + " s"
}
