package draw

import (
	"math"
	"strconv"
	"strings"
)

// most a value may be to be drawn; beyond it a difference of two would be no number.
const mostValue = 1e300

// drawable reports whether v is a number that can be drawn.
func drawable(v float64) bool { return math.Abs(v) <= mostValue } // false for NaN

// scale is the value axis: low at the bottom of a plot, high on top.
type scale struct{ low, high, height float64 }

// y returns where a value lies, from the top of the plot; values beyond the ends lie beyond the plot.
func (s scale) y(v float64) float64 {
	return s.height * (s.high/2 - v/2) / (s.high/2 - s.low/2)
}

// extent collects the values that an axis must reach.
type extent struct{ low, high float64 }

func nothing() extent { return extent{math.Inf(1), math.Inf(-1)} }

func (e *extent) add(v float64) {
	if drawable(v) {
		e.low, e.high = min(e.low, v), max(e.high, v)
	}
}

func (e extent) empty() bool { return e.low > e.high }

// scale returns an axis with a little room on both sides, of at least so much, and not below zero where no value is.
func (e extent) scale(least, height float64) scale {
	if e.empty() {
		e = extent{0, 1}
	}
	low, high := e.low, e.high
	if !(least > 0) || least > mostValue {
		least = 0
	}
	least = max(least, 1e-6*max(math.Abs(low), math.Abs(high)), 1e-9)
	if lack := least - (high - low); lack > 0 {
		low, high = low-lack/2, high+lack/2
	}
	room := 0.06 * (high - low)
	low, high = low-room, high+room
	if e.low >= 0 && low < 0 {
		low = 0
	}
	return scale{low, high, height}
}

// ticks returns round values within the axis, about as many as wanted, and their decimals.
func (s scale) ticks(wanted int) (values []float64, decimals int) {
	step, decimals := roundStep((s.high - s.low) / float64(max(wanted, 1)))
	if !(step > 0) || math.IsInf(step, 0) {
		return nil, 0
	}
	first, last := math.Ceil(s.low/step), math.Floor(s.high/step)
	if last-first > 50 || math.Abs(first) > 1e15 { // finer than a number can tell
		return nil, 0
	}
	for n := first; n <= last; n++ {
		values = append(values, n*step)
	}
	return values, decimals
}

// roundStep returns the 1, 2 or 5 times a power of ten next above v, and the decimals it needs.
func roundStep(v float64) (step float64, decimals int) {
	if !(v > 0) || math.IsInf(v, 0) {
		return 0, 0
	}
	power := math.Floor(math.Log10(v))
	unit := math.Pow(10, power)
	for _, m := range []float64{1, 2, 5, 10} {
		if step = m * unit; step >= v*(1-1e-9) {
			break
		}
	}
	if step >= 10*unit*(1-1e-9) {
		power++
	}
	return step, int(min(max(-power, 0), 9))
}

// decimal returns v with so many decimals and a true minus sign.
func decimal(v float64, digits int) string {
	if math.Abs(v) >= 1e9 || v != 0 && math.Abs(v) < 1e-9 {
		return strings.Replace(strconv.FormatFloat(v, 'g', 4, 64), "-", "−", 1)
	}
	s := strconv.FormatFloat(v, 'f', min(max(digits, 0), 9), 64)
	if rest, ok := strings.CutPrefix(s, "-"); ok {
		if strings.Trim(rest, "0.") == "" {
			return rest
		}
		return "−" + rest
	}
	return s
}

// valueWords returns a value with so many decimals and its unit.
func valueWords(v float64, digits int, unit string) string {
	if unit == "" {
		return decimal(v, digits)
	}
	return decimal(v, digits) + "\u00a0" + unit
}
