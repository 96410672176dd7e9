package panel

import (
	"fmt"
	"math"
	"strings"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/rules"
)

// bar is where a value stands between its limits, for a small drawing.
// Places are percent of the drawing's width.
type bar struct {
	From, To      float64 // the ends of the drawing, in the point's unit
	Band, BandEnd float64 // the place between the nearest limits
	Ticks         []tick
	Needle        float64
	HasNeedle     bool
	Words         string // the same in words, for those who do not see it
}

// BandWidth is the width of the band in percent.
func (b *bar) BandWidth() float64 { return b.BandEnd - b.Band }

type tick struct {
	At    float64
	Outer bool // low-low or high-high
}

// limits are a point's fixed limits; NaN where there is none.
type limits struct{ lowLow, low, high, highHigh float64 }

func noLimits() limits { return limits{math.NaN(), math.NaN(), math.NaN(), math.NaN()} }

// add takes in one rule; of two of a kind the nearer one counts.
func (l *limits) add(r *rules.Rule) {
	switch r.Kind {
	case rules.Low:
		l.low = farther(l.low, r.Limit, 1)
	case rules.LowLow:
		l.lowLow = farther(l.lowLow, r.Limit, 1)
	case rules.High:
		l.high = farther(l.high, r.Limit, -1)
	case rules.HighHigh:
		l.highHigh = farther(l.highHigh, r.Limit, -1)
	}
}

// farther returns the greater of two by sign, whichever is a number.
func farther(a, b, sign float64) float64 {
	if math.IsNaN(a) || b*sign > a*sign {
		return b
	}
	return a
}

func firstNumber(values ...float64) float64 {
	for _, v := range values {
		if !math.IsNaN(v) {
			return v
		}
	}
	return math.NaN()
}

// newBar returns the drawing of a reading between its limits, nil if there is
// nothing to stand between: no limit and no instrument range.
func newBar(p *collector.Point, l limits, r *collector.Reading) *bar {
	from, to := ends(p, l)
	if p.Kind != collector.Number || !(to > from) || math.IsInf(to-from, 0) {
		return nil
	}
	b := &bar{From: from, To: to, Band: 0, BandEnd: 100}
	if low := firstNumber(l.low, l.lowLow); !math.IsNaN(low) {
		b.Band = b.place(low)
	}
	if high := firstNumber(l.high, l.highHigh); !math.IsNaN(high) {
		b.BandEnd = max(b.Band, b.place(high))
	}
	for i, v := range []float64{l.lowLow, l.low, l.high, l.highHigh} {
		if !math.IsNaN(v) {
			b.Ticks = append(b.Ticks, tick{b.place(v), i == 0 || i == 3})
		}
	}
	if r.Quality.Usable() && number(r.Value) != nil {
		b.Needle, b.HasNeedle = b.place(r.Value), true
	}
	b.Words = barWords(p, l)
	return b
}

// place returns where a value lies, held within the drawing, to a tenth of a percent.
func (b *bar) place(v float64) float64 {
	return math.Round(1000*min(max((v-b.From)/(b.To-b.From), 0), 1)) / 10
}

// ends returns the ends of the drawing. A range much wider than its limits would
// press them into a corner, so high limits bring the end nearer.
func ends(p *collector.Point, l limits) (from, to float64) {
	from, to = p.Low, p.High
	bottom, top := firstNumber(l.lowLow, l.low), firstNumber(l.highHigh, l.high)
	const margin = 0.35 // of the span between the outermost limits, on each side
	switch {
	case !math.IsNaN(bottom) && !math.IsNaN(top):
		room := margin * (top - bottom)
		return within(from, bottom-room, 1), within(to, top+room, -1)
	case !math.IsNaN(bottom) && bottom > 0:
		return firstNumber(from, 0), firstNumber(to, 2.5*bottom)
	case !math.IsNaN(top) && top > 0:
		return firstNumber(from, 0), within(to, 1.4*top, -1)
	}
	return from, to
}

// within returns want, but not beyond the instrument's end where there is one.
func within(end, want, sign float64) float64 {
	if !math.IsNaN(end) && end*sign > want*sign {
		return end
	}
	return want
}

func barWords(p *collector.Point, l limits) string {
	var parts []string
	for _, w := range []struct {
		name  string
		value float64
	}{{"low-low", l.lowLow}, {"low", l.low}, {"high", l.high}, {"high-high", l.highHigh}} {
		if !math.IsNaN(w.value) {
			parts = append(parts, w.name+" "+quantity(w.value, p.Digits, p.Unit))
		}
	}
	if len(parts) == 0 {
		return fmt.Sprintf("no limits; range %s to %s", decimal(p.Low, p.Digits), quantity(p.High, p.Digits, p.Unit))
	}
	return "limits: " + strings.Join(parts, ", ")
}

// limitsOf returns the limits of every point of a site, by point. One that counts only while something
// else holds must not hide the point's own: it stands where there is no other of its kind.
func limitsOf(site *exporter.Site) []limits {
	own, sometimes := make([]limits, len(site.Points)), make([]limits, len(site.Points))
	for i := range own {
		own[i], sometimes[i] = noLimits(), noLimits()
	}
	for i := range site.Rules {
		r, into := &site.Rules[i], own
		if len(r.While) > 0 {
			into = sometimes
		}
		if int(r.Point) >= 0 && int(r.Point) < len(into) {
			into[r.Point].add(r)
		}
	}
	for i, l := range sometimes {
		o := &own[i]
		*o = limits{firstNumber(o.lowLow, l.lowLow), firstNumber(o.low, l.low), firstNumber(o.high, l.high), firstNumber(o.highHigh, l.highHigh)}
	}
	return own
}
