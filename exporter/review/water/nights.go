package water

import (
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/exporter/review/minutes"
)

// leastSeen is how long of a night must be seen for it to tell anything.
const leastSeen = time.Hour

// night is a stretch closed, or what was seen of it: from the first minute with figures to the end of the last.
type night struct{ from, to time.Time }

// length is that from the first minute to the last: what a total rose in the first of them came in part before.
func (n night) length() time.Duration {
	if !n.from.Before(n.to) {
		return 0 // nothing was seen
	}
	return n.to.Sub(n.from) - time.Minute
}

// nightly returns the stretches closed, less the time to settle.
func (w *work) nightly() []night {
	var out []night
	for _, s := range w.open.Stretches(false, leastNight) {
		if s.From = s.From.Add(w.plan.Settle); s.From.Before(s.To) {
			out = append(out, night{s.From, s.To})
		}
	}
	return out
}

// seenNights returns what all of these signals saw of the nights. Through some the box was off; and of what a total rose
// over a gap at the end of a night nobody knows how much came before opening.
func (w *work) seenNights(signals ...minutes.Signal) ([]night, error) {
	list := slices.Clone(w.nights)
	for _, s := range signals {
		seen, err := w.sight(s)
		if err != nil {
			return nil, err
		}
		for i := range list {
			list[i].from, list[i].to = collector.Later(list[i].from, seen[i].from), collector.Earlier(list[i].to, seen[i].to)
		}
	}
	return slices.DeleteFunc(list, func(n night) bool { return n.length() < leastSeen }), nil
}

// sight returns what one signal saw of each night; nothing of those that it did not see.
func (w *work) sight(s minutes.Signal) ([]night, error) {
	if list, ok := w.sights[s.Point]; ok {
		return list, nil
	}
	list := make([]night, len(w.nights))
	err := w.each(s, func(m minutes.Minute) {
		i := find(w.nights, m.At)
		if i < 0 {
			return
		}
		if list[i].to.IsZero() {
			list[i].from = m.At
		}
		list[i].to = m.At.Add(time.Minute)
	})
	w.sights[s.Point] = list
	return list, err
}

// find returns the night a time is in, -1 for none.
func find(list []night, at time.Time) int {
	i, _ := slices.BinarySearchFunc(list, at, func(n night, t time.Time) int {
		if n.to.After(t) {
			return 1
		}
		return -1
	})
	if i < len(list) && !at.Before(list[i].from) {
		return i
	}
	return -1
}

// within adds what a total rises to the night that it comes in, after its first minute.
func within(list []night, sums []float64) func(time.Time, float64) {
	return func(at time.Time, v float64) {
		if i := find(list, at); i >= 0 && at.After(list[i].from) {
			sums[i] += v
		}
	}
}

// night tells what ran in from outside while the wash was closed.
func (w *work) night(f *Figures) error {
	n := &f.Night
	n.Fresh, n.FreshPerHour, n.WorstPerHour = minutes.Unknown(), minutes.Unknown(), minutes.Unknown()
	meters := named(w.plan.Fresh)
	if len(meters) == 0 {
		return nil
	}
	list, err := w.seenNights(meters...)
	if err != nil || len(list) == 0 {
		return err
	}
	sums := make([]float64, len(list))
	if _, _, err := w.rise(meters, within(list, sums)); err != nil {
		return err
	}
	n.Nights, n.Fresh, n.WorstPerHour = len(list), 0, -1
	for i, s := range list {
		n.Hours += s.length().Hours()
		n.Fresh += minutes.Known(sums[i])
		if perHour := minutes.Known(sums[i] / s.length().Hours()); perHour > n.WorstPerHour {
			at := s.from.UTC()
			n.WorstPerHour, n.WorstNight = perHour, &at
		}
	}
	n.FreshPerHour = n.Fresh / minutes.Known(n.Hours)
	return nil
}

// named returns the signals that have a point.
func named(list []minutes.Signal) []minutes.Signal {
	return slices.DeleteFunc(slices.Clone(list), func(s minutes.Signal) bool { return !s.Named() })
}
