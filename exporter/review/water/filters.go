package water

import (
	"time"

	"roundsman/exporter/review/minutes"
)

const (
	flows       = 0.01             // bar of difference that tell flow, where no state does
	outer       = 10               // minutes of flow before and after a backwash
	clearsAfter = 3 * time.Minute  // bubbles read as turbidity until then
	clearsFor   = 10 * time.Minute // looked at after that, and before a backwash
)

func (w *work) filters(f *Figures) error {
	for i := range w.plan.Filters {
		r, err := w.filter(&w.plan.Filters[i])
		if err != nil {
			return err
		}
		f.Filters = append(f.Filters, r)
	}
	return nil
}

func (w *work) filter(p *Filter) (FilterFigures, error) {
	f := FilterFigures{Name: p.Name}
	washes, washing, err := w.backwashes(p)
	if err != nil {
		return f, err
	}
	flowing, err := w.flowing(p)
	if err != nil {
		return f, err
	}
	if err := w.difference(p, &f, washing, flowing); err != nil {
		return f, err
	}
	if err := w.between(p, &f, washes); err != nil {
		return f, err
	}
	return f, w.turbidity(p, &f, washes, flowing)
}

// backwashes returns when each ran, and the minutes in which one did.
func (w *work) backwashes(p *Filter) ([]minutes.Stretch, *minutes.Mask, error) {
	var list []minutes.Stretch
	washing := minutes.NewMask(w.span.From, w.span.To)
	var ons minutes.Ons
	err := w.each(p.Backwash, func(m minutes.Minute) {
		began := ons.Add(m)
		if m.Max <= 0.5 {
			return
		}
		washing.Set(m.At, true)
		to := m.At.Add(time.Minute)
		if n := len(list); n > 0 && !began {
			list[n-1].To = to
		} else if began {
			list = append(list, minutes.Stretch{From: m.At, To: to})
		}
	})
	return list, washing, err
}

// flowing returns the minutes in which water went through at some time.
func (w *work) flowing(p *Filter) (*minutes.Mask, error) {
	k := minutes.NewMask(w.span.From, w.span.To)
	s, least := p.Flowing, 0.5
	if !s.Named() {
		s, least = p.Difference, flows
	}
	err := w.each(s, func(m minutes.Minute) { k.Set(m.At, m.Max > least) })
	return k, err
}

// difference takes of each minute of flow its highest: pumps that run for part of a minute make a mean mean nothing.
func (w *work) difference(p *Filter, f *FilterFigures, washing, flowing *minutes.Mask) error {
	var all, clean, dirty minutes.Mean
	var recent []float64 // of the last minutes of flow
	left := 0            // minutes of flow that are still the first after a backwash
	err := w.each(p.Difference, func(m minutes.Minute) {
		if wash, _ := washing.At(m.At); wash {
			for _, v := range recent {
				dirty.Add(minutes.Minute{Mean: v})
			}
			recent, left = recent[:0], outer
			return
		}
		if flow, _ := flowing.At(m.At); !flow {
			return
		}
		top := minutes.Minute{At: m.At, Min: m.Max, Mean: m.Max, Max: m.Max, Last: m.Max}
		all.Add(top)
		if left > 0 {
			left--
			clean.Add(top)
		}
		if recent = append(recent, m.Max); len(recent) > outer {
			recent = recent[1:]
		}
	})
	f.Difference, f.Most = minutes.Known(all.Value()), minutes.Known(all.Most())
	f.Clean, f.Dirty = minutes.Known(clean.Value()), minutes.Known(dirty.Value())
	return err
}

// between tells time and water from one backwash to the next.
func (w *work) between(p *Filter, f *FilterFigures, washes []minutes.Stretch) error {
	f.Backwashes = len(washes)
	f.BackwashHours, f.OpenHours, f.BackwashLitres, f.SinceBackwash = minutes.Unknown(), minutes.Unknown(), minutes.Unknown(), minutes.Unknown()
	n := len(washes)
	if n > 0 {
		f.SinceBackwash = minutes.Known(w.span.To.Sub(washes[n-1].To).Hours())
	}
	if n < 2 {
		return nil
	}
	first, last := washes[0].From, washes[n-1].From
	f.BackwashHours = minutes.Known(last.Sub(first).Hours() / float64(n-1))
	if w.plan.Open.Named() || w.plan.Hours != nil {
		open := 0
		for at := first.Truncate(time.Minute); at.Before(last); at = at.Add(time.Minute) {
			if so, _ := w.open.At(at); so {
				open++
			}
		}
		f.OpenHours = minutes.Known(float64(open) / 60 / float64(n-1))
	}
	var litres float64
	through, _, err := w.rise([]minutes.Signal{p.Through}, func(at time.Time, v float64) {
		if !at.Before(first) && at.Before(last) {
			litres += v
		}
	})
	if through.Is() {
		f.BackwashLitres = minutes.Known(litres / float64(n-1))
	}
	return err
}

func (w *work) turbidity(p *Filter, f *FilterFigures, washes []minutes.Stretch, flowing *minutes.Mask) error {
	var before, after, dirty, clean minutes.Mean
	while := func(a *minutes.Mean) func(minutes.Minute) {
		return func(m minutes.Minute) {
			if flow, _ := flowing.At(m.At); flow {
				a.Add(m)
			}
		}
	}
	if err := w.each(p.Before, while(&before)); err != nil {
		return err
	}
	add := while(&after)
	next := 0 // the first backwash that has not ended long ago
	err := w.each(p.After, func(m minutes.Minute) {
		add(m)
		for next < len(washes) && !m.At.Before(washes[next].To.Add(clearsAfter+clearsFor)) {
			next++
		}
		if next == len(washes) {
			return
		}
		s := washes[next]
		switch {
		case !m.At.Before(s.From.Add(-clearsFor)) && m.At.Before(s.From):
			dirty.Add(m)
		case !m.At.Before(s.To.Add(clearsAfter)):
			clean.Add(m)
		}
	})
	f.TurbidityBefore, f.TurbidityAfter = minutes.Known(before.Value()), minutes.Known(after.Value())
	f.Passed = over(f.TurbidityAfter, f.TurbidityBefore)
	f.DirtyTurbidity, f.CleanTurbidity = minutes.Known(dirty.Value()), minutes.Known(clean.Value())
	return err
}
