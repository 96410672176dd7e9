package pack

import (
	"math"

	"roundsman/collector"
)

// Grid says which values the counts of a point stand for: Origin + count * Step.
type Grid struct {
	Step   float64 // in the point's unit; above 0
	Origin float64 // the value of count 0
}

// most is how large a count may be: up to there every whole number is a float64 too.
const most = 1 << 53

// GridOf returns the grid of a point. Its step is the point's resolution. Where that is not known it is chosen, a round
// number finer than people and instruments look: a 20,000th of the range (NE 43's signals are worth about a 16,000th),
// at most; without a range a tenth of the last decimal that is shown, and for what is counted a thousandth.
func GridOf(p *collector.Point) Grid {
	return Grid{Step: stepOf(p)}
}

func stepOf(p *collector.Point) float64 {
	span := p.High - p.Low
	switch {
	case p.Kind == collector.State || p.Kind == collector.Text:
		return 1
	case p.Resolution > 0 && !math.IsInf(p.Resolution, 0):
		return p.Resolution
	case p.Kind == collector.Counter:
		return 0.001
	case span > 0 && !math.IsInf(span, 0):
		return roundDown(span / 20000)
	}
	return math.Pow10(-max(0, min(p.Digits, 9)) - 1)
}

// roundDown returns the next lower number of the kind 1, 2 or 5 times a power of ten.
func roundDown(v float64) float64 {
	e := int(math.Floor(math.Log10(v)))
	for _, m := range []float64{5, 2, 1} {
		if step := scaled(m, e); step <= v*(1+1e-9) {
			return step
		}
	}
	return scaled(5, e-1) // the logarithm was rounded up
}

func scaled(m float64, e int) float64 {
	if e < 0 {
		return m / math.Pow10(-e) // the nearest float to 0.002, which 2 * 0.001 need not be
	}
	return m * math.Pow10(e)
}

// Through returns the grid moved so that v is on it. Values that a device sends in whole counts are then all on it,
// wherever its range begins.
func (g Grid) Through(v float64) Grid {
	n := (v - g.Origin) / g.Step
	if math.Abs(n-math.Round(n)) > 1e-6 && math.Abs(n) < most {
		g.Origin += (n - math.Floor(n)) * g.Step
	}
	return g
}

// Count returns the nearest count of a value; false if it is too large for one. v is no NaN.
func (g Grid) Count(v float64) (int64, bool) {
	n := math.Round((v - g.Origin) / g.Step)
	if !(math.Abs(n) <= most) {
		return 0, false
	}
	return int64(n), true
}

// Value returns the value of a count. Steps such as 0.1 are multiplied as tenths are: 3 of them are 0.3.
func (g Grid) Value(n int64) float64 {
	if inverse := math.Round(1 / g.Step); g.Step < 1 && math.Abs(1-inverse*g.Step) < 1e-12 {
		return g.Origin + float64(n)/inverse
	}
	return g.Origin + float64(n)*g.Step
}
