package pack

import (
	"math"

	"roundsman/collector"
)

// Mark is the quality and the fault of a reading, and how its value is told.
type Mark uint16

// exact: the value is too large for the grid; the count holds the bits of the float.
const exact Mark = 1 << 15

// Plain is the mark of a good reading without a fault.
const Plain = Mark(collector.Good) << 8

// MarkOf returns the mark of a quality and a fault.
func MarkOf(q collector.Quality, f collector.Fault) Mark { return Mark(q&0x7f)<<8 | Mark(f) }

// Quality returns the quality.
func (m Mark) Quality() collector.Quality { return collector.Quality(m >> 8 & 0x7f) }

// Fault returns the fault.
func (m Mark) Fault() collector.Fault { return collector.Fault(m & 0xff) }

// Pack returns what is kept of a reading: its count, 0 where it has no value, and its mark. A usable reading that is no
// number, which no link sends, becomes a bad one.
func (g Grid) Pack(r *collector.Reading) (int64, Mark) {
	m := MarkOf(r.Quality, r.Fault)
	switch {
	case !r.Quality.Usable():
		return 0, m
	case math.IsNaN(r.Value):
		return 0, MarkOf(collector.Bad, collector.NotANumber)
	}
	n, fits := g.Count(r.Value)
	if !fits {
		return int64(math.Float64bits(r.Value)), m | exact
	}
	return n, m
}

// Unpack returns the value of a count with its mark, NaN where it has none.
func (g Grid) Unpack(n int64, m Mark) float64 {
	switch {
	case !m.Quality().Usable():
		return math.NaN()
	case m&exact != 0:
		return math.Float64frombits(uint64(n))
	}
	return g.Value(n)
}

// OnGrid reports whether the reading has a value that is told by its count.
func (m Mark) OnGrid() bool { return m.Quality().Usable() && m&exact == 0 }
