// Package minutestest makes one-minute figures from readings in memory, as the record does from what it keeps, so that
// tests of reviews need no record.
package minutestest

import (
	"context"
	"iter"
	"math"
	"time"

	"roundsman/exporter/review/minutes"
)

// Source gathers readings. The zero value is ready; it belongs to one goroutine.
type Source struct {
	points map[string]*point
}

type point struct {
	list []minutes.Minute
	n    int // readings in the newest minute that could be used
	sum  float64
}

// Add takes a reading; NaN is one that cannot be used. Those of a point come in order of time.
func (s *Source) Add(name string, at time.Time, v float64) {
	if s.points == nil {
		s.points = map[string]*point{}
	}
	p := s.points[name]
	if p == nil {
		p = &point{}
		s.points[name] = p
	}
	begin := at.Truncate(time.Minute)
	if n := len(p.list); n == 0 || !p.list[n-1].At.Equal(begin) {
		nan := math.NaN()
		p.list, p.n, p.sum = append(p.list, minutes.Minute{At: begin, Min: nan, Mean: nan, Max: nan, Last: nan}), 0, 0
	}
	if math.IsNaN(v) {
		return
	}
	m := &p.list[len(p.list)-1]
	if p.n == 0 {
		m.Min, m.Max = v, v
	}
	p.n++
	p.sum += v
	m.Min, m.Max, m.Last, m.Mean = min(m.Min, v), max(m.Max, v), v, p.sum/float64(p.n)
}

// State adds a reading of a state.
func (s *Source) State(name string, at time.Time, on bool) {
	v := 0.0
	if on {
		v = 1
	}
	s.Add(name, at, v)
}

// Minutes gives the figures; see minutes.Source.
func (s *Source) Minutes(_ context.Context, name string, from, to time.Time) iter.Seq2[minutes.Minute, error] {
	return func(yield func(minutes.Minute, error) bool) {
		p := s.points[name]
		if p == nil {
			return
		}
		for _, m := range p.list {
			if !m.At.Before(from) && m.At.Before(to) && !yield(m, nil) {
				return
			}
		}
	}
}
