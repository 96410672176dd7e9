package panel

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/review/page"
)

const suggestionsPath = "/alarms/suggestions"

// suggestWait is the longest that the page waits for its rehearsal; an answer may take a minute at most.
const suggestWait = 45 * time.Second

// worstJSON is what comes from exporter.Suggestions.
type worstJSON struct {
	From, To time.Time
	Why      string
	Actors   []struct {
		Alarm, Point, Words string
		Alarms              int
		Share               float64
		Found               bool
	}
}

// suggestionsSheet is the page of the alarms that rang most, with what to do about each. It is computed when it is asked for.
type suggestionsSheet struct {
	reviewHead
	Rehearsed string // what readings were
	Why       string // there are none
	Worst     []worstRow
}

type worstRow struct {
	Title, Point, Alarms, Share, Words string
	Found                              bool
}

func (p *Panel) suggestionsPage(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Suggestions == nil {
		return notFound(w, r)
	}
	v, _ := p.now()
	s := suggestionsSheet{reviewHead: p.reviewHead(r, v, "alarms/suggestions", "Suggestions", "7-days")}
	s.Page = "suggestions"
	ctx, cancel := context.WithTimeout(r.Context(), suggestWait)
	defer cancel()
	body, err := p.opts.Suggestions.Suggest(ctx, s.Span.From, s.Span.To)
	switch {
	case errors.Is(err, exporter.ErrSpan):
		s.Told, s.status = "There is nothing in this span.", http.StatusBadRequest
	case errors.Is(err, exporter.ErrReviewing), errors.Is(err, context.DeadlineExceeded):
		s.Told, s.status = "The rehearsal takes too long here, or others wait for one: 'roundsman alarms SITE.yaml --suggest' has the time.", http.StatusServiceUnavailable
	case err != nil:
		return err
	default:
		if err := s.fill(body); err != nil {
			return err
		}
	}
	return s.show(w, "suggestions.html", &s)
}

func (s *suggestionsSheet) fill(body []byte) error {
	var f worstJSON
	if err := json.Unmarshal(body, &f); err != nil {
		return err
	}
	s.Why = f.Why
	if !f.From.IsZero() {
		s.Rehearsed = stamp(f.From, s.zone) + " to " + stamp(f.To, s.zone)
	}
	for _, a := range f.Actors {
		s.Worst = append(s.Worst, worstRow{alarmTitle(a.Alarm), a.Point, strconv.Itoa(a.Alarms), plainly(page.Percent(a.Share, 1)), strings.TrimSpace(a.Words), a.Found})
	}
	return nil
}
