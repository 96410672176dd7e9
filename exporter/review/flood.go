package review

// flood is a Flood in numbers.
type flood struct {
	begin, end   int64
	over         bool // else end is the span's
	alarms, peak int
}

// slidingFloods looks at each instant at the starts of the last ten minutes. It ends exactly when the oldest of the
// last FloodEnds starts leaves that window.
func slidingFloods(starts []int64, to int64, o Options) []flood {
	const width = int64(tenMinutes)
	var list []flood
	var now *flood
	oldest, first := 0, 0 // first: start that the flood's count begins with
	for i := 0; i < len(starts); {
		at := starts[i]
		if now != nil && starts[i-o.FloodEnds]+width < at {
			now.end, now.over, now.alarms = starts[i-o.FloodEnds]+width, true, i-first
			now = nil
		}
		for i < len(starts) && starts[i] == at { // all starts of one instant at once
			i++
		}
		for starts[oldest] <= at-width {
			oldest++
		}
		n := i - oldest
		if now == nil && n >= o.FloodBegins {
			list = append(list, flood{begin: at})
			now, first = &list[len(list)-1], oldest
		}
		if now != nil {
			now.peak = max(now.peak, n)
		}
	}
	if now != nil {
		now.finish(starts[len(starts)-o.FloodEnds]+width, to)
		now.alarms = len(starts) - first
	}
	return list
}

// fixedFloods looks at each clock period as a whole: a flood lasts from the first with FloodBegins starts to the first
// with fewer than FloodEnds.
func fixedFloods(starts []int64, to int64, o Options) []flood {
	const width = int64(tenMinutes)
	var list []flood
	var now *flood
	next := int64(0) // end of the last period in the flood
	for begin, n := range periods(starts, width) {
		if now != nil && (begin > next || n < o.FloodEnds) {
			now.finish(next, to)
			now = nil
		}
		if now == nil && n >= o.FloodBegins {
			list = append(list, flood{begin: begin})
			now = &list[len(list)-1]
		}
		if now != nil {
			now.alarms, now.peak, next = now.alarms+n, max(now.peak, n), begin+width
		}
	}
	if now != nil {
		now.finish(next, to)
	}
	return list
}

// finish ends the flood at a time; not yet if that is not before the span's end.
func (f *flood) finish(end, to int64) { f.end, f.over = min(end, to), end < to }

// floods returns those that reach into the span.
func (w *work) floods(list []flood) Floods {
	f := Floods{Episodes: []Flood{}}
	total := int64(0)
	for _, l := range list {
		if l.end <= w.from {
			continue
		}
		total += l.end - max(l.begin, w.from)
		e := Flood{Begin: moment(l.begin), Alarms: l.alarms, Peak: l.peak}
		if l.over {
			e.End = moment(l.end)
		}
		f.Episodes = append(f.Episodes, e)
	}
	f.Seconds, f.Share = seconds(total), w.ofSeen(total)
	return f
}
