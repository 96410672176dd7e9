package leak

import (
	"math"
	"slices"
	"time"

	"roundsman/collector"
)

// Kept is all that a tester knows, to be written down as JSON and given to Restore.
type Kept struct {
	Seen     collector.Moment `json:"seen"`     // of the last look that told something
	Idle     collector.Moment `json:"idle"`     // since when nothing draws air; 0: something does
	Unloaded collector.Moment `json:"unloaded"` // since when the compressor gives nothing; 0: it does
	Rested   collector.Moment `json:"rested"`   // end of the last test; 0: none
	Series   series           `json:"series,omitzero"`
	Cycles   Cycles           `json:"cycles,omitzero"`
	Last     *Result          `json:"last,omitempty"`
	Past     []Past           `json:"past,omitempty"` // settled results, oldest first
}

// Past is a settled result of before.
type Past struct {
	At   collector.Moment `json:"at"`
	Rate float64          `json:"rate"`
}

// Keep returns all the tester knows.
func (t *Tester) Keep() Kept {
	k := t.k
	k.Series.List = slices.Clone(k.Series.List)
	k.Past = slices.Clone(k.Past)
	k.Cycles.List = slices.Clone(k.Cycles.List)
	if k.Last != nil {
		last := *k.Last
		k.Last = &last
	}
	return k
}

// Restore continues from what was kept. The time since then is out of sight: if it was long, the test that was under
// way begins anew.
func (t *Tester) Restore(k Kept) {
	t.k = k
	t.k = t.Keep() // of our own
}

// Shifted returns what was kept with all its moments moved; those that are 0 mean none and stay.
func (k Kept) Shifted(by time.Duration) Kept {
	move := func(m *collector.Moment) {
		if *m != 0 {
			*m = m.Add(by)
		}
	}
	t := Tester{k: k}
	k = t.Keep()
	for _, m := range []*collector.Moment{&k.Seen, &k.Idle, &k.Unloaded, &k.Rested, &k.Cycles.Begun, &k.Cycles.Now.From} {
		move(m)
	}
	for i := range k.Cycles.List {
		move(&k.Cycles.List[i].From)
	}
	for i := range k.Series.List {
		move(&k.Series.List[i].At)
		move(&k.Series.List[i].From)
	}
	for i := range k.Past {
		move(&k.Past[i].At)
	}
	if k.Last != nil {
		move(&k.Last.Start)
		move(&k.Last.End)
	}
	return k
}

// Last returns the newest result, false while there is none.
func (t *Tester) Last() (Result, bool) {
	if t.k.Last == nil {
		return Result{}, false
	}
	return *t.k.Last, true
}

// A result is usual against those of 28 days, but for those of its own last day: a leak that steps up overnight is not
// compared with itself.
const (
	ownDay    = 24 * time.Hour
	usualDays = 28 * 24 * time.Hour
	mostPast  = 512
	leastPast = 3
)

func (k *Kept) remember(at collector.Moment, rate float64) {
	k.Past = append(k.Past, Past{at, rate})
	k.Past = slices.DeleteFunc(k.Past, func(p Past) bool { return at.Sub(p.At) > usualDays })
	if n := len(k.Past); n > mostPast {
		k.Past = slices.Delete(k.Past, 0, n-mostPast)
	}
}

// Usual returns the median of the settled results of the 28 days before the newest result, without its last day, L/s;
// false while there are fewer than three.
func (t *Tester) Usual() (float64, bool) {
	k := &t.k
	if k.Last == nil {
		return 0, false
	}
	var rates []float64
	for _, p := range k.Past {
		if k.Last.End.Sub(p.At) > ownDay {
			rates = append(rates, p.Rate)
		}
	}
	if len(rates) < leastPast {
		return 0, false
	}
	slices.Sort(rates)
	n := len(rates)
	return (rates[(n-1)/2] + rates[n/2]) / 2, true
}

// Cycles are the load cycles while nothing draws air, from one unloading to the next: the newest since the last result.
type Cycles struct {
	List []cycle `json:"list,omitempty"` // whole ones, oldest first

	Begun   collector.Moment `json:"begun"`   // of the cycle under way; 0: no unloading was seen
	Loading bool             `json:"loading"` // as last seen
	Now     cycle            `json:"now"`     // the cycle under way
}

// cycle is one load cycle, or several together.
type cycle struct {
	From     collector.Moment `json:"from"`
	Loaded   time.Duration    `json:"loaded"`
	Unloaded time.Duration    `json:"unloaded"`
	Bars     float64          `json:"bars"` // pressure times seconds
}

// mostCycles are taken together, so that what was before a leak grew is soon forgotten.
const mostCycles = 12

// pass counts time at a pressure to the state last seen.
func (c *Cycles) pass(d time.Duration, bar float64) {
	if c.Loading {
		c.Now.Loaded += d
	} else {
		c.Now.Unloaded += d
	}
	c.Now.Bars += bar * d.Seconds()
}

// unload ends a cycle if it was seen whole, and begins the next.
func (c *Cycles) unload(now collector.Moment) {
	if !c.Loading {
		return // it was not loaded when the quiet began
	}
	if c.Begun != 0 {
		if c.List = append(c.List, c.Now); len(c.List) > mostCycles {
			c.List = c.List[1:]
		}
	}
	c.Loading, c.Begun, c.Now = false, now, cycle{From: now}
}

// sum returns the whole cycles as one.
func (c *Cycles) sum() (all cycle) {
	for i, k := range c.List {
		if i == 0 {
			all.From = k.From
		}
		all.Loaded += k.Loaded
		all.Unloaded += k.Unloaded
		all.Bars += k.Bars
	}
	return all
}

// series is the pressure over a bleed-down: means over short spans of time, twice as long whenever they become many.
type series struct {
	Width  time.Duration `json:"width"`
	List   []bucket      `json:"list,omitempty"`
	Lowest float64       `json:"lowest"` // bar gauge, of a whole bucket
	End    float64       `json:"end"`    // of the last look
}

// bucket is the mean of N looks.
type bucket struct {
	At     collector.Moment `json:"at"`    // mean time
	From   collector.Moment `json:"from"`  // of the first look
	Bar    float64          `json:"bar"`   // mean
	Kelvin float64          `json:"k"`     // mean; 0: some look had none
	Looks  int              `json:"looks"` // 1 or more
}

const (
	firstWidth  = 2 * time.Second
	mostBuckets = 128
)

func (s *series) add(l Look) {
	if s.Width == 0 {
		s.Width, s.Lowest = firstWidth, math.MaxFloat64
	}
	s.End = l.Pressure
	kelvin := l.Celsius - absoluteZero
	if math.IsNaN(kelvin) {
		kelvin = 0
	}
	if n := len(s.List); n > 0 && l.At.Sub(s.List[n-1].From) < s.Width {
		s.List[n-1].join(bucket{l.At, l.At, l.Pressure, kelvin, 1})
		return
	}
	if n := len(s.List); n > 0 {
		s.Lowest = min(s.Lowest, s.List[n-1].Bar)
	} else {
		s.Lowest = l.Pressure
	}
	s.List = append(s.List, bucket{l.At, l.At, l.Pressure, kelvin, 1})
	if len(s.List) > mostBuckets {
		s.halve()
	}
}

// halve joins neighbours into spans of twice the width.
func (s *series) halve() {
	s.Width *= 2
	kept := s.List[:0]
	for i := 0; i < len(s.List); i += 2 {
		b := s.List[i]
		if i+1 < len(s.List) {
			b.join(s.List[i+1])
		}
		kept = append(kept, b)
	}
	s.List = kept
}

func (b *bucket) join(o bucket) {
	n := b.Looks + o.Looks
	w := float64(o.Looks) / float64(n)
	b.At += collector.Moment(w * float64(o.At-b.At))
	b.Bar += w * (o.Bar - b.Bar)
	if b.Kelvin == 0 || o.Kelvin == 0 {
		b.Kelvin = 0
	} else {
		b.Kelvin += w * (o.Kelvin - b.Kelvin)
	}
	b.Looks = n
}

// untilLowest drops the end from the lowest mean on: there something began to fill.
func (s *series) untilLowest() {
	low := 0
	for i := range s.List {
		if s.List[i].Bar < s.List[low].Bar {
			low = i
		}
	}
	s.List = s.List[:low]
}

func (s *series) length() time.Duration {
	if len(s.List) == 0 {
		return 0
	}
	return s.List[len(s.List)-1].At.Sub(s.List[0].At)
}

func (s *series) fall() float64 {
	if len(s.List) == 0 {
		return 0
	}
	return s.List[0].Bar - s.List[len(s.List)-1].Bar
}

// samples returns the means. The temperature counts only where it was always known.
func (s *series) samples() []Sample {
	out := make([]Sample, len(s.List))
	known := !slices.ContainsFunc(s.List, func(b bucket) bool { return b.Kelvin == 0 })
	for i, b := range s.List {
		out[i] = Sample{b.At, b.Bar, math.NaN()}
		if known {
			out[i].Celsius = b.Kelvin + absoluteZero
		}
	}
	return out
}
