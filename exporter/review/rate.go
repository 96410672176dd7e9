package review

import "time"

// rate counts the starts in clock periods of the width, and in the sliding period of the same width: at a start, all
// that began later than a width ago.
func (w *work) rate(width time.Duration) Rate {
	var r Rate
	if w.seen > 0 {
		r.Mean = float64(len(w.inside)) * float64(width) / float64(w.seen)
	}
	for begin, n := range periods(w.inside, int64(width)) {
		if n > r.PeakFixed {
			r.PeakFixed, r.PeakFixedAt = n, moment(begin)
		}
	}
	oldest := 0
	for i, at := range w.inside {
		for w.inside[oldest] <= at-int64(width) {
			oldest++
		}
		if n := i + 1 - oldest; n > r.PeakSliding {
			r.PeakSliding, r.PeakSlidingAt = n, moment(at)
		}
	}
	return r
}

// busy counts the clock periods with more than a number of starts. A period cut by the span counts as it is.
func (w *work) busy(width time.Duration, above int) Busy {
	var b Busy
	var total int64
	for begin, n := range periods(w.inside, int64(width)) {
		if n > above {
			b.Periods++
			total += min(begin+int64(width), w.to) - max(begin, w.from)
		}
	}
	b.Share = w.ofSeen(total)
	return b
}

// periods yields each clock period that has starts, with their number.
func periods(starts []int64, width int64) func(yield func(begin int64, n int) bool) {
	return func(yield func(int64, int) bool) {
		for i := 0; i < len(starts); {
			begin, first := floor(starts[i], width), i
			for i < len(starts) && starts[i] < begin+width {
				i++
			}
			if !yield(begin, i-first) {
				return
			}
		}
	}
}
