package panel

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"time"
)

// figuresWait is the longest that an answer may wait for its figures.
const figuresWait = 30 * time.Second

var figuresFields = []string{"from", "to"}

// apiFigures answers the figures of the alarm system over a span: of the last thirty days where none is given.
func (p *Panel) apiFigures(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Reviews == nil {
		return problemf(http.StatusServiceUnavailable, "nothing is recorded here")
	}
	return p.review(w, r, p.opts.Reviews.Alarms)
}

// spanOf reads a span of time; the ends that are not given are zero.
func spanOf(v url.Values, zone *time.Location) (from, to time.Time, err error) {
	for name := range v {
		if !slices.Contains(figuresFields, name) {
			return from, to, problemf(http.StatusBadRequest, "there is no parameter %s", quoteNear(name, figuresFields)).about(clip(name))
		}
	}
	if err := timeOrDayField(v, "from", zone, &from); err != nil {
		return from, to, err
	}
	if err := timeOrDayField(v, "to", zone, &to); err != nil {
		return from, to, err
	}
	if !from.IsZero() && !to.IsZero() && !from.Before(to) {
		return from, to, problemf(http.StatusBadRequest, "to: %s is not after from", clip(v.Get("to"))).about("to")
	}
	return from, to, nil
}

// timeOrDayField takes a day too: its beginning in the site's zone.
func timeOrDayField(v url.Values, name string, zone *time.Location, into *time.Time) error {
	if day, err := time.ParseInLocation(time.DateOnly, v.Get(name), zone); err == nil {
		*into = day
		return nil
	}
	err := timeField(v, name, into)
	if prob, ok := errors.AsType[*problem](err); ok {
		prob.Detail += ", and no day such as 2026-11-28"
	}
	return err
}
