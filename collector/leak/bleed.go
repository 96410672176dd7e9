package leak

import (
	"errors"
	"math"
	"time"

	"roundsman/collector"
	"roundsman/collector/trendline"
)

// Steady is how far the leak of a test's first half may be from that of its second, as a share of the whole, for the
// test to count as settled.
//
// Why halves: a choked leak alone makes the logarithm of the absolute pressure a straight line. Air that was just
// compressed also cools to the wall, p = n R T / V falls with T, and that share dies out with the receiver's own time
// constant, some minutes: the line is steeper at first. So a first half that seems to leak more is still cooling. With
// a time constant up to half the test, a test that passes tells at most about an eighth too much. A drift of
// temperature that is slower than the test itself cannot be seen in the pressure: measure the air's temperature then.
const Steady = 0.10

// Sample is one look at the pressure.
type Sample struct {
	At       collector.Moment
	Pressure float64 // bar gauge
	Celsius  float64 // of the air; NaN where it is not known
}

// Bleed is what a bleed-down tells.
type Bleed struct {
	Start         collector.Moment `json:"start"`
	End           collector.Moment `json:"end"`
	StartPressure float64          `json:"startPressure"` // bar gauge, of the fitted line
	EndPressure   float64          `json:"endPressure"`
	// Rate is the leak at the vessel's working pressure, by the exact form over all samples, L/s of free air; Low and
	// High are the ends of its 95 % interval. A reading's noise is in it, a wrong volume is not.
	Rate float64 `json:"rate"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	// First and Second are the leaks by the two halves alone.
	First  float64 `json:"first"`
	Second float64 `json:"second"`
	// Settled: the halves agree within Steady, or within what noise lets them differ.
	Settled bool `json:"settled"`
	// Mean, Sourcebook (times 1.25) and AtStart (exact, at the start's pressure) are the textbook figures between the
	// two ends.
	Mean       float64 `json:"mean"`
	Sourcebook float64 `json:"sourcebook"`
	AtStart    float64 `json:"atStart"`
}

// Why a bleed-down tells nothing.
var (
	ErrShort     = errors.New("fewer than 8 looks at the pressure")
	ErrNotChoked = errors.New("the pressure is so low that leaks are not choked")
	ErrLooks     = errors.New("looks without pressure, without temperature, or out of order")
)

// leastSamples gives each half four.
const leastSamples = 8

// BleedDown returns what a series of pressures tells, taken while nothing filled the vessel or drew from it. The errors
// are those above and what Vessel.Check says.
func BleedDown(v Vessel, s []Sample) (Bleed, error) {
	if err := v.Check(); err != nil {
		return Bleed{}, err
	}
	v = v.Filled()
	l, err := logs(&v, s)
	if err != nil {
		return Bleed{}, err
	}
	middle := l.x[0] + (l.x[len(l.x)-1]-l.x[0])/2
	cut := 0
	for l.x[cut] < middle {
		cut++
	}
	whole, err := trendline.Fit(l.x, l.y)
	first, err1 := trendline.Fit(l.x[:cut], l.y[:cut])
	second, err2 := trendline.Fit(l.x[cut:], l.y[cut:])
	if err := errors.Join(err, err1, err2); err != nil {
		return Bleed{}, err
	}
	return v.bleed(s, &l, whole, first, second), nil
}

// curve is the logarithm of the air's amount over seconds.
type curve struct {
	x, y []float64
	warm float64 // kelvin of free air over the mean kelvin of the air; 1 where that is not known
}

func logs(v *Vessel, s []Sample) (curve, error) {
	if len(s) < leastSamples {
		return curve{}, ErrShort
	}
	c := curve{x: make([]float64, len(s)), y: make([]float64, len(s)), warm: 1}
	known := !math.IsNaN(s[0].Celsius)
	var kelvins float64
	for i, a := range s {
		if i > 0 && a.At <= s[i-1].At || math.IsNaN(a.Pressure) || math.IsInf(a.Pressure, 0) || math.IsNaN(a.Celsius) == known {
			return curve{}, ErrLooks
		}
		if a.Pressure <= Choked {
			return curve{}, ErrNotChoked
		}
		c.x[i] = a.At.Sub(s[0].At).Seconds()
		c.y[i] = math.Log(a.Pressure + v.Atmosphere)
		if known {
			kelvins += a.Celsius - absoluteZero
			c.y[i] -= math.Log(a.Celsius - absoluteZero)
		}
	}
	if known {
		c.warm = (v.Degrees - absoluteZero) / (kelvins / float64(len(s)))
	}
	return c, nil
}

func (v *Vessel) bleed(s []Sample, c *curve, whole, first, second trendline.Line) Bleed {
	at := func(slope float64) float64 { return v.flow(v.Working, -slope) * c.warm }
	b := Bleed{
		Start: s[0].At, End: s[len(s)-1].At,
		Rate: at(whole.Slope), Low: at(whole.SlopeHigh), High: at(whole.SlopeLow),
		First: at(first.Slope), Second: at(second.Slope),
	}
	b.StartPressure, b.EndPressure = v.ends(s)
	noise := at(first.SlopeLow) - at(first.Slope) + at(second.SlopeLow) - at(second.Slope)
	b.Settled = math.Abs(b.First-b.Second) <= max(Steady*math.Abs(b.Rate), noise)
	in := b.End.Sub(b.Start)
	b.Mean = v.Mean(b.StartPressure, b.EndPressure, in)
	b.Sourcebook, b.AtStart = Factor*b.Mean, v.AtStart(b.StartPressure, b.EndPressure, in)
	return b
}

// ends returns the pressure at both ends, by straight lines through the outer eighths so that noise does not decide.
func (v *Vessel) ends(s []Sample) (start, end float64) {
	n := max(3, len(s)/8)
	return edge(s[:n], s[0].At), edge(s[len(s)-n:], s[len(s)-1].At)
}

func edge(s []Sample, at collector.Moment) float64 {
	x, y := make([]float64, len(s)), make([]float64, len(s))
	for i, a := range s {
		x[i], y[i] = a.At.Sub(at).Seconds(), a.Pressure
	}
	line, err := trendline.Fit(x, y)
	if err != nil { // three looks or more at rising times always have a line
		return math.NaN()
	}
	return line.At(0)
}

// Settle returns what the earliest part of the series that reaches its end and is settled tells: up to half of it is cut
// off, an eighth at a time, while it still cools. Where no part is settled, the last half is told as it is, and what is
// left must be at least so long.
func Settle(v Vessel, s []Sample, least time.Duration) (Bleed, error) {
	best, err := BleedDown(v, s)
	if err != nil || best.Settled {
		return best, err
	}
	begin, length := s[0].At, s[len(s)-1].At.Sub(s[0].At)
	for eighth := 1; eighth <= 4; eighth++ {
		from := begin.Add(length * time.Duration(eighth) / 8)
		for len(s) > 0 && s[0].At < from {
			s = s[1:]
		}
		if len(s) < leastSamples || s[len(s)-1].At.Sub(s[0].At) < least {
			break
		}
		if b, err := BleedDown(v, s); err == nil {
			if best = b; b.Settled {
				break
			}
		}
	}
	return best, nil
}
