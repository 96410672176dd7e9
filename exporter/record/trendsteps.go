package record

import (
	"context"
	"fmt"
	"math"
	"time"
)

// Step is the smallest, mean and largest value of a span of time, in the trend's unit.
type Step struct {
	Milli          int64 // when it begins: UTC, in milliseconds since 1970
	Min, Mean, Max float64
}

// MostSteps is how many steps may be asked for at once.
const MostSteps = 20_000

// From these steps on the figures of minutes and hours are fine enough.
const (
	minuteSteps = 2 * time.Minute
	hourSteps   = 2 * time.Hour
)

// ErrSteps is wrapped by the error of steps that cannot be.
var ErrSteps = fmt.Errorf("steps must be of at least a millisecond, and %d at most", MostSteps)

// Steps returns the span from up to to in steps that begin at from. Steps without a value that could be used are left
// out: a gap stays a gap. Long steps are made of the figures of minutes or hours, which count for the step in which they
// begin; where the readings are not kept any more, their minutes stand for them, and the days for the minutes.
func (t *Trend) Steps(ctx context.Context, from, to time.Time, step time.Duration) ([]Step, error) {
	lo, hi, width := from.UnixMilli(), to.UnixMilli(), step.Milliseconds()
	if width < 1 || hi < lo || (hi-lo)/width >= MostSteps {
		return nil, t.r.fail("read", ErrSteps)
	}
	s := &stepper{from: lo, to: hi, width: width, steps: make([]stepSum, (hi-lo+width-1)/width)}
	if err := t.fill(ctx, s, from, to, step); err != nil {
		return nil, err
	}
	return s.list(), nil
}

func (t *Trend) fill(ctx context.Context, s *stepper, from, to time.Time, step time.Duration) error {
	oldest, err := t.oldest(ctx)
	if err != nil {
		return t.r.fail("read", reason(err))
	}
	if err := t.addDays(ctx, s, s.from, min(oldest.minutes, s.to)); err != nil {
		return t.r.fail("read", reason(err))
	}
	from = later(from, oldest.minutes)
	switch {
	case step >= hourSteps:
		return t.addHours(ctx, s, from)
	case step >= minuteSteps:
		return t.addMinutes(ctx, s, from, to)
	}
	raw := later(from, oldest.readings)
	if raw.After(to) {
		raw = to
	}
	if from.Before(raw) {
		if err := t.addMinutes(ctx, s, from, raw); err != nil {
			return err
		}
	}
	for r, err := range t.Readings(ctx, raw, to) {
		if err != nil {
			return err
		}
		if r.Quality.Usable() {
			s.add(r.Milli, r.Value, r.Value, r.Value, 1)
		}
	}
	return nil
}

func later(t time.Time, ms int64) time.Time {
	if ms > t.UnixMilli() {
		return time.UnixMilli(ms)
	}
	return t
}

// bounds are since when readings and minutes are kept, in milliseconds; far away where there are none.
type bounds struct{ readings, minutes int64 }

func (t *Trend) oldest(ctx context.Context) (b bounds, err error) {
	if t.shared != nil {
		b.readings = t.shared.oldest
	} else if b.readings, err = t.r.oldestReading(ctx); err != nil {
		return b, err
	}
	b.minutes = b.readings
	for id := range t.series {
		var hour int64
		if err := t.r.queryRow(ctx, `SELECT coalesce(min(hour), ?2) FROM minutes WHERE series = ?1`, id, math.MaxInt32).Scan(&hour); err != nil {
			return b, err
		}
		if hour < math.MaxInt32 {
			b.minutes = min(b.minutes, hour*hourMillis)
		}
	}
	return b, nil
}

func (t *Trend) addMinutes(ctx context.Context, s *stepper, from, to time.Time) error {
	for f, err := range t.Minutes(ctx, from, to) {
		if err != nil {
			return err
		}
		if !math.IsNaN(f.Mean) {
			s.add(f.Milli, f.Min, f.Mean, f.Max, 1)
		}
	}
	return nil
}

// addHours adds the whole hours on the disk, and the minutes of those that are not.
func (t *Trend) addHours(ctx context.Context, s *stepper, from time.Time) error {
	live, err := t.liveHours(ctx, from.UnixMilli(), s.to)
	if err != nil {
		return t.r.fail("read", reason(err))
	}
	told := map[int64]bool{}
	for _, h := range live {
		told[h.hour] = h.whole
		for _, f := range h.list {
			if !math.IsNaN(f.Mean) && f.Milli >= from.UnixMilli() {
				s.add(f.Milli, f.Min, f.Mean, f.Max, 1)
			}
		}
	}
	for _, id := range t.ids() {
		rows, err := t.hours(ctx, hourColumns, id, -floorDiv(-from.UnixMilli(), hourMillis), hourOf(s.to-1)+1)
		if err != nil {
			return t.r.fail("read", reason(err))
		}
		scale := t.series[id]
		for _, h := range rows {
			if h.usable > 0 && !told[h.hour] {
				f := Figures{h.hour * hourMillis, h.min, h.mean, h.max, h.last, 0}
				f.scale(&scale)
				s.add(f.Milli, f.Min, f.Mean, f.Max, perHour)
			}
		}
	}
	return nil
}

func (t *Trend) addDays(ctx context.Context, s *stepper, lo, hi int64) error {
	days, err := t.days(ctx, lo, hi)
	for _, d := range days {
		if !math.IsNaN(d.Mean) {
			s.add(d.Milli, d.Min, d.Mean, d.Max, 24*perHour)
		}
	}
	return err
}

// stepper sums values into steps.
type stepper struct {
	from, to, width int64
	steps           []stepSum
}

type stepSum struct{ min, max, sum, weight float64 }

func (s *stepper) add(ms int64, low, mean, high, weight float64) {
	if ms < s.from || ms >= s.to {
		return
	}
	b := &s.steps[(ms-s.from)/s.width]
	if b.weight == 0 {
		b.min, b.max = low, high
	}
	b.min, b.max = min(b.min, low), max(b.max, high)
	b.sum += mean * weight
	b.weight += weight
}

func (s *stepper) list() []Step {
	list := []Step{}
	for i, b := range s.steps {
		if b.weight > 0 {
			list = append(list, Step{s.from + int64(i)*s.width, b.min, b.sum / b.weight, b.max})
		}
	}
	return list
}
