package scaling

import (
	"fmt"
	"math"
	"sort"
)

// Value returns a raw value in the point's unit, neither judged nor clamped.
func (c *Channel) Value(raw float64) float64 {
	p := c.spec.Points
	if len(p) == 0 {
		return raw
	}
	if c.spec.Curve == SquareRoot {
		share := (raw - p[0].Raw) / (p[1].Raw - p[0].Raw)
		return p[0].Value + (p[1].Value-p[0].Value)*math.Sqrt(max(share, 0))
	}
	i := 1
	if len(p) > 2 {
		i += sort.Search(len(p)-2, func(i int) bool { return p[i+1].Raw >= raw })
	}
	a, b := p[i-1], p[i]
	return a.Value + (b.Value-a.Value)*(raw-a.Raw)/(b.Raw-a.Raw)
}

// clamped returns a value kept inside the ends of the calibration where that was asked for.
func (c *Channel) clamped(v float64) float64 {
	if !c.spec.Clamp || len(c.spec.Points) == 0 {
		return v
	}
	return min(max(v, c.least), c.most)
}

// Resolution returns what one raw count is worth in the point's unit, on the
// flattest piece of the calibration (for a square root at its upper end). For
// whole raw counts it is the smallest step the value can take.
func (s Spec) Resolution() float64 {
	step := 1.0
	for i := 1; i < len(s.Points); i++ {
		a, b := s.Points[i-1], s.Points[i]
		slope := math.Abs((b.Value - a.Value) / (b.Raw - a.Raw))
		if i == 1 || slope > 0 && slope < step {
			step = slope
		}
	}
	if s.Curve == SquareRoot {
		step /= 2
	}
	return step
}

// checkPoints refuses a calibration that has no value for some raw value, or one value for all.
func (s Spec) checkPoints() error {
	p := s.Points
	switch {
	case len(p) == 0 && s.Curve == SquareRoot:
		return fmt.Errorf("a square root needs two pairs, none given")
	case len(p) == 0:
		return nil
	case len(p) == 1:
		return fmt.Errorf("one pair given, a scale needs two or more")
	case len(p) > 2 && s.Curve == SquareRoot:
		return fmt.Errorf("a square root needs two pairs, %d given", len(p))
	}
	flat := true
	for i, pair := range p {
		if notFinite(pair.Raw) || notFinite(pair.Value) {
			return fmt.Errorf("pair %d: %v to %v is not finite", i+1, pair.Raw, pair.Value)
		}
		if i > 0 && pair.Raw <= p[i-1].Raw {
			return fmt.Errorf("pair %d: raw %v is not above the %v before it", i+1, pair.Raw, p[i-1].Raw)
		}
		flat = flat && pair.Value == p[0].Value
	}
	if flat {
		return fmt.Errorf("every raw value gives %v", p[0].Value)
	}
	return nil
}

func notFinite(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }
