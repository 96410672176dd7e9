package draw

import (
	"fmt"
	"html/template"
	"math"
	"time"
)

// Step is the smallest, mean and largest value of a stretch of time. Steps without a value are left out.
type Step struct {
	Milli          int64 // when it begins: UTC, in milliseconds since 1970
	Min, Mean, Max float64
}

func (s *Step) drawable() bool { return drawable(s.Min) && drawable(s.Mean) && drawable(s.Max) }

// Limit is a line that a value should stay on one side of.
type Limit struct {
	Value float64
	Words string // 'low 5.50 bar'
	Outer bool   // the farther one of two, low-low or high-high: drawn stronger
}

// Mark is a value of the axis with a word of its own.
type Mark struct {
	Value float64
	Words string
}

// Trend is the course of a value over a span of time.
type Trend struct {
	ID          string // within the page, letters, digits and hyphens
	Title, Desc string // for those who do not see it; without Desc it says the lowest and highest value and the gaps
	From, To    time.Time
	Step        time.Duration  // the length of each step
	Hold        time.Duration  // two steps that begin farther apart have a gap between them; 0: one and a half steps
	Zone        *time.Location // of the time axis; nil: UTC
	Unit        string         // as it is shown
	Digits      int            // decimals worth telling in words
	Steps       []Step         // in rising order
	Limits      []Limit
	Marks       []Mark  // instead of round values: 0 'stopped', 1 'running'
	Low, High   float64 // the axis reaches at least so far, if High is above Low
	Least       float64 // the least height of the axis, so that noise does not look like a storm
	Height      int     // in pixels; 0: 260
	Source      string  // where a script may get the values for its read-out; "" nowhere
}

const (
	trendTop    = 18 // room for the unit
	trendBottom = 22 // room for the time
	usualHeight = 260
	leastHeight = 80
	// mostTicks is how many words fit below on a desk; on a phone every second is shown.
	mostTicks = 8
)

// run is a part of the steps without a gap, [first, last).
type run struct{ first, last int }

// SVG returns the drawing.
func (t *Trend) SVG() template.HTML {
	height := max(t.Height, leastHeight)
	if t.Height <= 0 {
		height = usualHeight
	}
	f := &frame{from: t.From.UnixMilli(), to: t.To.UnixMilli(), step: t.Step.Milliseconds(), hold: t.hold()}
	runs := f.runs(t.Steps)
	f.scale = t.extent(runs).scale(t.Least, float64(height-trendTop-trendBottom))

	id := plainID(t.ID)
	c := &canvas{b: make([]byte, 0, 4096+16*len(t.Steps))}
	attributes := []any{` data-from="`, f.from, `" data-to="`, f.to, `"`}
	if t.Source != "" {
		attributes = append(attributes, ` data-source="`, words(t.Source), `" data-unit="`, words(t.Unit), `" data-digits="`, t.Digits, `" data-hold="`, f.hold, `"`)
	}
	c.open("trend", id, height, t.Title, t.desc(runs), attributes...)
	c.hatch(id)
	t.values(c, f)
	t.times(c, f, height)
	t.gaps(c, f, runs, id)
	c.put(`<svg class="plot" y="`, trendTop, `" width="100%" height="`, f.scale.height, `" viewBox="0 0 `, wide, ` `, f.scale.height, `" preserveAspectRatio="none">`)
	f.course(c, t.Steps, runs)
	c.put(`</svg>`)
	t.limits(c, f)
	c.put(`</svg>`)
	return c.html()
}

func (t *Trend) hold() int64 {
	if t.Hold > 0 {
		return max(t.Hold.Milliseconds(), 1)
	}
	return max(t.Step.Milliseconds()*3/2, 1)
}

// extent returns what the value axis must reach.
func (t *Trend) extent(runs []run) extent {
	e := nothing()
	for _, r := range runs {
		for i := r.first; i < r.last; i++ {
			e.add(t.Steps[i].Min)
			e.add(t.Steps[i].Max)
		}
	}
	for _, l := range t.Limits {
		e.add(l.Value)
	}
	for _, m := range t.Marks {
		e.add(m.Value)
	}
	if t.High > t.Low {
		e.add(t.Low)
		e.add(t.High)
	}
	return e
}

// desc says in words what is drawn.
func (t *Trend) desc(runs []run) string {
	if t.Desc != "" {
		return t.Desc
	}
	if len(runs) == 0 {
		return "Nothing that could be used was kept of this span."
	}
	e := nothing()
	for _, r := range runs {
		for i := r.first; i < r.last; i++ {
			e.add(t.Steps[i].Min)
			e.add(t.Steps[i].Max)
		}
	}
	s := fmt.Sprintf("Lowest %s, highest %s", valueWords(e.low, t.Digits, t.Unit), valueWords(e.high, t.Digits, t.Unit))
	switch n := len(runs) - 1; {
	case n == 1:
		s += ", one gap"
	case n > 1:
		s += fmt.Sprintf(", %d gaps", n)
	}
	for _, l := range t.Limits {
		s += "; limit: " + l.Words
	}
	return s + "."
}

// values draws the value axis.
func (t *Trend) values(c *canvas, f *frame) {
	marks := t.Marks
	if len(marks) == 0 {
		list, digits := f.scale.ticks(int(f.scale.height / 40))
		for _, v := range list {
			marks = append(marks, Mark{v, decimal(v, digits)})
		}
	}
	c.put(`<g class="axis">`)
	for _, m := range marks {
		if drawable(m.Value) {
			y := trendTop + f.scale.y(m.Value)
			c.put(`<line class="grid" x2="100%" y1="`, y, `" y2="`, y, `" stroke="currentColor"/><text x="-6" y="`, y+4, `" text-anchor="end">`, words(m.Words), `</text>`)
		}
	}
	if t.Unit != "" {
		c.put(`<text class="unit" x="-6" y="10" text-anchor="end">`, words(t.Unit), `</text>`)
	}
	c.put(`</g>`)
}

// times draws the time axis.
func (t *Trend) times(c *canvas, f *frame, height int) {
	c.put(`<g class="axis">`)
	for i, k := range timeTicks(t.From, t.To, t.Zone, mostTicks) {
		x := f.share(k.at.UnixMilli())
		c.put(`<line class="grid" x1="`, x, `" x2="`, x, `" y1="`, trendTop, `" y2="`, height-trendBottom+4, `" stroke="currentColor"/><text`)
		if i%2 == 1 {
			c.put(` class="alt"`)
		}
		c.put(` x="`, x, `" y="`, height-5, `" text-anchor="`, anchor(x), `">`, words(k.word), `</text>`)
	}
	c.put(`</g>`)
}

// anchor keeps words at the right end within the drawing.
func anchor(x share) string {
	if x > 0.96 {
		return "end"
	}
	return "middle"
}

// hatched is the least gap that is worth a hatching, as a share of the width; less is a break of the line.
const hatched = 0.005

// gaps hatches where nothing is known.
func (t *Trend) gaps(c *canvas, f *frame, runs []run, id string) {
	if f.to <= f.from {
		return
	}
	c.put(`<g class="gap" fill="url(#`, id, `-h)">`)
	gap := func(from, to int64) {
		x, end := f.share(max(from, f.from)), f.share(min(to, f.to))
		if end-x >= hatched {
			c.put(`<rect x="`, x, `" y="`, trendTop, `" width="`, end-x, `" height="`, f.scale.height, `"/>`)
		}
	}
	at := f.from
	for i, r := range runs {
		if begin := t.Steps[r.first].Milli; i > 0 || begin-at >= f.hold {
			gap(at, begin)
		}
		at = t.Steps[r.last-1].Milli + f.step
	}
	if len(runs) == 0 || f.to-at >= f.hold {
		gap(at, f.to)
	}
	c.put(`</g>`)
}

// limits draws the limits with their words above the line, apart from each other, at the old end of the course.
func (t *Trend) limits(c *canvas, f *frame) {
	const line = 13 // height of one line of words
	var taken []float64
	for _, l := range t.Limits {
		if !drawable(l.Value) {
			continue
		}
		y := trendTop + f.scale.y(l.Value)
		class := "limit"
		if l.Outer {
			class = "limit outer"
		}
		c.put(`<g class="`, class, `"><line x2="100%" y1="`, y, `" y2="`, y, `" stroke="currentColor" stroke-dasharray="6 4"/><text x="4" y="`, apart(y-4, line, taken), `">`, words(l.Words), `</text></g>`)
		taken = append(taken, apart(y-4, line, taken))
	}
}

// apart returns the place at y or next below it that is a line away from all that are taken.
func apart(y, line float64, taken []float64) float64 {
	for range taken {
		for _, other := range taken {
			if math.Abs(y-other) < line-0.01 {
				y = other + line
			}
		}
	}
	return y
}
