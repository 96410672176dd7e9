package desk

import (
	"slices"

	"roundsman/collector"
)

// Join returns what a desk would know that had gone on from a memory, kept at the moment keptAt of this run's clock, where in
// truth it could not be read and the later one began with nothing. Of an alarm that took reports as its own the later one
// alone counts; of a number that both gave, the later, which is in the newer message.
func Join(kept Memory, keptAt collector.Moment, later Memory, took func(alarm string) bool) Memory {
	kept.shift(keptAt.Sub(kept.At))
	out := later
	goOn(&out.Calls, kept.Calls, took)
	goOn(&out.Under, kept.Under, took)
	nobody := func(string) bool { return false }
	goOn(&out.Restless, kept.Restless, nobody)
	goOn(&out.Numbers, kept.Numbers, func(int) bool { return false })
	out.Pending = slices.Concat(slices.DeleteFunc(slices.Clone(kept.Pending), func(n noticeMemory) bool { return took(n.Alarm) }), later.Pending)
	out.Drills = slices.Concat(kept.Drills, later.Drills)
	for id, p := range kept.Persons {
		if now := out.Persons[id]; now != nil {
			p = &person{slices.Concat(p.Sent, now.Sent), slices.Concat(p.Held, now.Held), p.More + now.More}
			over := max(0, len(p.Held)-mostHeld)
			p.Held, p.More = p.Held[over:], p.More+over
		}
		if out.Persons == nil {
			out.Persons = map[string]*person{}
		}
		out.Persons[id] = p
	}
	out.Seq = max(out.Seq, kept.Seq)
	if out.Last == 0 {
		out.Last = kept.Last
	}
	return out
}

// goOn adds what was kept and is not known anew.
func goOn[K comparable, V any](to *map[K]V, kept map[K]V, took func(K) bool) {
	if *to == nil {
		*to = map[K]V{}
	}
	for name, v := range kept {
		if _, known := (*to)[name]; !known && !took(name) {
			(*to)[name] = v
		}
	}
}
