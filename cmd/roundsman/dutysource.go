package main

import (
	"context"
	"errors"
	"iter"
	"slices"
	"strings"
	"time"

	"roundsman/collector"
	collected "roundsman/collector/duty"
	"roundsman/collector/units"
	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
	"roundsman/exporter/review/duty"
	"roundsman/exporter/review/minutes"
)

// dutySource gives the duty review what the record holds.
type dutySource struct {
	*record.Reader
	now    time.Time
	trends map[string]*record.Trend // of the points that are read together
}

// sourceOf returns a source that reads the minutes of a review's points together: what is still in windows of a span, which
// hold all points, is unpacked once for the review.
func sourceOf(ctx context.Context, r *record.Reader, points []string, span review.Span, now time.Time) (dutySource, error) {
	s := dutySource{r, now, map[string]*record.Trend{}}
	for t, err := range r.Trends(ctx, points, span.From, span.To) {
		if err != nil {
			return s, err
		}
		s.trends[t.Point] = t
	}
	return s, nil
}

// trend returns what is kept of a point.
func (s dutySource) trend(ctx context.Context, point string) (*record.Trend, error) {
	if t := s.trends[point]; t != nil {
		return t, nil
	}
	return s.Trend(ctx, point)
}

// notYet is how far the record may lag behind a box that is alive.
const notYet = 4 * countersEvery

// Totals returns the sums of a span; see duty.Source. What the record does not reach is unseen: the box is off.
func (s dutySource) Totals(ctx context.Context, equipment string, from, to time.Time) (duty.Totals, error) {
	d, err := s.Duty(ctx, equipment, from, to)
	if errors.Is(err, record.ErrNoEquipment) {
		return duty.Totals{}, nil
	}
	if err != nil {
		return duty.Totals{}, err
	}
	t := duty.Totals{Run: d.Run, Still: d.Still, Unseen: d.Unseen, Starts: d.Starts, Runs: d.Runs, Longest: d.Longest, Shortest: d.Shortest, WorstHour: d.WorstHour, Until: d.Until}
	if end := collector.Earlier(to, s.now); d.Until.Before(end.Add(-notYet)) {
		t.Unseen += end.Sub(collector.Later(d.Until, from))
	}
	return t, nil
}

// Runs returns the intervals that touch a span; see duty.Source.
func (s dutySource) Runs(ctx context.Context, equipment string, from, to time.Time) iter.Seq2[duty.Run, error] {
	return func(yield func(duty.Run, error) bool) {
		for i, err := range s.Intervals(ctx, equipment, from, to) {
			if errors.Is(err, record.ErrNoEquipment) {
				return
			}
			r := duty.Run{From: i.Begin, To: i.End, Ran: i.Kind == collected.Ran, Whole: i.Kind == collected.Ran && i.New && i.Stopped, Starts: i.Starts, Hour: i.Hour, Alone: i.Alone(), BoxOff: i.BoxOff()}
			if !yield(r, err) || err != nil {
				return
			}
		}
	}
}

// Minutes returns the minute figures of a point; see minutes.Source.
func (s dutySource) Minutes(ctx context.Context, point string, from, to time.Time) iter.Seq2[minutes.Minute, error] {
	return func(yield func(minutes.Minute, error) bool) {
		t, err := s.trend(ctx, point)
		if errors.Is(err, record.ErrNoTrend) {
			return
		}
		if err != nil {
			yield(minutes.Minute{}, err)
			return
		}
		for f, err := range t.Minutes(ctx, from, to) {
			if !yield(minutes.Minute{At: f.Time(), Min: f.Min, Mean: f.Mean, Max: f.Max, Last: f.Last}, err) || err != nil {
				return
			}
		}
	}
}

// dutyPlan returns what the site file says of the machines of these names, of all without one.
func dutyPlan(site *configs.Site, names []string, due func(spec *collected.Spec) []duty.Service) duty.Plan {
	plan := duty.Plan{Zone: site.Zone, Open: site.Review.Open, Vehicles: signalOf(site, site.Review.Vehicles, "")}
	for i := range site.Equipment {
		s := &site.Equipment[i]
		if len(names) > 0 && !contains(names, s.Name) {
			continue
		}
		m := duty.Machine{Name: s.Name, Station: s.Station, Pair: s.Pair, RatedKW: s.RatedKW, Share: s.Share, StartsPerHour: s.StartsPerHour,
			Poles: s.Poles, NoStarts: s.Hours != nil && s.Starts == nil, LeastRun: s.LeastRun, Services: due(s)}
		if l := s.Load; l != nil {
			m.Load = &duty.Load{Name: collected.LoadName(s.Name), PerHour: l.PerHour, Unloaded: l.Unloaded}
		}
		if m.Energy = signalOf(site, s.Energy, "kWh"); !m.Energy.Named() {
			m.Energy = signalOf(site, s.Energy, "kW")
			m.Power = m.Energy.Named()
		}
		plan.Machines = append(plan.Machines, m)
	}
	return plan
}

func contains(names []string, name string) bool {
	for _, n := range names {
		if n == name {
			return true
		}
	}
	return false
}

// signalOf returns a point as a signal in a unit, "" for its own; none where there is no point or it has another quantity.
func signalOf(site *configs.Site, id collector.PointID, unit string) minutes.Signal {
	if id < 0 || int(id) >= len(site.Points) {
		return minutes.Signal{}
	}
	p := &site.Points[id]
	if unit == "" {
		return minutes.Signal{Point: p.Name}
	}
	from, err := units.Parse(p.Unit)
	if err != nil {
		return minutes.Signal{}
	}
	to, err := units.Parse(unit)
	if err != nil {
		return minutes.Signal{}
	}
	factor, err := units.ConvertDifference(from, to)
	if err != nil {
		return minutes.Signal{}
	}
	return minutes.Signal{Point: p.Name, Factor: factor}
}

// servicesOnRecord returns what is due of each machine as the record has it.
func servicesOnRecord(ctx context.Context, r *record.Reader) (func(*collected.Spec) []duty.Service, error) {
	state, err := r.State(ctx)
	if err != nil {
		return nil, err
	}
	done, err := r.Services(ctx)
	if err != nil {
		return nil, err
	}
	list := newServices()
	for _, s := range done {
		list.take(s)
	}
	return func(spec *collected.Spec) []duty.Service {
		var out []duty.Service
		for _, d := range list.due(spec, state.Duty[spec.Name].Run) {
			out = append(out, duty.Service{Name: d.Service, Every: seconds(d.EverySeconds), Due: seconds(d.DueSeconds), Last: d.LastTime})
		}
		return out
	}, nil
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// reviewDuty reviews machines over a span from the record.
func reviewDuty(ctx context.Context, r *record.Reader, site *configs.Site, names []string, from, to, now time.Time) (duty.Figures, error) {
	due, err := servicesOnRecord(ctx, r)
	if err != nil {
		return duty.Figures{}, err
	}
	return dutyOf(ctx, r, dutyPlan(site, names, due), spanBetween(from, to), now)
}

// dutyOf reviews by a plan. The vehicles of the days before the span are read too.
func dutyOf(ctx context.Context, r *record.Reader, plan duty.Plan, span review.Span, now time.Time) (duty.Figures, error) {
	source, err := sourceOf(ctx, r, plan.Points(), review.Span{To: span.To}, now)
	if err != nil {
		return duty.Figures{}, err
	}
	return duty.Review(ctx, source, plan, span, now)
}

// Jumps returns the journal's questions about the meters of equipment; see duty.Jumper.
func (s dutySource) Jumps(ctx context.Context, equipment string, from, to time.Time) ([]string, error) {
	questions, err := s.about(ctx, equipment, record.Query{From: from, To: to, Newest: true, Kind: record.MeterJumped})
	if err != nil {
		return questions, err
	}
	questions = slices.DeleteFunc(questions, func(q string) bool { return !strings.Contains(q, "?") })
	if len(questions) == 0 {
		return questions, nil
	}
	explanations, err := s.about(ctx, equipment, record.Query{From: from, Kind: record.MeterExplained}) // also after the span
	return unanswered(questions, explanations), err
}

// about returns what lines about meters of equipment say.
func (s dutySource) about(ctx context.Context, equipment string, q record.Query) ([]string, error) {
	out := []string{}
	for l, err := range s.Journal(ctx, q) {
		if err != nil {
			return out, err
		}
		if strings.Contains(l.Why, " of "+equipment+" went from ") {
			out = append(out, l.Why)
		}
	}
	return out, nil
}
