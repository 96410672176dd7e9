package metrics

import (
	"math"

	dto "github.com/prometheus/client_model/go"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/rules"
)

// fill sets every series from the view. now is the moment of the scrape.
func (l *layout) fill(v *exporter.View, now collector.Moment) {
	for i := range l.points {
		r := collector.Reading{}
		if i < len(v.Readings) {
			r = v.Readings[i]
		}
		l.points[i].fill(&r, now)
	}
	for i := range v.Alarms {
		if r := v.Alarms[i].Rule; r >= 0 && r < len(l.rules) {
			l.rules[r].fill(&v.Alarms[i])
		}
	}
	for i := range l.links {
		l.links[i].fill(&v.Links[i])
	}
	for i := range l.machines {
		l.machines[i].fill(&v.Equipment[i])
	}
	for i := range l.figures {
		l.figures[i].value.set(v.Figures[i].Value)
	}
	if l.calls != nil {
		l.calls.oldest.set(v.Calls.Oldest.Seconds())
		for i := range l.calls.counts {
			l.calls.counts[i].n.set(float64(v.Calls.Counts[i].N))
		}
	}
}

func (s *pointSeries) fill(r *collector.Reading, now collector.Moment) {
	good := r.Quality == collector.Good
	s.good.truth(good)
	s.age.shown = false
	if r.Quality != collector.Unread {
		// A device's clock may run ahead of ours: its reading is then new, not younger than now.
		s.age.set(math.Round(max(0, now.Sub(r.At).Seconds())*1000) / 1000)
	}
	if s.value == nil {
		return
	}
	s.value.shown = false
	if value := math.FMA(r.Value, s.factor, s.offset); good && !math.IsNaN(value) && !math.IsInf(value, 0) {
		s.value.set(value)
	}
}

func (s *ruleSeries) fill(a *rules.Status) {
	held := a.State == rules.Shelved || a.State == rules.SuppressedByDesign || a.State == rules.OutOfService
	s.active.truth(a.Active && !held)
	s.unacknowledged.truth(a.State == rules.Unacknowledged || a.State == rules.ReturnUnacknowledged ||
		a.State == rules.LatchUnacknowledged)
	s.activations.set(float64(a.Activations))
}

func (s *linkSeries) fill(k *collector.LinkStatus) {
	s.up.truth(k.Up)
	for o := range s.requests {
		s.requests[o].set(float64(k.Requests[o]))
	}
	var sum uint64
	for i := range k.Durations {
		sum += k.Durations[i]
		if i < len(s.duration.Bucket) {
			*s.duration.Bucket[i].CumulativeCount = sum
		}
	}
	*s.duration.SampleCount, *s.duration.SampleSum = sum, k.DurationSum
}

func (s *machineSeries) fill(e *exporter.Equipment) {
	s.run.set(e.RunSeconds)
	s.starts.set(float64(e.Starts))
	s.running.shown = false
	if e.Known {
		s.running.truth(e.Running)
	}
	for i := range s.services {
		s.services[i].due.set(e.Services[i].DueSeconds)
	}
}

// shown returns the families that have a value now, with those metrics that have
// one, for what goes through the library. They change with the next fill.
func shown(families []*family) []*dto.MetricFamily {
	var list []*dto.MetricFamily
	for _, f := range families {
		f.dto.Metric = nil
		for _, s := range f.series {
			if s.shown {
				f.dto.Metric = append(f.dto.Metric, f.metric(s))
			}
		}
		if len(f.dto.Metric) > 0 {
			list = append(list, f.dto)
		}
	}
	return list
}

// metric returns a series as the library knows it.
func (f *family) metric(s *series) *dto.Metric {
	labels := labelsOf(s.labels)
	if s.histogram != nil {
		return &dto.Metric{Label: labels, Histogram: s.histogram.dto}
	}
	return metricOf(f.dto.GetType(), labels, s.value)
}
