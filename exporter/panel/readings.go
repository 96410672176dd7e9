package panel

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/units"
	"roundsman/exporter"
)

const (
	usualSpan  = 24 * time.Hour // shown when the client does not say
	usualSteps = 600            // of which it is made
)

// readingsJSON is what was kept of a point.
type readingsJSON struct {
	Point    string       `json:"point"`
	Unit     string       `json:"unit"`
	Readings []jsonNumber `json:"readings"` // [unixMillis, min, mean, max]
}

// jsonNumber is one step as it stands in the answer.
type jsonNumber [4]float64

// MarshalJSON keeps the milliseconds whole.
func (n jsonNumber) MarshalJSON() ([]byte, error) {
	b := append(make([]byte, 0, 64), '[')
	b = strconv.AppendInt(b, int64(n[0]), 10)
	for _, v := range n[1:] {
		b = append(b, ',')
		b = strconv.AppendFloat(b, v, 'g', 12, 64)
	}
	return append(b, ']'), nil
}

// readingsQuery is a span of time in steps.
type readingsQuery struct {
	from, to time.Time
	step     time.Duration
}

// apiReadings answers what was kept of one point. Without 'from' and 'to' it is the last day, without 'step' some
// hundreds of steps. Steps without a usable reading are left out.
func (p *Panel) apiReadings(w http.ResponseWriter, r *http.Request) error {
	v, pt, err := p.keptPoint(r)
	if err != nil {
		return err
	}
	q, err := readingsQueryOf(r.URL.Query(), v.Time)
	if err != nil {
		return err
	}
	j := readingsJSON{Point: pt.Name, Unit: pt.Unit, Readings: []jsonNumber{}}
	unit, steps, err := p.opts.Trends.Steps(r.Context(), pt.Name, q.from, q.to, q.step)
	switch {
	case errors.Is(err, exporter.ErrNoTrend):
		return writeJSON(w, j)
	case err != nil:
		return fmt.Errorf("readings: %w", err)
	}
	j.Unit = unit
	for _, s := range steps {
		if number(s.Min) != nil && number(s.Mean) != nil && number(s.Max) != nil {
			j.Readings = append(j.Readings, jsonNumber{float64(s.Milli), s.Min, s.Mean, s.Max})
		}
	}
	return writeJSON(w, j)
}

// keptPoint finds the point that a request is about, where readings are kept.
func (p *Panel) keptPoint(r *http.Request) (*exporter.View, *collector.Point, error) {
	v, _ := p.now()
	name := r.PathValue("point")
	at := slices.IndexFunc(v.Site.Points, func(pt collector.Point) bool { return pt.Name == name })
	if at < 0 {
		return nil, nil, problemf(http.StatusNotFound, "there is no point %q", strings.ToValidUTF8(name, "?"))
	}
	if p.opts.Trends == nil {
		return nil, nil, problemf(http.StatusServiceUnavailable, "no readings are kept here")
	}
	return v, &v.Site.Points[at], nil
}

var readingsFields = []string{"from", "to", "step"}

func readingsQueryOf(v url.Values, now time.Time) (readingsQuery, error) {
	var q readingsQuery
	for name := range v {
		if !slices.Contains(readingsFields, name) {
			return q, problemf(http.StatusBadRequest, "there is no parameter %s", quoteNear(name, readingsFields)).about(clip(name))
		}
	}
	q.to = now
	if err := timeField(v, "to", &q.to); err != nil {
		return q, err
	}
	q.from = q.to.Add(-usualSpan)
	if err := timeField(v, "from", &q.from); err != nil {
		return q, err
	}
	if q.to.Before(q.from) {
		return q, problemf(http.StatusBadRequest, "to: %s is before from", q.to.Format(time.RFC3339)).about("to")
	}
	if q.from.Year() < 1970 || q.to.Year() > 2199 {
		return q, problemf(http.StatusBadRequest, "from: no readings are kept from before 1970 or after 2199").about("from")
	}
	return q, q.setStep(v.Get("step"))
}

func (q *readingsQuery) setStep(text string) error {
	span := q.to.Sub(q.from)
	if text == "" {
		q.step = cmp.Or(usualStep(span), time.Second)
		return nil
	}
	d, err := units.ParseDuration(text)
	if seconds, bad := strconv.ParseFloat(text, 64); bad == nil && seconds > 0 && seconds < 1e9 {
		d, err = time.Duration(seconds*float64(time.Second)), nil
	}
	if err != nil || d < time.Millisecond {
		return problemf(http.StatusBadRequest, "step: %q is no time such as 10s, 5m or 1h", clip(text)).about("step")
	}
	if span/d >= exporter.MostTrendSteps {
		return problemf(http.StatusBadRequest, "step: %s makes more than %d steps of %s", clip(text), exporter.MostTrendSteps, span).about("step")
	}
	q.step = d
	return nil
}

// usualStep returns the first round step that makes no more than usualSteps of a span.
func usualStep(span time.Duration) time.Duration {
	for _, step := range []time.Duration{
		time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second, 30 * time.Second, time.Minute, 2 * time.Minute, 5 * time.Minute,
		10 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour, 6 * time.Hour, 12 * time.Hour,
	} {
		if span/step <= usualSteps {
			return step
		}
	}
	return (span / usualSteps).Truncate(24*time.Hour) + 24*time.Hour
}
