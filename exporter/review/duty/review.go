package duty

import (
	"context"
	"fmt"
	"math"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
	"roundsman/collector/trendline"
	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
)

const (
	// pace is over which time before the span's end run time is taken to go on, and trends are drawn.
	paceDays = 28
	// leastVehicles is how many make a day count for the trend: few cars, and one long run decides. Common practice, no source.
	leastVehicles = 20
	// leastDays make a trend.
	leastDays = 5
)

// Review returns the figures of a span. Services are told as of now.
func Review(ctx context.Context, src Source, plan Plan, span review.Span, now time.Time) (Figures, error) {
	if err := span.Check(); err != nil {
		return Figures{}, err
	}
	if plan.Zone == nil {
		plan.Zone = time.UTC
	}
	w := work{ctx: ctx, src: src, plan: &plan, span: span, now: now, perDay: map[string]float64{}}
	f := Figures{From: span.From.UTC(), To: span.To.UTC(), Vehicles: minutes.Unknown()}
	if err := w.vehicles(&f); err != nil {
		return f, err
	}
	for i := range plan.Machines {
		m, err := w.machine(&plan.Machines[i])
		if err != nil {
			return f, err
		}
		f.Machines = append(f.Machines, m)
	}
	w.pairs(&f)
	for i := range f.Machines {
		judge(&f.Machines[i])
	}
	return f, nil
}

// work is one review.
type work struct {
	ctx    context.Context
	src    Source
	plan   *Plan
	span   review.Span
	now    time.Time
	days   []review.Span      // whole days of the last 28, in the zone
	perDay map[string]float64 // vehicles by date
	inSpan float64
}

// vehicles counts them in the span and on each of the last days.
func (w *work) vehicles(f *Figures) error {
	y, m, d := w.span.To.In(w.plan.Zone).Date()
	for i := -paceDays; i < 0; i++ {
		w.days = append(w.days, review.Span{From: time.Date(y, m, d+i, 0, 0, 0, 0, w.plan.Zone), To: time.Date(y, m, d+i+1, 0, 0, 0, 0, w.plan.Zone)})
	}
	if !w.plan.Vehicles.Named() {
		return nil
	}
	from := w.days[0].From
	if w.span.From.Before(from) {
		from = w.span.From
	}
	rise, err := minutes.Rises(w.ctx, w.src, w.plan.Vehicles, from, w.span.To, func(at time.Time, n float64) {
		w.perDay[at.In(w.plan.Zone).Format(time.DateOnly)] += n
		if !at.Before(w.span.From) {
			w.inSpan += n
		}
	})
	if !rise.Until.Before(w.span.From) { // else nobody counted
		f.Vehicles = minutes.Known(w.inSpan)
	}
	return err
}

func (w *work) machine(m *Machine) (MachineFigures, error) {
	f := MachineFigures{Equipment: m.Name, Station: m.Station, From: w.span.From.UTC(), To: w.span.To.UTC(),
		Limit: minutes.Unknown(), LeastRest: minutes.Unknown(), EnergyKWh: minutes.Unknown(), StartsSeen: !m.NoStarts, zone: w.plan.Zone,
		MeanRunSeconds: minutes.Unknown(), ShortestSeconds: minutes.Unknown()}
	t, err := w.src.Totals(w.ctx, m.Name, w.span.From, w.span.To)
	if err != nil {
		return f, err
	}
	f.sums(t, m)
	for _, part := range []func(*Machine, *MachineFigures) error{w.runs, w.load, w.recent, w.trend, w.energy, w.jumps} {
		if err := part(m, &f); err != nil {
			return f, err
		}
	}
	f.limit(m)
	w.services(m, &f)
	return f, nil
}

func (f *MachineFigures) sums(t Totals, m *Machine) {
	f.Until = t.Until
	f.RunSeconds, f.StillSeconds, f.UnseenSeconds = t.Run.Seconds(), t.Still.Seconds(), t.Unseen.Seconds()
	f.Duty = ratio(t.Run.Seconds(), (t.Run + t.Still).Seconds())
	f.Starts, f.WorstHour, f.LongestSeconds = t.Starts, t.WorstHour, t.Longest.Seconds()
	if f.MeanRunSeconds = ratio(t.Run.Seconds(), float64(t.Runs)); t.Shortest > 0 {
		f.ShortestSeconds = minutes.Known(t.Shortest.Seconds())
	}
	least := m.LeastRun
	if least <= 0 {
		least = duty.DefaultLeastRun
	}
	f.LeastRunSeconds = least.Seconds()
}

func ratio(a, b float64) minutes.Known {
	if b == 0 {
		return minutes.Unknown()
	}
	return minutes.Known(a / b)
}

// runs looks at each run: short ones, the worst hour's time, what ran while the wash was closed.
func (w *work) runs(m *Machine, f *MachineFigures) error {
	var shut *closing
	if w.plan.Open != nil {
		shut, f.Closed = &closing{open: w.plan.Open}, &Closed{}
	}
	worst := 0
	if end := collector.Earlier(w.span.To, w.now); f.Until.Before(end) { // the record ends there
		f.BoxOffSeconds = min(end.Sub(collector.Later(f.Until, w.span.From)).Seconds(), f.UnseenSeconds)
	}
	for r, err := range w.src.Runs(w.ctx, m.Name, w.span.From, w.span.To) {
		if err != nil {
			return err
		}
		inside := !r.From.Before(w.span.From) && r.From.Before(w.span.To)
		if inside && r.Starts > 0 && r.Hour > worst {
			worst = r.Hour
			ends := r.From
			f.WorstHourEnds = &ends
		}
		if r.Whole && inside && !r.To.After(w.span.To) {
			f.WholeRuns++
			if r.To.Sub(r.From).Seconds() < f.LeastRunSeconds {
				f.ShortRuns++
			}
		}
		if from, to := collector.Later(r.From, w.span.From), collector.Earlier(r.To, w.span.To); r.BoxOff && from.Before(to) {
			f.BoxOffSeconds += to.Sub(from).Seconds()
		}
		if shut == nil || r.Alone {
			continue
		}
		if r.Ran {
			f.Closed.RunSeconds += shut.within(collector.Later(r.From, w.span.From), collector.Earlier(r.To, w.span.To)).Seconds()
		}
		if inside && r.Starts > 0 && shut.at(r.From) {
			f.Closed.Starts += r.Starts
		}
	}
	return nil
}

// closing knows when the wash is closed; it is quick when asked in order of time.
type closing struct {
	open     Hours
	from, to collector.Moment // of the stretch asked about last
	inside   bool
}

func (c *closing) find(m collector.Moment) {
	if c.from <= m && m < c.to {
		return
	}
	c.inside, c.to = c.open.At(m)
	c.from = m
}

func (c *closing) at(t time.Time) bool {
	c.find(collector.At(t))
	return !c.inside
}

// within returns how much of a stretch it was closed.
func (c *closing) within(from, to time.Time) time.Duration {
	var sum time.Duration
	for a, z := collector.At(from), collector.At(to); a < z; {
		c.find(a)
		end := min(z, c.to)
		if !c.inside {
			sum += end.Sub(a)
		}
		a = end
	}
	return sum
}

func (w *work) load(m *Machine, f *MachineFigures) error {
	if m.Load == nil {
		return nil
	}
	t, err := w.src.Totals(w.ctx, m.Load.Name, w.span.From, w.span.To)
	if err != nil {
		return err
	}
	f.Load = &LoadFigures{Cycles: t.Starts, LoadedSeconds: t.Run.Seconds(), UnseenSeconds: t.Unseen.Seconds(), Factor: ratio(t.Run.Seconds(), f.RunSeconds), WorstHour: t.WorstHour, Limit: minutes.Unknown()}
	if blind := t.Unseen.Seconds() - f.UnseenSeconds; blind > unseenShare*f.RunSeconds {
		f.Load.Factor = minutes.Unknown()
	}
	if m.Load.PerHour > 0 {
		f.Load.Limit = minutes.Known(m.Load.PerHour)
	}
	return nil
}

// recent takes the pace of the last days.
func (w *work) recent(m *Machine, f *MachineFigures) (err error) {
	f.recent, err = w.src.Totals(w.ctx, m.Name, w.span.To.AddDate(0, 0, -paceDays), w.span.To)
	return err
}

// trend draws the line through the run time for each vehicle, day by day.
func (w *work) trend(m *Machine, f *MachineFigures) error {
	if !w.plan.Vehicles.Named() {
		return nil
	}
	f.PerVehicle = &PerVehicle{Seconds: ratio(f.RunSeconds, w.inSpan)}
	var x, y []float64
	for i, day := range w.days {
		cars := w.perDay[day.From.Format(time.DateOnly)]
		if cars < leastVehicles {
			continue
		}
		t, err := w.src.Totals(w.ctx, m.Name, day.From, day.To)
		if err != nil {
			return err
		}
		if t.Run+t.Still == 0 || t.Unseen > day.Length()/20 {
			continue // what was not seen would look like a machine that ran less
		}
		x, y = append(x, float64(i)), append(y, t.Run.Seconds()/cars)
	}
	f.PerVehicle.Days = len(x)
	if len(x) < leastDays {
		return nil
	}
	if line, err := trendline.Fit(x, y); err == nil {
		f.PerVehicle.Trend = &line
	}
	return nil
}

// energy takes the meter's figure, or reckons with the rated power.
func (w *work) energy(m *Machine, f *MachineFigures) error {
	switch {
	case m.Energy.Named() && m.Power:
		var mean minutes.Mean
		n := 0
		if err := minutes.Each(w.ctx, w.src, m.Energy, w.span.From, w.span.To, func(q minutes.Minute) { mean.Add(q); n++ }); err != nil || n == 0 {
			return err
		}
		f.EnergyKWh, f.EnergyFrom = minutes.Known(mean.Value()*float64(n)/60), "power meter"
	case m.Energy.Named():
		rise, err := minutes.Rises(w.ctx, w.src, m.Energy, w.span.From, w.span.To, nil)
		if err != nil || rise.Until.Before(w.span.From) {
			return err
		}
		f.EnergyKWh, f.EnergyFrom = minutes.Known(rise.Total), "energy meter"
	case m.RatedKW > 0:
		share := m.Share
		if share == 0 {
			share = 1
		}
		hours := f.RunSeconds / 3600
		f.EnergyKWh, f.EnergyFrom = minutes.Known(m.RatedKW*share*hours), "rated power"
		if f.Load != nil && !f.Load.Factor.Is() && f.RunSeconds > 0 {
			f.EnergyKWh, f.EnergyFrom = minutes.Unknown(), "" // neither loaded nor unloaded is known
			return nil
		}
		if f.Load != nil {
			loaded := min(f.Load.LoadedSeconds/3600, hours)
			f.EnergyKWh = minutes.Known(m.RatedKW * (share*loaded + m.Load.Unloaded*(hours-loaded)))
		}
	}
	return nil
}

// limit finds how often the motor may start in an hour.
func (f *MachineFigures) limit(m *Machine) {
	poles := m.Poles
	if poles == 0 {
		poles = duty.DefaultPoles
	}
	table, err := duty.AllowedStarts(m.RatedKW, poles, 0)
	if err == nil {
		f.LeastRest = minutes.Known(table.Rest.Seconds())
	}
	switch {
	case m.StartsPerHour > 0:
		f.Limit, f.LimitFrom = minutes.Known(m.StartsPerHour), "site file"
	case err == nil:
		f.Limit, f.LimitFrom = minutes.Known(table.PerHour), fmt.Sprintf("NEMA MG 10, %d poles, %g hp", poles, table.Row)
	}
}

// services tells when each is expected at the pace of the last days: of the time that was seen, it runs such a share.
func (w *work) services(m *Machine, f *MachineFigures) {
	for _, s := range m.Services {
		d := ServiceDue{Service: s.Name, Hours: s.Due.Hours()}
		if !s.Last.IsZero() {
			last := s.Last.UTC()
			d.Last = &last
		}
		if pace := ratio(f.recent.Run.Seconds(), (f.recent.Run + f.recent.Still).Seconds()); pace.Is() && pace > 0 {
			if in := math.Max(0, s.Due.Hours()) / float64(pace); in < 24*365*100 {
				at := w.now.Add(time.Duration(in * float64(time.Hour))).UTC()
				d.Expected = &at
			}
		}
		f.Services = append(f.Services, d)
	}
}

// pairs compares each machine with the one it shares its work with.
func (w *work) pairs(f *Figures) {
	run := map[string]float64{}
	for i := range f.Machines {
		run[f.Machines[i].Equipment] = f.Machines[i].RunSeconds
	}
	for i := range w.plan.Machines {
		with := w.plan.Machines[i].Pair
		other, ok := run[with]
		if !ok {
			continue
		}
		own := f.Machines[i].RunSeconds
		p := &PairFigures{With: with, Share: ratio(own, own+other), ran: own + other}
		p.Even = !p.Share.Is() || p.Share >= 0.4 && p.Share <= 0.6
		f.Machines[i].Pair = p
	}
}

// jumps asks what became of meters.
func (w *work) jumps(m *Machine, f *MachineFigures) (err error) {
	f.Jumps = []string{}
	if src, ok := w.src.(Jumper); ok {
		f.Jumps, err = src.Jumps(w.ctx, m.Name, w.span.From, w.span.To)
	}
	return err
}
