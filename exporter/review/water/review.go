package water

import (
	"context"
	"errors"
	"slices"
	"time"

	"roundsman/collector/sorting"
	"roundsman/collector/trendline"
	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
)

// What a plan may lack.
var (
	ErrNoFresh    = errors.New("the plan names no fresh water meter")
	ErrNoVehicles = errors.New("the plan names no count of vehicles")
	ErrNoOpen     = errors.New("the plan does not tell when the wash is open")
)

// Missing says what a plan would need for all figures.
func (p Plan) Missing() []error {
	var errs []error
	for _, c := range []struct {
		lacks bool
		err   error
	}{{len(p.Fresh) == 0, ErrNoFresh}, {!p.Vehicles.Named(), ErrNoVehicles}, {!p.Open.Named() && p.Hours == nil, ErrNoOpen}} {
		if c.lacks {
			errs = append(errs, c.err)
		}
	}
	return errs
}

const (
	defaultSettle = 30 * time.Minute
	leastNight    = 2 * time.Hour
	leastVehicles = 50 // in a day: a meter's pulse of 10 L is then 2 % of 500 L
	month         = 30 // days
)

// Review returns the figures of a span. The error is that of the source or the span.
func Review(ctx context.Context, src minutes.Source, p Plan, span review.Span) (Figures, error) {
	if err := span.Check(); err != nil {
		return Figures{}, err
	}
	if p.Zone == nil {
		p.Zone = time.UTC
	}
	if p.Settle == 0 {
		p.Settle = defaultSettle
	}
	f := Figures{From: span.From.UTC(), To: span.To.UTC(), Days: []Day{}, Tanks: []TankFigures{}, Filters: []FilterFigures{}, Findings: []review.Finding{}}
	w := work{ctx: ctx, src: src, plan: &p, span: span, sights: map[string][]night{}}
	var err error
	if w.open, err = minutes.Open(ctx, src, p.Open, p.Hours, span.From, span.To); err != nil {
		return Figures{}, err
	}
	w.nights = w.nightly()
	for _, part := range []func(*Figures) error{w.use, w.night, w.tanks, w.filters} {
		if err := part(&f); err != nil {
			return Figures{}, err
		}
	}
	f.gone()
	f.Findings = append(f.Findings, findings(&f)...)
	f.Advice = advice(&f, &p)
	return f, nil
}

type work struct {
	ctx    context.Context
	src    minutes.Source
	plan   *Plan
	span   review.Span
	open   *minutes.Mask
	nights []night
	sights map[string][]night // what was seen of them, by point
	seen   []int              // minutes, of each meter of the use
}

func (w *work) each(s minutes.Signal, f func(minutes.Minute)) error {
	return minutes.Each(w.ctx, w.src, s, w.span.From, w.span.To, f)
}

// rise adds up totals over the span; f sees each minute's rise. It is unknown where one of them was not seen at all.
func (w *work) rise(totals []minutes.Signal, f func(at time.Time, litres float64)) (sum minutes.Known, resets int, err error) {
	if totals = named(totals); len(totals) == 0 {
		return minutes.Unknown(), 0, nil
	}
	for _, s := range totals {
		r, err := minutes.Rises(w.ctx, w.src, s, w.span.From, w.span.To, f)
		if err != nil {
			return minutes.Unknown(), 0, err
		}
		if r.Until.Before(w.span.From) {
			sum = minutes.Unknown()
		}
		sum += minutes.Known(r.Total)
		resets += r.Resets
		w.seen = append(w.seen, r.N)
	}
	return sum, resets, nil
}

func (w *work) use(f *Figures) error {
	days := map[string]*Day{}
	into := func(put func(*Day, float64)) func(time.Time, float64) {
		return func(at time.Time, v float64) {
			name := at.In(w.plan.Zone).Format(time.DateOnly)
			if days[name] == nil {
				days[name] = &Day{Day: name}
			}
			put(days[name], v)
		}
	}
	u := &f.Use
	for _, part := range []struct {
		totals []minutes.Signal
		sum    *minutes.Known
		put    func(*Day, float64)
	}{
		{w.plan.Fresh, &u.Fresh, func(d *Day, v float64) { d.Fresh += v }},
		{w.plan.Reclaim, &u.Reclaim, func(d *Day, v float64) { d.Reclaim += v }},
		{[]minutes.Signal{w.plan.Vehicles}, &u.Vehicles, func(d *Day, v float64) { d.Vehicles += v }},
	} {
		sum, resets, err := w.rise(part.totals, into(part.put))
		if err != nil {
			return err
		}
		*part.sum = sum
		u.Resets += resets
	}
	if f.SeenSeconds = minutes.Unknown(); len(w.seen) > 0 {
		f.SeenSeconds = minutes.Known(60 * slices.Min(w.seen))
	}
	for _, d := range days {
		f.Days = append(f.Days, *d)
	}
	sorting.Func(f.Days, func(a, b Day) int {
		if a.Day < b.Day {
			return -1
		}
		return 1
	})
	u.FreshPerVehicle, u.TotalPerVehicle = over(u.Fresh, u.Vehicles), over(u.Fresh+u.Reclaim, u.Vehicles)
	u.Reuse = over(u.Reclaim, u.Reclaim+u.Fresh)
	u.GonePerVehicle = minutes.Unknown()
	u.trend(f.Days)
	return nil
}

// over is a/b, unknown where b is nothing.
func over(a, b minutes.Known) minutes.Known {
	if b == 0 {
		return minutes.Unknown()
	}
	return a / b
}

func (u *Use) trend(days []Day) {
	u.Trend, u.TrendLow, u.TrendHigh = minutes.Unknown(), minutes.Unknown(), minutes.Unknown()
	if !u.Fresh.Is() {
		return
	}
	var x, y []float64
	var first time.Time
	for _, d := range days {
		at, err := time.Parse(time.DateOnly, d.Day)
		if err != nil || d.Vehicles < leastVehicles {
			continue
		}
		if first.IsZero() {
			first = at
		}
		x, y = append(x, at.Sub(first).Hours()/24), append(y, d.Fresh/d.Vehicles)
	}
	if line, err := trendline.Fit(x, y); err == nil { // else fewer than three days
		u.Trend = minutes.Known(month * line.Slope)
		u.TrendLow, u.TrendHigh = minutes.Known(month*line.SlopeLow), minutes.Known(month*line.SlopeHigh)
	}
}

// gone tells what of the fresh water neither stayed in the tanks nor came back.
func (f *Figures) gone() {
	var stored minutes.Known
	for i := range f.Tanks {
		stored += f.Tanks[i].Change
	}
	if len(f.Tanks) > 0 {
		f.Use.GonePerVehicle = over(f.Use.Fresh-stored, f.Use.Vehicles)
	}
}
