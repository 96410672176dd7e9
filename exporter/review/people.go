package review

import (
	"maps"
	"math"
	"slices"

	"roundsman/rules"
)

// priorities shares the alarms out by priority; notes are not told. The three levels are always there; alarms without one when there are any.
func (w *work) priorities() []PriorityShare {
	var counts [rules.HighPriority + 1]int
	for i := range w.acts {
		if a := &w.acts[i]; a.start >= w.from {
			counts[min(a.Priority, rules.HighPriority)]++
		}
	}
	var list []PriorityShare
	for _, p := range [...]rules.Priority{rules.HighPriority, rules.MediumPriority, rules.LowPriority, rules.NoPriority} {
		n := counts[p]
		if p == rules.NoPriority && n == 0 {
			continue
		}
		list = append(list, PriorityShare{p, n, float64(n) / float64(max(1, len(w.inside)))})
	}
	return list
}

// acknowledge tells how long the alarms of the span waited for a person.
func (w *work) acknowledge() Acknowledge {
	var k Acknowledge
	var waits []float64
	for i := range w.acts {
		a := &w.acts[i]
		switch {
		case a.start < w.from || !a.rings():
		case !a.Acknowledged.IsZero():
			waits = append(waits, max(0, seconds(a.Acknowledged.UnixNano()-a.start)))
		case a.AcknowledgesItself:
			k.Itself++
		default:
			k.Nobody++
		}
	}
	if k.Alarms = len(waits); k.Alarms > 0 {
		slices.Sort(waits)
		median, p90 := quantile(waits, 0.5), quantile(waits, 0.9)
		k.Median, k.P90 = &median, &p90
	}
	return k
}

// quantile is type 7 of Hyndman and Fan (1996): linear between the values beside rank p(n-1), counted from 0.
func quantile(sorted []float64, p float64) float64 {
	rank := p * float64(len(sorted)-1)
	i := int(math.Floor(rank))
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (rank-float64(i))*(sorted[i+1]-sorted[i])
}

func sortedKeys(m map[int64]int) []int64 { return slices.Sorted(maps.Keys(m)) }
