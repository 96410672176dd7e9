package main

import (
	"math"
	"time"
)

// What follows computes the figures of the reviews once more from the plan alone, as plainly as can be: time in cells of half
// a minute, no sums kept, nothing skipped. It shares no code with what it is held against.

const cell = 30 * time.Second

// seen is what is known of a machine in a cell.
type seen uint8

const (
	never seen = iota // before the record, or after it
	dark              // on the record as not seen
	still
	ran
)

// machine is the course of one machine.
type machine struct {
	begin time.Time
	cells []seen
	hold  time.Duration
}

// course lays a machine's looks on cells. A look stands until the next, but for hold at most; NaN tells nothing.
func (p *monthsPlan) course(state func(v *[monthsPoints]float64, was bool) (on, sure bool)) *machine {
	m := &machine{begin: p.begin, cells: make([]seen, int(p.end.Sub(p.begin)/cell)), hold: 150 * time.Second}
	was := false
	for i := range p.looks {
		l := &p.looks[i]
		if i+1 == len(p.looks) { // nobody knows how long the last one stood
			m.cells = m.cells[:l.at.Sub(m.begin)/cell]
			break
		}
		until := p.looks[i+1].at
		on, sure := state(&l.v, was)
		for at := l.at; at.Before(until); at = at.Add(cell) {
			k := dark
			switch {
			case !sure || at.Sub(l.at) >= m.hold:
			case on:
				k = ran
			default:
				k = still
			}
			m.cells[at.Sub(m.begin)/cell] = k
		}
		if sure {
			was = on
		}
	}
	return m
}

func contactOf(point int) func(*[monthsPoints]float64, bool) (bool, bool) {
	return func(v *[monthsPoints]float64, _ bool) (bool, bool) { return v[point] > 0.5, !math.IsNaN(v[point]) }
}

// twoThresholds: on above one, off at or below the other, in between as it was.
func twoThresholds(point int, above, below float64) func(*[monthsPoints]float64, bool) (bool, bool) {
	return func(v *[monthsPoints]float64, was bool) (bool, bool) {
		if v[point] > above {
			return true, true
		}
		return was && v[point] > below, true
	}
}

// piece is a stretch of running, in cells.
type piece struct {
	from, to    int
	start       bool // it was seen to start
	first, last bool // of a run: it began with it, it was seen to stop
}

func (m *machine) at(t time.Time) int {
	return int(math.Floor(float64(t.Sub(m.begin)) / float64(cell)))
}

func (m *machine) pieces() (list []piece) {
	was := never // what was seen last
	for i := 0; i < len(m.cells); i++ {
		if m.cells[i] != ran {
			if m.cells[i] == still {
				was = still
			}
			continue
		}
		p := piece{from: i, start: was == still, first: was != ran}
		for i < len(m.cells) && m.cells[i] == ran {
			i++
		}
		p.to = i
		p.last = i < len(m.cells) && m.cells[i] == still
		was = ran
		list = append(list, p)
		i--
	}
	return list
}

// ranFor are the figures of a machine over a span.
type ranFor struct {
	run, still, dark, longest, shortest, closed time.Duration
	starts, runs, worst, whole, short, shut     int
}

func (p *monthsPlan) figures(m *machine, from, to time.Time, least time.Duration) (f ranFor) {
	lo, hi := m.at(from), m.at(to)
	for i := lo; i < hi; i++ {
		k := dark // after the record
		if i < len(m.cells) {
			k = never
		}
		if i >= 0 && i < len(m.cells) {
			k = m.cells[i]
		}
		switch k {
		case ran:
			f.run += cell
			if !p.openAt(m.begin.Add(time.Duration(i) * cell)) {
				f.closed += cell
			}
		case still:
			f.still += cell
		case dark:
			f.dark += cell
		}
	}
	all := m.pieces()
	for i, q := range all {
		inside := q.from >= lo && q.from < hi
		f.longest = max(f.longest, time.Duration(max(0, min(q.to, hi)-max(q.from, lo)))*cell)
		if q.first && inside || q.from < lo && q.to > lo {
			f.runs++
		}
		if inside && q.start {
			f.starts++
			if !p.openAt(m.begin.Add(time.Duration(q.from) * cell)) {
				f.shut++
			}
			hour := 0
			for _, o := range all[:i+1] {
				if o.start && time.Duration(q.from-o.from)*cell < time.Hour {
					hour++
				}
			}
			f.worst = max(f.worst, hour)
		}
		if inside && q.first && q.last && q.to <= hi {
			length := time.Duration(q.to-q.from) * cell
			f.whole++
			if f.shortest == 0 || length < f.shortest {
				f.shortest = length
			}
			if length < least {
				f.short++
			}
		}
	}
	return f
}

// within returns the looks of a span that are in the trends.
func (p *monthsPlan) within(from, to time.Time) (list []look) {
	for _, l := range p.looks {
		if !l.lost && !l.at.Before(from) && l.at.Before(to) {
			list = append(list, l)
		}
	}
	return list
}

// rose returns what a counter rose in a span: from what it read within ten minutes before, else from the first look.
func (p *monthsPlan) rose(point int, from, to time.Time, open func(time.Time) bool) (sum float64) {
	last := math.NaN()
	for _, l := range p.within(from.Add(-10*time.Minute), to) {
		if !math.IsNaN(last) && !l.at.Before(from) && open(l.at) {
			sum += l.v[point] - last
		}
		last = l.v[point]
	}
	return sum
}

func always(time.Time) bool { return true }

// meanOf is the mean of a point over the looks for which f is true, with their number.
func meanOf(list []look, point int, f func(time.Time) bool) (mean float64, n int) {
	for _, l := range list {
		if f(l.at) && !math.IsNaN(l.v[point]) {
			mean += l.v[point]
			n++
		}
	}
	return mean / float64(n), n
}

// loadings returns when a state went on, as far as two looks within two minutes tell, and the most in any hour.
func loadings(list []look, point int) (ons []time.Time, worst int) {
	for i := 1; i < len(list); i++ {
		if list[i].v[point] < 0.5 || list[i-1].v[point] > 0.5 || list[i].at.Sub(list[i-1].at) > 2*time.Minute {
			continue
		}
		ons = append(ons, list[i].at)
		hour := 0
		for _, o := range ons {
			if list[i].at.Sub(o) < time.Hour {
				hour++
			}
		}
		worst = max(worst, hour)
	}
	return ons, worst
}

// notLooked counts the times without a look that ended since from.
func notLooked(list []look, from time.Time) (n int) {
	for _, l := range list {
		if l.at.Sub(from) > 2*time.Minute {
			n++
		}
		from = l.at
	}
	return n
}

// slope is that of the least squares through points, by the textbook.
func slope(x, y []float64) float64 {
	var mx, my, above, below float64
	for i := range x {
		mx += x[i] / float64(len(x))
		my += y[i] / float64(len(y))
	}
	for i := range x {
		above += (x[i] - mx) * (y[i] - my)
		below += (x[i] - mx) * (x[i] - mx)
	}
	return above / below
}
