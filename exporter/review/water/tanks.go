package water

import (
	"math"
	"slices"
	"time"

	"roundsman/exporter/review/minutes"
)

// lastHour is the time at the end of the span that tells the present use: minutes the wash was open, and how far back
// they are looked for.
const lastHour = 60

func (w *work) tanks(f *Figures) error {
	present := w.present()
	for i := range w.plan.Tanks {
		t, err := w.tank(&w.plan.Tanks[i], present)
		if err != nil {
			return err
		}
		f.Tanks = append(f.Tanks, t)
	}
	return nil
}

// present returns the stretch from the first to the last of the newest sixty minutes open.
func (w *work) present() minutes.Stretch {
	to := w.span.To.Truncate(time.Minute)
	var s minutes.Stretch
	n := 0
	for at := to.Add(-time.Minute); !at.Before(w.span.From) && n < lastHour; at = at.Add(-time.Minute) {
		if open, _ := w.open.At(at); open {
			if n == 0 {
				s.To = at.Add(time.Minute)
			}
			s.From = at
			n++
		} else if n > 0 {
			break // of one opening
		}
	}
	return s
}

// content follows a volume: over the span, and at the ends of the nights and of the present.
type content struct {
	minutes.Mean
	nights  []ends // of those that are told, by night
	present ends
}

// ends are what was there in the first and the last minute seen of a stretch.
type ends struct {
	seen       bool
	begin, end float64
}

func (e *ends) add(v float64) {
	if !e.seen {
		e.seen, e.begin = true, v
	}
	e.end = v
}

func (w *work) content(s minutes.Signal, nights []night, present minutes.Stretch) (*content, error) {
	c := &content{Mean: minutes.Mean{Below: math.NaN()}, nights: make([]ends, len(nights))}
	err := w.each(s, func(m minutes.Minute) {
		c.Add(m)
		if i := find(nights, m.At); i >= 0 {
			c.nights[i].add(m.Mean)
		}
		if holds(present, m.At) {
			c.present.add(m.Mean)
		}
	})
	return c, err
}

func holds(s minutes.Stretch, at time.Time) bool { return !at.Before(s.From) && at.Before(s.To) }

func (w *work) tank(t *Tank, present minutes.Stretch) (TankFigures, error) {
	nights, err := w.seenNights(named(slices.Concat([]minutes.Signal{t.Volume}, t.In, t.Out))...)
	if err != nil {
		return TankFigures{}, err
	}
	c, err := w.content(t.Volume, nights, present)
	if err != nil {
		return TankFigures{}, err
	}
	in, err := w.flow(t.In, nights, present)
	if err != nil {
		return TankFigures{}, err
	}
	out, err := w.flow(t.Out, nights, present)
	if err != nil {
		return TankFigures{}, err
	}
	f := TankFigures{Name: t.Name, Begin: minutes.Unknown(), End: minutes.Unknown(), Least: minutes.Known(c.Least()), In: in.all, Out: out.all}
	if c.Minutes > 0 {
		f.Begin, f.End = minutes.Known(c.First), minutes.Known(c.Final)
	}
	f.Change = f.End - f.Begin
	f.balance(c.Minutes > 0)
	f.NightLossPerHour = nightLoss(c, in, out, nights)
	f.lasts(t, c, in, out, present)
	return f, nil
}

// flow is what a tank's meters on one side saw.
type flow struct {
	all     minutes.Known
	night   []float64 // by night
	present float64
}

func (w *work) flow(totals []minutes.Signal, nights []night, present minutes.Stretch) (flow, error) {
	f := flow{night: make([]float64, len(nights))}
	nightly := within(nights, f.night)
	var err error
	f.all, _, err = w.rise(totals, func(at time.Time, v float64) {
		nightly(at, v)
		if holds(present, at) {
			f.present += v
		}
	})
	return f, err
}

// balance closes the span: what ran in either ran out, or is there.
func (f *TankFigures) balance(seen bool) {
	f.Missing, f.Error, f.Unmetered = minutes.Unknown(), minutes.Unknown(), minutes.Unknown()
	if !seen {
		return
	}
	switch in, out := f.In.Is(), f.Out.Is(); {
	case in && out:
		f.Missing = f.In - f.Out - f.Change
		f.Error = over(f.Missing, f.In)
	case in:
		f.Unmetered = f.In - f.Change // ran out
	case out:
		f.Unmetered = f.Out + f.Change // ran in
	}
}

// nightLoss is what went at night beyond the meters.
func nightLoss(c *content, in, out flow, nights []night) minutes.Known {
	var lost, hours float64
	for i, n := range nights {
		if e := c.nights[i]; e.seen {
			lost += in.night[i] - out.night[i] - (e.end - e.begin)
			hours += n.length().Hours()
		}
	}
	return over(minutes.Known(lost), minutes.Known(hours))
}

// lasts tells how long the tank lasts at present use if nothing runs in.
func (f *TankFigures) lasts(t *Tank, c *content, in, out flow, present minutes.Stretch) {
	f.UsePerHour, f.HoursToEmpty = minutes.Unknown(), minutes.Unknown()
	hours := present.Length().Hours()
	if !c.present.seen || hours == 0 {
		return
	}
	fell := c.present.begin - c.present.end
	used := out.present
	switch {
	case out.all.Is():
	case in.all.Is():
		used = in.present + fell
	default:
		used = fell
	}
	f.UsePerHour = minutes.Known(max(used, 0) / hours)
	if f.UsePerHour > 0 {
		f.HoursToEmpty = max(f.End-minutes.Known(t.Unused), 0) / f.UsePerHour
	}
}
