package draw

import (
	"html/template"
	"time"
)

// frame is the plot's two axes.
type frame struct {
	from, to, step, hold int64 // milliseconds
	scale                scale
}

// share returns where a time lies, as a share of the width.
func (f *frame) share(ms int64) share {
	if f.to <= f.from {
		return 0
	}
	return share(float64(ms-f.from) / float64(f.to-f.from))
}

func (f *frame) x(ms int64) float64 { return wide * float64(f.share(ms)) }

// runs cuts the steps of the span where they have gaps. What is out of order, or no number, is left out as a gap.
func (f *frame) runs(steps []Step) (list []run) {
	last := int64(0)
	for i := range steps {
		s := &steps[i]
		if !s.drawable() || s.Milli+f.step <= f.from || s.Milli >= f.to || len(list) > 0 && s.Milli <= last {
			continue
		}
		n := len(list)
		if n > 0 && list[n-1].last == i && s.Milli-last <= f.hold {
			list[n-1].last++
		} else {
			list = append(list, run{i, i + 1})
		}
		last = s.Milli
	}
	return list
}

// course draws the range between smallest and largest, and the mean.
func (f *frame) course(c *canvas, steps []Step, runs []run) {
	var within, mean pen
	for _, r := range runs {
		part := steps[r.first:r.last]
		if f.varies(part) {
			f.outline(&within, part)
		}
		f.line(&mean, part)
	}
	if path := within.path(); path != "" {
		c.put(`<path class="range" fill="currentColor" d="`, path, `"/>`)
	}
	if path := mean.path(); path != "" {
		c.put(`<path class="mean" fill="none" stroke="currentColor" vector-effect="non-scaling-stroke" d="`, path, `"/>`)
	}
}

// varies reports whether smallest and largest are apart in the drawing.
func (f *frame) varies(part []Step) bool {
	for i := range part {
		if tenths(f.scale.y(part[i].Min)) != tenths(f.scale.y(part[i].Max)) {
			return true
		}
	}
	return false
}

// middle returns where a step's value stands: the middle of its time.
func (f *frame) middle(s *Step) float64 { return f.x(s.Milli + f.step/2) }

// line draws a run from the beginning of its first step to the end of its last, so that one alone is seen too.
func (f *frame) line(p *pen, part []Step) {
	first, last := &part[0], &part[len(part)-1]
	p.move(f.x(first.Milli), f.scale.y(first.Mean))
	for i := range part {
		p.line(f.middle(&part[i]), f.scale.y(part[i].Mean))
	}
	p.line(f.x(last.Milli+f.step), f.scale.y(last.Mean))
}

// outline goes along the largest values and back along the smallest.
func (f *frame) outline(p *pen, part []Step) {
	first, last := &part[0], &part[len(part)-1]
	p.move(f.x(first.Milli), f.scale.y(first.Max))
	for i := range part {
		p.line(f.middle(&part[i]), f.scale.y(part[i].Max))
	}
	end := f.x(last.Milli + f.step)
	p.line(end, f.scale.y(last.Max))
	p.line(end, f.scale.y(last.Min))
	for i := len(part) - 1; i >= 0; i-- {
		p.line(f.middle(&part[i]), f.scale.y(part[i].Min))
	}
	p.line(f.x(first.Milli), f.scale.y(first.Min))
	p.close()
}

// Trace is the course of a value without axes, for one line of a sheet: its mean, its gaps and nothing else.
type Trace struct {
	From, To   time.Time
	Step, Hold time.Duration // as in Trend
	Steps      []Step
	Limits     []Limit // drawn where the course comes near them; they do not stretch it
	Least      float64 // the least height in the value's unit, so that noise does not look like a storm
}

const traceHeight = 16

// SVG returns the drawing, "" if there is nothing to draw. It is hidden from those who do not see it: the line beside it
// tells the value.
func (t *Trace) SVG() template.HTML {
	whole := Trend{Step: t.Step, Hold: t.Hold, Steps: t.Steps}
	f := &frame{from: t.From.UnixMilli(), to: t.To.UnixMilli(), step: t.Step.Milliseconds(), hold: whole.hold()}
	runs := f.runs(t.Steps)
	if len(runs) == 0 {
		return ""
	}
	f.scale = whole.extent(runs).scale(t.Least, traceHeight)
	c := &canvas{b: make([]byte, 0, 512)}
	c.put(`<svg class="trace" aria-hidden="true" viewBox="0 0 `, wide/10, ` `, traceHeight, `" preserveAspectRatio="none">`)
	for _, l := range t.Limits {
		if drawable(l.Value) && l.Value > f.scale.low && l.Value < f.scale.high {
			c.put(`<path class="limit" stroke="currentColor" vector-effect="non-scaling-stroke" d="M0 `, f.scale.y(l.Value), `h`, wide/10, `"/>`)
		}
	}
	var p pen
	for _, r := range runs {
		part := t.Steps[r.first:r.last]
		p.move(f.x(part[0].Milli)/10, f.scale.y(part[0].Mean))
		for i := range part {
			p.line(f.middle(&part[i])/10, f.scale.y(part[i].Mean))
		}
		p.line(f.x(part[len(part)-1].Milli+f.step)/10, f.scale.y(part[len(part)-1].Mean))
	}
	c.put(`<path class="mean" fill="none" stroke="currentColor" vector-effect="non-scaling-stroke" d="`, p.path(), `"/></svg>`)
	return c.html()
}
