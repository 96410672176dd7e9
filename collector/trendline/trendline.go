// Package trendline draws the straight line through figures and says how sure its slope is: is a leak growing, does a
// pump run longer for each car, or is it chance?
//
//	line, err := trendline.Fit(days, litresPerSecond)
//	if err == nil && line.Rises() { ... line.Slope, line.SlopeLow, line.SlopeHigh ... }
//
// Ordinary least squares, with the interval of the slope by Student's t: NIST/SEMATECH e-Handbook of Statistical Methods,
// 4.1.4.1 and 5.6.2 (from memory). The interval takes the residuals as independent and equally wide; figures of
// neighbouring days often hang together, and then it is too narrow.
package trendline

import (
	"errors"
	"fmt"
	"math"
)

// Line is y = Intercept + Slope*x, fitted to N points.
type Line struct {
	N         int     `json:"n"`
	Slope     float64 `json:"slope"`     // y's unit per x's unit
	Intercept float64 `json:"intercept"` // y at x = 0
	// SlopeLow and SlopeHigh are the ends of the slope's 95 % confidence interval.
	SlopeLow  float64 `json:"slopeLow"`
	SlopeHigh float64 `json:"slopeHigh"`
	// Residual is the standard deviation of the points about the line, with N-2 degrees of freedom, in y's unit.
	Residual float64 `json:"residual"`
}

// Why a line cannot be drawn.
var (
	ErrFew     = errors.New("fewer than 3 points")
	ErrUpright = errors.New("all points have the same x")
	ErrNumber  = errors.New("a point is not a finite number")
)

// At returns the line's y at x.
func (l Line) At(x float64) float64 { return l.Intercept + l.Slope*x }

// Rises reports whether the whole interval of the slope is above 0.
func (l Line) Rises() bool { return l.SlopeLow > 0 }

// Falls reports whether the whole interval of the slope is below 0.
func (l Line) Falls() bool { return l.SlopeHigh < 0 }

// Fit returns the least squares line through the points (x[i], y[i]), which may come in any order. It needs three
// points, not all at one x; the errors are ErrFew, ErrUpright and ErrNumber.
func Fit(x, y []float64) (Line, error) {
	if len(x) != len(y) {
		return Line{}, fmt.Errorf("%d x and %d y do not pair", len(x), len(y))
	}
	if len(x) < 3 {
		return Line{}, ErrFew
	}
	mx, my := mean(x), mean(y)
	var sxx, sxy float64
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		sxy += (x[i] - mx) * (y[i] - my)
	}
	switch {
	case !finite(sxx) || !finite(sxy):
		return Line{}, ErrNumber
	case sxx == 0:
		return Line{}, ErrUpright
	}
	l := Line{N: len(x), Slope: sxy / sxx}
	l.Intercept = my - l.Slope*mx
	free := len(x) - 2
	l.Residual = math.Sqrt(squares(x, y, mx, my, l.Slope) / float64(free))
	half := T975(free) * l.Residual / math.Sqrt(sxx)
	l.SlopeLow, l.SlopeHigh = l.Slope-half, l.Slope+half
	return l, nil
}

// squares sums the squared residuals. About the means, so that large x (times) take no digits away.
func squares(x, y []float64, mx, my, slope float64) float64 {
	var sum float64
	for i := range x {
		r := (y[i] - my) - slope*(x[i]-mx)
		sum += r * r
	}
	return sum
}

func mean(v []float64) float64 {
	var sum float64
	for _, f := range v {
		sum += f
	}
	m := sum / float64(len(v))
	var rest float64 // a second pass takes out what the first rounded away
	for _, f := range v {
		rest += f - m
	}
	return m + rest/float64(len(v))
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
