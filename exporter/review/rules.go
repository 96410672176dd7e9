package review

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"roundsman/collector/sorting"
)

// minute is the window of chattering, and how soon a fleeting alarm must not come again.
const minute = int64(time.Minute)

// group is all activations of one rule.
type group struct {
	acts []act
	RuleFigures
	inside   int // chattering starts in the span
	chattery int64
}

// key: a rule that was made a note, or back, is two.
type key struct {
	rule string
	note bool
}

// groups sorts the activations by rule. The groups share one slice, filled in two passes.
func (w *work) groups() []group {
	index := map[key]int{}
	of := make([]int32, len(w.acts))
	var list []group
	var sizes []int
	for i := range w.acts {
		k := key{w.acts[i].Rule, !w.acts[i].rings()}
		g, ok := index[k]
		if !ok {
			g = len(list)
			index[k] = g
			list, sizes = append(list, group{}), append(sizes, 0)
		}
		of[i] = int32(g)
		sizes[g]++
	}
	all := make([]act, len(w.acts))
	for g, n := range sizes {
		list[g].acts, all = all[:0:n], all[n:]
	}
	for i, g := range of {
		list[g].acts = append(list[g].acts, w.acts[i])
	}
	return list
}

// byRule fills everything that is told alarm by alarm.
func (w *work) byRule(f *Figures) {
	f.Rules, f.Chattering, f.Fleeting = []RuleFigures{}, []Repeating{}, []Brief{}
	f.Frequent, f.Stale.Alarms = []Frequent{}, []Lasting{}
	var days staleDays
	list := w.groups()
	for i := range list {
		g := &list[i]
		w.judge(g)
		if len(w.inside) > 0 && g.acts[0].rings() {
			g.Share = float64(g.Activations) / float64(len(w.inside))
		}
		if g.Activations > 0 || g.Longest > 0 {
			f.Rules = append(f.Rules, g.RuleFigures)
		}
		if g.acts[0].rings() {
			w.list(f, g, &days)
		}
	}
	sorting.Func(f.Rules, func(a, b RuleFigures) int {
		return cmp.Or(b.Activations-a.Activations, strings.Compare(a.Rule, b.Rule), cmp.Compare(a.Priority, b.Priority))
	})
	sorting.Func(f.Chattering, func(a, b Repeating) int {
		return cmp.Or(b.Windows-a.Windows, strings.Compare(a.Alarm, b.Alarm))
	})
	sorting.Func(f.Fleeting, func(a, b Brief) int { return cmp.Or(b.Alarms-a.Alarms, strings.Compare(a.Alarm, b.Alarm)) })
	sorting.Func(f.Stale.Alarms, func(a, b Lasting) int {
		return cmp.Or(cmp.Compare(b.Seconds, a.Seconds), strings.Compare(a.Alarm, b.Alarm), a.Start.Compare(b.Start))
	})
	f.Stale.Most, f.Stale.MostOn = days.most()
	f.mostFrequent()
}

// judge works out a group's own figures.
func (w *work) judge(g *group) {
	last := g.acts[len(g.acts)-1]
	g.Rule, g.Point, g.Priority = last.Rule, last.Point, last.Priority
	repeats := w.chatter(g)
	for i := range g.acts {
		a := &g.acts[i]
		if a.start >= w.from {
			g.Activations++
			if !repeats[i] && w.fleeting(g.acts, i) {
				g.Fleeting++
			}
			if repeats[i] {
				g.inside++
			}
		}
		if a.end > w.from {
			g.Active += seconds(a.end - max(a.start, w.from))
			g.Longest = max(g.Longest, seconds(a.end-a.start))
		}
		if w.stale(a) {
			g.Stale++
		}
	}
}

// chatter marks the activations within any minute that holds three starts, exactly a minute included, and counts such
// minutes. One that is complete before the span is not in it.
func (w *work) chatter(g *group) []bool {
	repeats := make([]bool, len(g.acts))
	for i := 0; i+2 < len(g.acts); i++ {
		if g.acts[i+2].start-g.acts[i].start > minute {
			continue
		}
		repeats[i], repeats[i+1], repeats[i+2] = true, true, true
		if g.acts[i+2].start >= w.from {
			if g.Chattering == 0 {
				g.chattery = g.acts[i].start
			}
			g.Chattering++
		}
	}
	return repeats
}

// fleeting reports whether an activation was over soon, by itself, before anybody acknowledged it, and did not come
// again within a minute. How soon is ours: by default a minute, in which hardly anybody can respond. One that chatters
// is not fleeting as well.
func (w *work) fleeting(acts []act, i int) bool {
	a := &acts[i]
	if a.Ending != Returned || a.attended() || a.end == w.to || a.end-a.start > int64(w.o.Fleeting) {
		return false
	}
	return i+1 == len(acts) || acts[i+1].start-a.end > minute
}

// list puts a group that rings where it belongs.
func (w *work) list(f *Figures, g *group, days *staleDays) {
	if g.Activations > 0 {
		f.Different++
		f.Frequent = append(f.Frequent, Frequent{g.Rule, g.Point, g.Activations, g.Share})
	}
	if g.Chattering > 0 {
		f.Chattering = append(f.Chattering, Repeating{g.Rule, g.Chattering, g.inside, moment(g.chattery)})
	}
	if g.Fleeting > 0 {
		f.Fleeting = append(f.Fleeting, Brief{g.Rule, g.Fleeting})
	}
	for i := range g.acts {
		if a := &g.acts[i]; w.stale(a) {
			l := Lasting{Alarm: a.Rule, Start: moment(a.start), Seconds: seconds(a.end - a.start)}
			if a.end < w.to {
				l.End = moment(a.end)
			}
			f.Stale.Alarms = append(f.Stale.Alarms, l)
			days.add(max(a.start+day, w.from), a.end)
		}
	}
}

// mostFrequent keeps the ten that rang most often.
func (f *Figures) mostFrequent() {
	sorting.Func(f.Frequent, func(a, b Frequent) int { return cmp.Or(b.Alarms-a.Alarms, strings.Compare(a.Alarm, b.Alarm)) })
	f.Frequent = slices.Clip(f.Frequent[:min(10, len(f.Frequent))])
	n := 0
	for _, a := range f.Frequent {
		n += a.Alarms
	}
	if f.Alarms > 0 {
		f.FrequentAll = float64(n) / float64(f.Alarms)
	}
}
