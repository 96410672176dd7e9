package report

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"roundsman/collector/sorting"
	"roundsman/exporter/panel/draw"
	"roundsman/exporter/review/duty"
	"roundsman/exporter/review/minutes"
)

// machine is one machine as the page shows it. Numbers are written out.
type machine struct {
	*duty.MachineFigures
	Run, Percent, StartsText, Worst, Allowed, Mean, Longest, Shortest, Short, Pair, Outside, Each, Energy, Blind string
	Load                                                                                                         string
	Hours, Bars                                                                                                  template.HTML
	LimitWords                                                                                                   string
}

func (r *Report) machines() (list []machine) {
	if r.Duty == nil {
		return nil
	}
	for i := range r.Duty.Machines {
		f := &r.Duty.Machines[i]
		m := machine{
			MachineFigures: f, Run: number(f.RunSeconds/3600, 1), Percent: percent(f.Duty, 0), StartsText: "–", Worst: "–", Short: "–",
			Mean: length(f.MeanRunSeconds), Longest: length(minutes.Known(f.LongestSeconds)), Shortest: length(f.ShortestSeconds), Allowed: limit(f.Limit),
			Energy: number(float64(f.EnergyKWh), 0), Blind: length(minutes.Known(f.UnseenSeconds)), Pair: "", Outside: "", Each: "",
		}
		if f.StartsSeen {
			m.StartsText, m.Worst, m.Short = number(float64(f.Starts), 0), number(float64(f.WorstHour), 0), number(float64(f.ShortRuns), 0)
			m.Bars = r.bars(i, f)
		}
		if f.Pair != nil {
			m.Pair = percent(f.Pair.Share, 0)
		}
		if f.Closed != nil {
			m.Outside = number(f.Closed.RunSeconds/3600, 1)
		}
		if f.PerVehicle != nil {
			m.Each = number(float64(f.PerVehicle.Seconds), 1)
		}
		if f.Limit.Is() {
			m.LimitWords = fmt.Sprintf("allowed %s (%s)", limit(f.Limit), f.LimitFrom)
		}
		if l := f.Load; l != nil {
			m.Load = fmt.Sprintf("loaded %s h (%s of running), %s, %d in the worst hour", number(l.LoadedSeconds/3600, 1), percent(l.Factor, 0), plural(l.Cycles, "load cycle"), l.WorstHour)
		}
		m.Hours = r.hours(i, f)
		list = append(list, m)
	}
	return list
}

// limit writes a limit with a decimal where it has one.
func limit(v minutes.Known) string {
	if v == minutes.Known(math.Trunc(float64(v))) {
		return number(float64(v), 0)
	}
	return number(float64(v), 1)
}

// hours draws when a machine ran. What is not on the record, before the box watched it or since it is off, is hatched.
func (r *Report) hours(i int, f *duty.MachineFigures) template.HTML {
	runs := r.Runs[f.Equipment]
	h := draw.Hours{ID: fmt.Sprintf("hours-%d", i), Title: "When " + f.Equipment + " ran", From: r.From, To: r.To, Zone: r.Zone, Runs: runs.Ran, Closed: r.Closed}
	h.Desc = fmt.Sprintf("Ran %s h, %s of the time it was seen; not seen for %s.", number(f.RunSeconds/3600, 1), percent(f.Duty, 0), length(minutes.Known(f.UnseenSeconds)))
	h.Unseen = r.unseenOf(f)
	return h.SVG()
}

// unseenOf returns when nothing told whether a machine ran.
func (r *Report) unseenOf(f *duty.MachineFigures) []draw.Span {
	list := append(slices.Clone(r.Runs[f.Equipment].Unseen), r.outside(f)...)
	sorting.Func(list, func(a, b draw.Span) int { return a.From.Compare(b.From) })
	return list
}

// outside returns the parts of the span that the record does not tell of: before the first look and after the last.
func (r *Report) outside(f *duty.MachineFigures) (list []draw.Span) {
	end := r.To
	if f.Until.Before(end) {
		end = f.Until
	}
	if end.Before(r.From) {
		return []draw.Span{{From: r.From, To: r.To}}
	}
	if end.Before(r.To) {
		list = append(list, draw.Span{From: end, To: r.To})
	}
	// intervals follow each other without a hole, so they begin as long before the end as they are together
	told := time.Duration((f.RunSeconds + f.StillSeconds + f.UnseenSeconds) * float64(time.Second))
	if late := r.To.Sub(end); time.Duration(f.UnseenSeconds*float64(time.Second)) >= late && f.Until.Before(r.To) {
		told -= late // it was counted as unseen
	}
	if begin := end.Add(-told); begin.Sub(r.From) > 15*time.Minute {
		list = append(list, draw.Span{From: r.From, To: begin})
	}
	return list
}

// bars draws the most starts in an hour of each day against the limit.
func (r *Report) bars(i int, f *duty.MachineFigures) template.HTML {
	b := draw.Bars{ID: fmt.Sprintf("starts-%d", i), Title: "Most starts of " + f.Equipment + " in any hour, day by day", Height: 170}
	unseen, starts := r.unseenOf(f), r.Runs[f.Equipment].Starts
	for day := r.midnight(r.From); day.Before(r.To); {
		next := day.AddDate(0, 0, 1)
		v := 0.0
		for ; len(starts) > 0 && starts[0].At.Before(next); starts = starts[1:] {
			v = max(v, float64(starts[0].Hour))
		}
		if v == 0 && within(unseen, day, next) > hardlySeen*next.Sub(day).Hours() {
			v = math.NaN()
		}
		b.Bars = append(b.Bars, draw.Bar{Label: day.Format("Mon 2"), Value: v})
		day = next
	}
	if len(b.Bars) == 0 {
		return ""
	}
	if f.Limit.Is() {
		b.Limits = []draw.Limit{{Value: float64(f.Limit), Words: "allowed " + limit(f.Limit)}}
	}
	return b.SVG()
}

// hardlySeen is the share of a day that was not seen from which on a day without a start is not known.
const hardlySeen = 0.5

// midnight returns the beginning of the local day.
func (r *Report) midnight(t time.Time) time.Time {
	y, m, d := t.In(r.Zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, r.Zone)
}

// within returns the hours of the spans in a stretch.
func within(spans []draw.Span, from, to time.Time) (hours float64) {
	for _, s := range spans {
		a, b := s.From, s.To
		if a.Before(from) {
			a = from
		}
		if b.After(to) {
			b = to
		}
		hours += max(b.Sub(a).Hours(), 0)
	}
	return hours
}

// service is a line of what is due.
type service struct {
	What, Of, Hours, Expected, Last string
	Overdue                         bool
	due                             float64
}

// services lists what is due, the soonest first.
func (r *Report) services() (list []service) {
	if r.Duty == nil {
		return nil
	}
	for i := range r.Duty.Machines {
		m := &r.Duty.Machines[i]
		for _, s := range m.Services {
			l := service{What: s.Service, Of: m.Equipment, Hours: number(s.Hours, 0), Expected: "–", Last: "–", Overdue: s.Hours < 0, due: math.Inf(1)}
			switch {
			case l.Overdue:
				l.Expected, l.due = "overdue", -1
			case s.Expected != nil:
				l.Expected, l.due = r.day(*s.Expected), s.Expected.Sub(r.Made).Hours()
			}
			if s.Last != nil {
				l.Last = r.day(*s.Last)
			}
			list = append(list, l)
		}
	}
	sorting.StableFunc(list, func(a, b service) int {
		switch {
		case a.due < b.due:
			return -1
		case a.due > b.due:
			return 1
		}
		return strings.Compare(a.Of, b.Of)
	})
	return list
}
