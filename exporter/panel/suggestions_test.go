package panel_test

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/panel"
)

// rehearsed is a fake of what suggests.
type rehearsed struct {
	body     string
	err      error
	asked    int
	from, to time.Time
}

func (s *rehearsed) Suggest(_ context.Context, from, to time.Time) ([]byte, error) {
	s.asked, s.from, s.to = s.asked+1, from, to
	return []byte(s.body), s.err
}

// TestSuggestionsPage: what is suggested is computed for who asks for it, and for nobody else.
func TestSuggestionsPage(t *testing.T) {
	s := &rehearsed{body: `{"from":"2026-11-23T00:00:00Z","to":"2026-11-30T00:00:00Z","actors":[
		{"alarm":"air-low","point":"air.header.pressure","alarms":40,"share":0.8,"words":"on-delay 12s would have left 3 of 40 <b>","found":true},
		{"alarm":"oil-hot","point":"","alarms":10,"share":0.2,"words":"nothing to suggest","found":false}]}`}
	b := &books{}
	h, _ := acting(panel.Options{Suggestions: s, Reviews: b, Journal: manyLines(3), Overdue: time.Hour})
	if alarms := page(t, h, "/alarms"); s.asked != 0 || !strings.Contains(alarms, `href="/alarms/suggestions"`) {
		t.Errorf("the alarms page asks %d times, or does not lead there", s.asked)
	}
	body := page(t, h, "/alarms/suggestions?from=2026-11-23&last=2026-11-24")
	has(t, words(body), "Air low 40 alarms, 80.0 % of all. on-delay 12s would have left 3 of 40 &lt;b&gt;", "Oil hot 10 alarms, 20.0 % of all. nothing to suggest",
		"Mon 23 Nov 2026, 00:00 to Mon 30 Nov 2026, 00:00", "No rule file was changed")
	has(t, body, `<a href="/points/air.header.pressure">`)
	if s.asked != 1 || s.from.IsZero() {
		t.Errorf("asked %d times, from %v", s.asked, s.from)
	}
	for _, tt := range []struct {
		err  error
		code int
	}{{exporter.ErrReviewing, 503}, {context.DeadlineExceeded, 503}, {exporter.ErrSpan, 400}, {errors.New("disk gone"), 500}} {
		s.err = tt.err
		if w := get(t, h, "/alarms/suggestions"); w.Code != tt.code || strings.Contains(w.Body.String(), "disk gone") {
			t.Errorf("%v: %d %s", tt.err, w.Code, w.Body)
		}
	}
	without, _ := acting(panel.Options{Reviews: b, Overdue: time.Hour})
	if w := get(t, without, "/alarms/suggestions"); w.Code != http.StatusNotFound {
		t.Errorf("without a record: %d", w.Code)
	}
	hasNot(t, page(t, without, "/alarms"), "/alarms/suggestions")
}
