package record

import (
	"fmt"
	"math"

	"roundsman/exporter/record/pack"
)

const (
	minuteMillis = 60_000
	hourMillis   = 3_600_000
	perHour      = 60
	// Shares of good readings are kept in per cent; these two are none.
	noUsable  = 254
	noReading = 255
	// meanParts is in how many parts of a step a mean is kept.
	meanParts = 100
)

// figureWidths are the widths that a number of a minute may have, in bytes.
var figureWidths = [...]int{0, 1, 2, 4, 6}

// figureRows are low, mean, high, last and share.
const figureRows = 5

// minute gathers one minute of a point, in counts. A value too large for a count is seen, but has no figures.
type minute struct {
	low, high, last    int64
	first              int64 // what the sum is counted from, so that it stays exact
	sum                float64
	usable, good, seen int32
}

func (m *minute) add(n int64, mark pack.Mark) {
	m.seen++
	if mark == pack.Plain || mark.Quality() == pack.Plain.Quality() {
		m.good++
	}
	if !mark.OnGrid() {
		return
	}
	if m.usable == 0 {
		m.low, m.high, m.first = n, n, n
	}
	m.low, m.high, m.last = min(m.low, n), max(m.high, n), n
	m.sum += float64(n - m.first)
	m.usable++
}

// mean returns the mean in parts of a step above the low.
func (m *minute) mean() int64 {
	return int64(math.Round((float64(m.first-m.low) + m.sum/float64(m.usable)) * meanParts))
}

func (m *minute) share() int64 {
	switch {
	case m.seen == 0:
		return noReading
	case m.usable == 0:
		return noUsable
	case m.good < m.seen:
		return int64(100 * m.good / m.seen) // below 100 unless all are good
	}
	return 100
}

// hourFigures are the minutes of an hour of one point, and the whole.
type hourFigures struct {
	minutes [perHour]minute
	last    int64 // the latest time that was added
}

// hourOf returns the hour of a time, counted from 1970.
func hourOf(ms int64) int64 { return floorDiv(ms, hourMillis) }

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// add takes the readings of one hour; times outside it are left out, and those that were told already, as Trend.Readings
// leaves them out.
func (h *hourFigures) add(hour int64, times []int64, c pack.Column) {
	for i, t := range times {
		if t <= h.last {
			continue
		}
		h.last = t
		if m := floorDiv(t-hour*hourMillis, minuteMillis); m >= 0 && m < perHour {
			h.minutes[m].add(c.Counts[i], c.Marks[i])
		}
	}
}

// total returns the hour as one.
func (h *hourFigures) total() (t minute, mean float64) {
	for i := range h.minutes {
		m := &h.minutes[i]
		t.seen, t.good = t.seen+m.seen, t.good+m.good
		if m.usable == 0 {
			continue
		}
		if t.usable == 0 {
			t.low, t.high, t.first = m.low, m.high, m.first
		}
		t.low, t.high, t.last = min(t.low, m.low), max(t.high, m.high), m.last
		t.sum += m.sum + float64(m.first-t.first)*float64(m.usable)
		t.usable += m.usable
	}
	if t.usable > 0 {
		mean = float64(t.first) + t.sum/float64(t.usable)
	}
	return t, mean
}

// packedFigures is a row of the table of minutes.
type packedFigures struct {
	base, share int64
	widths      [figureRows]int
	data        []byte
}

func (h *hourFigures) pack() packedFigures {
	t, _ := h.total()
	base := t.low
	var rows [figureRows][perHour]int64
	for i := range h.minutes {
		m := &h.minutes[i]
		rows[4][i] = m.share()
		if m.usable > 0 {
			rows[0][i], rows[1][i], rows[2][i], rows[3][i] = m.low-base, m.mean(), m.high-m.low, m.last-m.low
		}
		if !fitting(rows[0][i], rows[1][i], rows[2][i], rows[3][i]) {
			rows[0][i], rows[1][i], rows[2][i], rows[3][i], rows[4][i] = 0, 0, 0, 0, noUsable
		}
	}
	return packRows(base, &rows)
}

func packRows(base int64, rows *[figureRows][perHour]int64) packedFigures {
	p := packedFigures{base: base, share: rows[4][0]}
	for k := range rows {
		p.row(k, &rows[k])
	}
	return p
}

// fitting reports whether all fit into the largest width.
func fitting(numbers ...int64) bool {
	for _, n := range numbers {
		if n < 0 || n >= 1<<48 {
			return false
		}
	}
	return true
}

func (p *packedFigures) row(k int, row *[perHour]int64) {
	largest, same := int64(0), true
	for _, n := range row {
		largest, same = max(largest, n), same && n == row[0]
	}
	if k == figureRows-1 && same {
		return
	}
	for largest >= 1<<(8*p.widths[k]) {
		p.widths[k] = wider(p.widths[k])
	}
	for _, n := range row {
		for b := range p.widths[k] {
			p.data = append(p.data, byte(n>>(8*b)))
		}
	}
}

func wider(w int) int {
	for _, next := range figureWidths {
		if next > w {
			return next
		}
	}
	return w
}

// unpack returns the rows: low, mean, high, last and share.
func (p *packedFigures) unpack() (rows [figureRows][perHour]int64, err error) {
	at := 0
	for k, w := range p.widths {
		if w < 0 || w > 6 || at+perHour*w > len(p.data) {
			return rows, fmt.Errorf("%w: the figures of an hour in %d bytes", ErrDamaged, len(p.data))
		}
		for i := range rows[k] {
			for b := range w {
				rows[k][i] |= int64(p.data[at+i*w+b]) << (8 * b)
			}
			if k == figureRows-1 && w == 0 {
				rows[k][i] = p.share
			}
		}
		at += perHour * w
	}
	return rows, nil
}

// figures returns the minutes that had readings.
func (p *packedFigures) figures(hour int64, g pack.Grid) ([]Figures, error) {
	rows, err := p.unpack()
	if err != nil {
		return nil, err
	}
	list := make([]Figures, 0, perHour)
	for i, share := range rows[4] {
		if share == noReading {
			continue
		}
		f := Figures{Milli: hour*hourMillis + int64(i)*minuteMillis, Min: math.NaN(), Mean: math.NaN(), Max: math.NaN(), Last: math.NaN()}
		if share != noUsable {
			low := p.base + rows[0][i]
			f.Good = float64(share) / 100
			f.Min, f.Max, f.Last = g.Value(low), g.Value(low+rows[2][i]), g.Value(low+rows[3][i])
			f.Mean = g.Value(low) + float64(rows[1][i])/meanParts*g.Step
		}
		list = append(list, f)
	}
	return list, nil
}
