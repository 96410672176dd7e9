package scaling

import (
	"math"
	"slices"
)

// Hampel reports whether x is a spike among the values of a window that holds it:
// whether it lies further from their median than 3 * 1.4826 * MAD, the scaled
// median of the absolute deviations (F. Hampel, The influence curve and its role
// in robust estimation, JASA 69 (1974), from memory). Where the MAD is small, one
// resolution step is the least spread. It returns the median too. Windows of
// more than 11 values are judged by their last 11.
func Hampel(x float64, window []float64, step float64) (spike bool, median float64) {
	const scale = 1.4826 // MAD to standard deviation of a normal distribution
	var space [longest]float64
	if len(window) == 0 {
		return false, x
	}
	w := space[:copy(space[:], window[max(len(window)-longest, 0):])]
	median = middle(w)
	for i, v := range w {
		w[i] = math.Abs(v - median)
	}
	return math.Abs(x-median) > 3*max(scale*middle(w), step), median
}

// middle returns the median of values and leaves them sorted.
func middle(w []float64) float64 {
	slices.Sort(w)
	n := len(w)
	if n%2 == 1 {
		return w[n/2]
	}
	return (w[n/2-1] + w[n/2]) / 2
}

// shortest and longest are the windows of the spike filter, in readings.
const (
	shortest = 5
	longest  = 11
)

// recent holds the last readings.
type recent struct {
	values [longest]float64
	n      int // filled
	next   int
}

// spike adds a value to a window of a size and reports whether it is a spike there.
// Until the window is full nothing is.
func (w *recent) spike(v float64, size int, step float64) (bool, float64) {
	w.values[w.next] = v
	w.next = (w.next + 1) % size
	w.n = min(w.n+1, size)
	if w.n < size {
		return false, v
	}
	return Hampel(v, w.values[:size], step)
}
