package panel

import (
	"html/template"
	"math"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/panel/draw"
	"roundsman/exporter/review/duty"
)

// days sorts what a machine did into the days of the site, into weeks of a longer span.
type days struct {
	from, to time.Time
	list     []dayBar
	weeks    bool
}

// dayBar is one of them.
type dayBar struct {
	from, to    time.Time
	ran, unseen time.Duration
	hour        int // most starts in an hour that ended in it
}

// mostDays is how many days stand side by side.
const mostDays = 62

func newDays(from, to time.Time, zone *time.Location) *days {
	d := &days{from: from, to: to, weeks: to.Sub(from) > mostDays*24*time.Hour}
	y, m, day := from.In(zone).Date()
	step := 1
	if d.weeks {
		step = 7
		y, m, day = monday(time.Date(y, m, day, 0, 0, 0, 0, zone), 0).Date()
	}
	for begin := time.Date(y, m, day, 0, 0, 0, 0, zone); begin.Before(to); {
		day += step
		end := time.Date(y, m, day, 0, 0, 0, 0, zone)
		d.list = append(d.list, dayBar{from: begin, to: end})
		begin = end
	}
	return d
}

func (d *days) add(r *exporter.MachineRun) {
	for i := d.find(r.From); i < len(d.list) && (d.list[i].from.Before(r.To) || i == d.find(r.From)); i++ {
		b := &d.list[i]
		piece := max(0, collector.Earlier(collector.Earlier(r.To, b.to), d.to).Sub(collector.Later(collector.Later(r.From, b.from), d.from)))
		if r.Ran {
			b.ran += piece
		} else {
			b.unseen += piece
		}
		if r.Starts > 0 && !r.From.Before(collector.Later(b.from, d.from)) && r.From.Before(b.to) {
			b.hour = max(b.hour, r.Hour)
		}
	}
}

// find returns the day that a time is in, the first for an earlier one.
func (d *days) find(t time.Time) int {
	lo, hi := 0, len(d.list)
	for lo < hi {
		if mid := (lo + hi) / 2; d.list[mid].to.After(t) {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

func (d *days) label(b *dayBar) string {
	if d.weeks {
		return b.from.Format("2 Jan")
	}
	return b.from.Format("Mon 2")
}

// lost reports whether a day was not seen at all, or nearly so.
func (d *days) lost(b *dayBar) bool {
	return b.unseen >= collector.Earlier(b.to, d.to).Sub(collector.Later(b.from, d.from))-time.Minute
}

// hours draws the hours of each day, or of each week.
func (d *days) hours(row *pump) template.HTML {
	b := draw.Bars{ID: row.ID + "-hours", Title: "Hours that " + row.Name + " ran, by day", Unit: "h", Digits: 1, Height: 120}
	if d.weeks {
		b.Title = "Hours that " + row.Name + " ran, by week"
	}
	for i := range d.list {
		v := d.list[i].ran.Hours()
		if d.lost(&d.list[i]) {
			v = math.NaN()
		}
		b.Bars = append(b.Bars, draw.Bar{Label: d.label(&d.list[i]), Value: v})
	}
	return b.SVG()
}

// starts draws the most starts in any hour of each day against what the motor may.
func (d *days) starts(row *pump, m *duty.MachineFigures) template.HTML {
	b := draw.Bars{ID: row.ID + "-starts", Title: "Most starts of " + row.Name + " in any 60 minutes, by day", Height: 110}
	if d.weeks {
		b.Title = "Most starts of " + row.Name + " in any 60 minutes, by week"
	}
	if m.Limit.Is() {
		b.Limits = []draw.Limit{{Value: float64(m.Limit), Words: "allowed " + row.Allowed}}
	}
	for i := range d.list {
		v := float64(d.list[i].hour)
		if d.lost(&d.list[i]) {
			v = math.NaN()
		}
		b.Bars = append(b.Bars, draw.Bar{Label: d.label(&d.list[i]), Value: v})
	}
	return b.SVG()
}
