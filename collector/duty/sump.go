package duty

import (
	"math"
	"time"
)

// Cycle returns the time from one start to the next of a pump that empties a
// sump between two levels: V/q + V/(Q-q), with the active volume V between the
// levels, the inflow q and the pump's flow Q in the same units (MIL-HDBK-1005/9A,
// clause 2.5.3.6, equation 1). The same holds for one that fills a tank from
// which q is drawn. Without inflow, or with more than the pump takes, it never
// starts again: false.
func Cycle(litres, inflow, pump float64) (time.Duration, bool) {
	if !(litres > 0 && inflow > 0 && pump > inflow) {
		return 0, false
	}
	return duration(litres/inflow + litres/(pump-inflow)), true
}

// LeastVolume returns the active volume in litres that keeps a pump of so many
// litres a second from starting more often than once in least, at the worst
// inflow, which is half the pump's: V = t Q / 4 (the same handbook, equation 2;
// US Army Corps of Engineers EI 11C201, clause 7). Pumps that take turns at each
// start need 1/pumps of it: each starts in its turn only.
func LeastVolume(least time.Duration, pump float64, pumps int) float64 {
	return least.Seconds() * pump / 4 / float64(max(pumps, 1))
}

// MostStarts returns the starts an hour of a pump at the worst inflow.
func MostStarts(litres, pump float64) float64 { return 3600 * pump / (4 * litres) }

func duration(seconds float64) time.Duration {
	return time.Duration(math.Round(seconds * float64(time.Second)))
}
