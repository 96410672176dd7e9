package modbus

import (
	"fmt"
	"maps"
	"math/bits"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/plan"
	"roundsman/collector/sorting"
)

// Report is what a link will have to do, worked out without opening it.
type Report struct {
	Link, Kind, Address string
	Rounds              []RoundPlan // each set of intervals that comes due together, the most frequent first
	Load                float64     // share of the time that the line is busy; above 1 it cannot keep up
	Warnings            []string
}

// RoundPlan is the requests of one set of due intervals.
type RoundPlan struct {
	Every    []time.Duration // the intervals that are due together
	PerHour  float64         // how often
	Points   int
	Requests []plan.Request // Items are not set
	Bytes    int            // requests and answers; characters on a serial line
	LineTime time.Duration  // with turnaround, gap and silences
	Minimum  time.Duration  // the same requests to devices that answer at once, without gap
	Single   time.Duration  // one request a point
}

// Loads from which a report warns.
const (
	tightLoad = 0.7 // one time-out makes the next rounds late (common practice, no source)
	fullLoad  = 1.0
)

// Forecast returns what the link of the options will do. The error is New's.
func Forecast(opts Options) (Report, error) {
	l, err := New(opts, nil, collector.NewClock())
	if err != nil {
		return Report{}, err
	}
	rep := Report{Link: opts.Name, Kind: opts.Transport.String(), Address: opts.Address}
	sets, span := l.dueSets()
	for set, times := range sets {
		r := l.roundPlan(set)
		r.PerHour = float64(times) * float64(time.Hour) / float64(span)
		rep.Load += float64(times) * float64(r.LineTime) / float64(span)
		rep.Rounds = append(rep.Rounds, r)
	}
	sorting.Func(rep.Rounds, func(a, b RoundPlan) int {
		if a.PerHour != b.PerHour {
			return int(b.PerHour*1000) - int(a.PerHour*1000)
		}
		return slices.Compare(a.Every, b.Every)
	})
	rep.warn()
	return rep, nil
}

// dueSets returns which groups come due together, how often, within span: the
// time after which the grid repeats, or as much of it as is worth looking at.
func (l *Link) dueSets() (sets map[uint64]int, span time.Duration) {
	const mostTicks = 20_000
	next := make([]time.Duration, len(l.groups))
	sets = map[uint64]int{}
	for range mostTicks {
		if len(next) == 0 {
			return sets, time.Hour
		}
		span = slices.Min(next)
		set := uint64(0)
		for i := range next {
			if next[i] == span {
				set |= 1 << i
				next[i] += l.groups[i].every
			}
		}
		if span > 0 && bits.OnesCount64(set) == len(next) {
			return sets, span
		}
		sets[set]++
	}
	return sets, slices.Min(next)
}

func (l *Link) roundPlan(set uint64) RoundPlan {
	var r RoundPlan
	for i := range l.groups {
		if set>>i&1 != 0 {
			r.Every = append(r.Every, l.groups[i].every)
			r.Points += len(l.groups[i].slots)
		}
	}
	slices.Sort(r.Every)
	bare := plan.Line{Baud: l.line.Baud, CharBits: l.line.CharBits, RoundTrip: l.line.RoundTrip, PerByte: l.line.PerByte}
	for _, q := range l.requests(set) {
		p := plan.Request{Unit: q.unit.id, Table: uint8(q.table), Start: q.start, Count: q.count}
		r.Requests = append(r.Requests, p)
		r.Bytes += l.line.Bytes(p)
		r.LineTime += l.line.Time(p)
		r.Minimum += bare.Time(p)
	}
	var items []plan.Item
	for _, n := range l.dueSlots(set) {
		items = append(items, l.slots[n].item())
	}
	r.Single = l.line.Total(plan.Each(items))
	return r
}

// warn adds what the link cannot do, or hardly.
func (rep *Report) warn() {
	say := func(format string, args ...any) {
		rep.Warnings = append(rep.Warnings, "link "+rep.Link+": "+fmt.Sprintf(format, args...))
	}
	switch {
	case rep.Load > fullLoad:
		say("busy for %.0f %% of the time: the intervals cannot be kept", 100*rep.Load)
	case rep.Load > tightLoad:
		say("busy for %.0f %% of the time: one time-out makes the next rounds late", 100*rep.Load)
	}
	worst := map[time.Duration]time.Duration{}
	for _, r := range rep.Rounds {
		if shortest := r.Every[0]; r.LineTime > shortest {
			worst[shortest] = max(worst[shortest], r.LineTime)
		}
	}
	for _, every := range slices.Sorted(maps.Keys(worst)) {
		say("a round takes up to %v: points due each %v come late", worst[every].Round(time.Millisecond), every)
	}
}
