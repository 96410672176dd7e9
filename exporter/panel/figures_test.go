package panel_test

import (
	"context"
	"errors"
	"fmt"
	"net/http/httptest"
	"testing"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/panel"
)

// reviews is a fake that tells what it was asked.
type reviews struct{ err error }

func (r reviews) Alarms(_ context.Context, from, to time.Time) ([]byte, error) {
	word := func(t time.Time) string {
		if t.IsZero() {
			return "-"
		}
		return t.UTC().Format(time.RFC3339)
	}
	return fmt.Appendf(nil, `{"from":%q,"to":%q}`, word(from), word(to)), r.err
}

func TestAPIFigures(t *testing.T) {
	h, _ := acting(panel.Options{Reviews: reviews{}})
	for query, want := range map[string][2]string{
		"":                           {"-", "-"},
		"?from=2026-11-28T06:10:05Z": {"2026-11-28T06:10:05Z", "-"},
		"?to=2026-11-28T06:10:05Z":   {"-", "2026-11-28T06:10:05Z"},
		"?from=2026-11-28T07:10:05+01:00&to=2026-11-28T06:10:06Z": {"2026-11-28T06:10:05Z", "2026-11-28T06:10:06Z"},
		"?from=2026-07-04&to=2026-11-28":                          {"2026-07-03T23:00:00Z", "2026-11-28T00:00:00Z"}, // Dublin's summer and winter
	} {
		sameJSON(t, get(t, h, "/api/v1/figures"+query), fmt.Sprintf(`{"from":%q,"to":%q}`, want[0], want[1]))
	}
}

func TestAPIFiguresRefused(t *testing.T) {
	h, _ := acting(panel.Options{Reviews: reviews{}})
	for query, want := range map[string][2]string{
		"?from=yesterday":                {`from: "yesterday" is no time such as 2026-11-28T06:10:00Z (RFC 3339), and no day such as 2026-11-28`, "from"},
		"?to=2026-02-30":                 {`to: "2026-02-30" is no time such as 2026-11-28T06:10:00Z (RFC 3339), and no day such as 2026-11-28`, "to"},
		"?from=2026-11-28&to=2026-11-28": {"to: 2026-11-28 is not after from", "to"},
		"?from=2026-11-28&to=2026-11-27": {"to: 2026-11-27 is not after from", "to"},
		"?span=30d":                      {`there is no parameter "span"`, "span"},
	} {
		refused(t, get(t, h, "/api/v1/figures"+query), 400, want[0], want[1])
	}
	for _, tt := range []struct {
		err    error
		status int
		field  string
	}{
		{fmt.Errorf("%w: it is before the record", exporter.ErrSpan), 400, "from"},
		{exporter.ErrReviewing, 503, ""},
		{context.DeadlineExceeded, 503, ""},
		{errors.New("disk on fire"), 500, ""},
	} {
		h, _ := acting(panel.Options{Reviews: reviews{tt.err}})
		refused(t, get(t, h, "/api/v1/figures"), tt.status, "", tt.field)
	}
	h, _ = acting(panel.Options{})
	refused(t, get(t, h, "/api/v1/figures"), 503, "nothing is recorded here", "")
	h, _ = acting(panel.Options{Reviews: reviews{}})
	w := httptest.NewRecorder()
	h.ServeHTTP(w, request("POST", "/api/v1/figures", "{}"))
	if w.Code != 405 || w.Header().Get("Allow") != "GET, HEAD" {
		t.Errorf("POST: %d, Allow %q", w.Code, w.Header().Get("Allow"))
	}
}
