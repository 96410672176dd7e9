package review

import "time"

// day is when an active alarm becomes stale (ISA-18.2, from memory), and what stale alarms are counted by.
const day = int64(24 * time.Hour)

// stale reports whether the activation was active for more than a day at some moment of the span.
func (w *work) stale(a *act) bool { return a.end > max(a.start+day, w.from) }

// staleDays counts on how many days how many alarms were stale: +1 on the first day of each, -1 after its last.
type staleDays map[int64]int

// add counts an alarm that was stale from a time until another.
func (d *staleDays) add(from, until int64) {
	if *d == nil {
		*d = staleDays{}
	}
	(*d)[floor(from, day)]++
	(*d)[floor(until-1, day)+day]--
}

// most returns the highest count of one day and the first day that had it.
func (d staleDays) most() (most int, on time.Time) {
	n := 0
	for _, begin := range sortedKeys(d) {
		if n += d[begin]; n > most {
			most, on = n, moment(begin)
		}
	}
	return most, on
}
