package main

import (
	"math"
	"time"

	"roundsman/collector"
)

// A trend is told over the last half minute or so: long enough to see a leak, short enough for a burst.
const (
	trendEvery = 10 * time.Second
	trendKept  = 4
)

// course remembers the readings of the last half minute, to say where they go. It belongs to the judge.
type course struct {
	past [trendKept][]float64 // by point, NaN where there was no measurement; the oldest is overwritten next
	next int
	at   collector.Moment
}

func (t *course) note(now collector.Moment, latest []collector.Reading) {
	if t.at != 0 && now.Sub(t.at) < trendEvery {
		return
	}
	t.at = now
	p := t.past[t.next][:0]
	for i := range latest {
		v := math.NaN()
		if latest[i].Quality.Usable() {
			v = latest[i].Value
		}
		p = append(p, v)
	}
	t.past[t.next] = p
	t.next = (t.next + 1) % trendKept
}

// follow lets the points have the numbers of a new site.
func (t *course) follow(d *siteDiff) {
	for i, old := range t.past {
		values := make([]float64, len(d.changed))
		for p := range values {
			values[p] = math.NaN()
		}
		for p, v := range old {
			if id := d.as(collector.PointID(p)); id != collector.NoPoint && !d.changed[id] {
				values[id] = v
			}
		}
		t.past[i] = values
	}
}

// of says in a word where a point goes whose latest value is v; "" where that is not known. least is the change worth a
// word.
func (t *course) of(p collector.PointID, v, least float64) string {
	old := t.past[t.next] // the oldest
	if int(p) >= len(old) || math.IsNaN(old[p]) || math.IsNaN(v) || !(least > 0) {
		return ""
	}
	switch d := v - old[p]; {
	case d >= least:
		return "rising"
	case d <= -least:
		return "falling"
	}
	return "steady"
}
