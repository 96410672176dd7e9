package air

import (
	"context"
	"errors"
	"math"
	"time"

	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
)

// ErrNoPressure and ErrNoLoaded say what a plan lacks.
var (
	ErrNoPressure = errors.New("the plan names no header pressure")
	ErrNoLoaded   = errors.New("the plan names no point that tells that the compressor is loaded")
)

// Missing says what a plan would need for all figures.
func (p Plan) Missing() []error {
	var errs []error
	if !p.Pressure.Named() {
		errs = append(errs, ErrNoPressure)
	}
	if !p.Loaded.Named() {
		errs = append(errs, ErrNoLoaded)
	}
	return errs
}

// Review returns the figures of a span. The error is that of the source or the span.
func Review(ctx context.Context, src Source, p Plan, span review.Span) (Figures, error) {
	if err := span.Check(); err != nil {
		return Figures{}, err
	}
	f := Figures{From: span.From.UTC(), To: span.To.UTC(), Findings: []review.Finding{}, Advice: []string{}}
	open, err := minutes.Open(ctx, src, p.Open, p.Hours, span.From, span.To)
	if err != nil {
		return Figures{}, err
	}
	w := work{ctx: ctx, src: src, plan: &p, span: span, open: open}
	if f.Pressure, err = w.pressure(); err != nil {
		return Figures{}, err
	}
	if f.Load, err = w.load(); err != nil {
		return Figures{}, err
	}
	if f.Leak, err = w.leak(); err != nil {
		return Figures{}, err
	}
	f.Findings = append(f.Findings, findings(&f)...)
	f.Advice = append(f.Advice, advice(&f, &p)...)
	return f, nil
}

type work struct {
	ctx  context.Context
	src  Source
	plan *Plan
	span review.Span
	open *minutes.Mask
}

// opened reports whether the wash was seen open.
func (w *work) opened(at time.Time) bool {
	so, seen := w.open.At(at)
	return so && seen
}

// closed reports whether it was seen closed.
func (w *work) closed(at time.Time) bool {
	so, seen := w.open.At(at)
	return seen && !so
}

func (w *work) each(s minutes.Signal, f func(minutes.Minute)) error {
	return minutes.Each(w.ctx, w.src, s, w.span.From, w.span.To, f)
}

func (w *work) pressure() (Pressure, error) {
	limit := w.plan.Minimum
	if limit == 0 {
		limit = math.NaN()
	}
	all, open := minutes.Mean{Below: math.NaN()}, minutes.Mean{Below: limit}
	err := w.each(w.plan.Pressure, func(m minutes.Minute) {
		all.Add(m)
		if w.opened(m.At) {
			open.Add(m)
		}
	})
	f := Pressure{
		Mean: minutes.Known(all.Value()), MeanOpen: minutes.Known(open.Value()), Min: minutes.Known(open.Least()), Max: minutes.Known(all.Most()),
		Minimum: minutes.Known(limit), BelowSeconds: minutes.Unknown(), Dips: open.Dips,
		OpenSeconds: minutes.Known(60 * open.Minutes), SeenSeconds: minutes.Known(60 * all.Minutes),
	}
	if !math.IsNaN(limit) && open.Minutes > 0 {
		f.BelowSeconds = minutes.Known(open.TimeBelow().Seconds())
	}
	return f, err
}

// cycles are loadings.
type cycles struct {
	n, closed int
	worst     int
	worstEnds time.Time
}

func (c *cycles) figures(f *Load) {
	f.Cycles, f.WorstHour = c.n, c.worst
	if c.worst > 0 {
		at := c.worstEnds.UTC()
		f.WorstHourEnds = &at
	}
}

// loadings counts them by the record; none where it does not follow that machine's load.
func (w *work) loadings() (c cycles, err error) {
	src, ok := w.src.(Loader)
	if !ok || w.plan.LoadedOf == "" {
		return c, nil
	}
	var busiest minutes.Busiest
	for l, err := range src.Loadings(w.ctx, w.plan.LoadedOf, w.span.From, w.span.To) {
		if err != nil {
			return c, err
		}
		c.n += l.N
		if w.closed(l.At) {
			c.closed += l.N
		}
		if l.N == 1 { // nobody knows when several were that were not seen apart
			busiest.Add(l.At)
		}
	}
	c.worst, c.worstEnds = busiest.Most, busiest.Ends
	return c, nil
}

// minuteCount is what the minutes of the load tell.
type minuteCount struct {
	loaded, seen, running, runLoaded float64 // minutes
	closed                           int     // minutes seen closed
	cycles                           cycles
}

func (w *work) byMinutes() (n minuteCount, err error) {
	var ons minutes.Ons
	var busiest minutes.Busiest
	turning := map[int64]float64{} // share of the minutes in which the motor turned, where it did
	err = w.each(w.plan.Running, func(m minutes.Minute) {
		if m.Mean > 0 {
			turning[m.At.Unix()/60] = m.Mean
		}
	})
	if err != nil {
		return n, err
	}
	err = w.each(w.plan.Loaded, func(m minutes.Minute) {
		n.seen++
		n.loaded += m.Mean
		if r := turning[m.At.Unix()/60]; r > 0 {
			n.running += r
			n.runLoaded += min(m.Mean, r)
		}
		closed := w.closed(m.At)
		if closed {
			n.closed++
		}
		if ons.Add(m) {
			busiest.Add(m.At)
			if closed {
				n.cycles.closed++
			}
		}
	})
	n.cycles.n, n.cycles.worst, n.cycles.worstEnds = ons.N, busiest.Most, busiest.Ends
	return n, err
}

func (w *work) load() (Load, error) {
	n, err := w.byMinutes()
	if err != nil {
		return Load{}, err
	}
	c, err := w.loadings()
	if err != nil {
		return Load{}, err
	}
	atLeast := c.n < n.cycles.n // the record follows the load for a part of the span only, or not at all
	if atLeast || c.n == 0 {
		c, atLeast = n.cycles, true
	}
	f := Load{
		LoadedSeconds: minutes.Known(60 * n.loaded), RunningSeconds: minutes.Unknown(), SeenSeconds: minutes.Known(60 * n.seen),
		Factor: minutes.Unknown(), Share: ratio(n.loaded, n.seen), AtLeast: atLeast, CyclesPerHour: minutes.Unknown(),
		ClosedPerHour:  ratio(60*float64(c.closed), float64(n.closed)),
		MeanLoadSecond: ratio(60*n.loaded, float64(c.n)), MeanUse: minutes.Unknown(),
	}
	c.figures(&f)
	if n.seen == 0 {
		f.LoadedSeconds = minutes.Unknown()
	} else if w.plan.Running.Named() {
		f.RunningSeconds, f.Factor = minutes.Known(60*n.running), ratio(n.runLoaded, n.running)
		f.CyclesPerHour = ratio(60*float64(c.n), n.running)
	}
	if w.plan.Delivery > 0 && f.Share.Is() {
		f.MeanUse = minutes.Known(w.plan.Delivery) * f.Share
	}
	return f, nil
}

// ratio is a over b, unknown where b is nothing.
func ratio(a, b float64) minutes.Known {
	if b == 0 {
		return minutes.Unknown()
	}
	return minutes.Known(a / b)
}
