package panel

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"time"

	"roundsman/exporter"
)

// reviewFigures computes the figures of one part of the site over a span.
type reviewFigures func(ctx context.Context, from, to time.Time) ([]byte, error)

// apiAir answers how the compressed air did over a span: over the last thirty days where none is given.
func (p *Panel) apiAir(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Plants == nil {
		return problemf(http.StatusServiceUnavailable, "nothing is recorded here")
	}
	return p.review(w, r, p.opts.Plants.Air)
}

// apiWater answers how the water did.
func (p *Panel) apiWater(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Plants == nil {
		return problemf(http.StatusServiceUnavailable, "nothing is recorded here")
	}
	return p.review(w, r, p.opts.Plants.Water)
}

// review answers the figures of a span.
func (p *Panel) review(w http.ResponseWriter, r *http.Request, figures reviewFigures) error {
	v, _ := p.now()
	from, to, err := spanOf(r.URL.Query(), siteZone(v))
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(r.Context(), figuresWait)
	defer cancel()
	body, err := figures(ctx, from, to)
	switch {
	case errors.Is(err, exporter.ErrNoPlan):
		return problemf(http.StatusNotFound, "%s", strings.ToValidUTF8(err.Error(), "?"))
	case errors.Is(err, exporter.ErrSpan):
		return problemf(http.StatusBadRequest, "%s", strings.ToValidUTF8(err.Error(), "?")).about("from")
	case errors.Is(err, exporter.ErrReviewing), errors.Is(err, context.DeadlineExceeded):
		w.Header().Set("Retry-After", "10")
		return problemf(http.StatusServiceUnavailable, "the figures of a span are computed one at a time, and others wait: ask again later")
	case err != nil:
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(body) // the client may be gone
	return nil
}
