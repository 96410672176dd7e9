package draw

import (
	"fmt"
	"html/template"
)

// Bar is one bar. A value that is not known is NaN and is hatched, never zero.
type Bar struct {
	Label string // below it: 'Sat 28', '06'
	Value float64
	Words string // said when one points at it; "" for label and value
}

// Bars are amounts side by side, from zero up, against limits.
type Bars struct {
	ID          string // within the page
	Title, Desc string // for those who do not see them; without Desc they say the largest and what is above a limit
	Unit        string
	Digits      int
	Bars        []Bar
	Limits      []Limit
	Height      int // in pixels; 0: 180
}

const (
	usualBars = 180
	barShare  = 0.7 // of its place that a bar fills
)

// SVG returns the drawing. What is below zero is drawn as zero.
func (b *Bars) SVG() template.HTML {
	height := max(b.Height, leastHeight)
	if b.Height <= 0 {
		height = usualBars
	}
	t := &Trend{Unit: b.Unit, Limits: b.Limits}
	f := &frame{scale: b.scale(float64(height - trendTop - trendBottom))}
	id := plainID(b.ID)
	c := &canvas{}
	c.open("bars", id, height, b.Title, b.desc())
	c.hatch(id)
	t.values(c, f)
	for i := range b.Bars {
		b.bar(c, f, i, id)
	}
	b.labels(c, height)
	t.limits(c, f)
	c.put(`</svg>`)
	return c.html()
}

func (b *Bars) scale(height float64) scale {
	e := nothing()
	for i := range b.Bars {
		e.add(b.Bars[i].Value)
	}
	for _, l := range b.Limits {
		e.add(l.Value)
	}
	top := 1.0
	if !e.empty() && e.high > 0 {
		top = 1.08 * e.high
	}
	return scale{0, top, height}
}

// over reports whether a value is above the nearest limit.
func (b *Bars) over(v float64) bool {
	for _, l := range b.Limits {
		if v > l.Value {
			return true
		}
	}
	return false
}

func (b *Bars) bar(c *canvas, f *frame, i int, id string) {
	bar, room := &b.Bars[i], 1/float64(len(b.Bars))
	x, width := share((float64(i)+(1-barShare)/2)*room), share(barShare*room)
	said := bar.Words
	if !drawable(bar.Value) {
		if said == "" {
			said = bar.Label + ": not known"
		}
		c.put(`<rect class="unseen" fill="url(#`, id, `-h)" x="`, x, `" y="`, trendTop, `" width="`, width, `" height="`, f.scale.height, `"><title>`, words(said), `</title></rect>`)
		return
	}
	if said == "" {
		said = bar.Label + ": " + valueWords(bar.Value, b.Digits, b.Unit)
	}
	class := "amount"
	if b.over(bar.Value) {
		class = "amount over"
	}
	y := f.scale.y(max(bar.Value, 0))
	c.put(`<rect class="`, class, `" fill="currentColor" x="`, x, `" y="`, trendTop+y, `" width="`, width, `" height="`, f.scale.height-y, `"><title>`, words(said), `</title></rect>`)
}

// labels writes the bars' labels: about mostTicks of them, every second only where there is room.
func (b *Bars) labels(c *canvas, height int) {
	every := max(1, (len(b.Bars)+mostTicks-1)/mostTicks)
	c.put(`<g class="axis">`)
	for i, n := 0, 0; i < len(b.Bars); i, n = i+every, n+1 {
		c.put(`<text`)
		if n%2 == 1 {
			c.put(` class="alt"`)
		}
		c.put(` x="`, share((float64(i)+0.5)/float64(len(b.Bars))), `" y="`, height-5, `" text-anchor="middle">`, words(b.Bars[i].Label), `</text>`)
	}
	c.put(`</g>`)
}

func (b *Bars) desc() string {
	if b.Desc != "" {
		return b.Desc
	}
	most, over, unknown := -1, 0, 0
	for i := range b.Bars {
		switch v := b.Bars[i].Value; {
		case !drawable(v):
			unknown++
			continue
		case b.over(v):
			over++
		}
		if most < 0 || b.Bars[i].Value > b.Bars[most].Value {
			most = i
		}
	}
	if most < 0 {
		return "Nothing is known."
	}
	s := fmt.Sprintf("Most: %s, %s", b.Bars[most].Label, valueWords(b.Bars[most].Value, b.Digits, b.Unit))
	for _, l := range b.Limits {
		s += "; limit: " + l.Words
	}
	if len(b.Limits) > 0 {
		s += fmt.Sprintf("; %d above", over)
	}
	if unknown > 0 {
		s += fmt.Sprintf("; %d not known", unknown)
	}
	return s + "."
}
