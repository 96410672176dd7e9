package panel

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/page"
)

// reviewWait is the longest that a page waits for its figures.
const reviewWait = 10 * time.Second

// reviewHead is what every review page has beside its figures.
type reviewHead struct {
	head
	Span     spanChoice
	Begin    string // of the span, site time
	End      string
	Told     string // what is told instead of figures; "" when there are some
	status   int
	zone     *time.Location
	interim  bool // others wait: ask again later
	Machines bool // there is run time to review
}

// reviewHead returns the head of a page and the span that it was asked for.
func (p *Panel) reviewHead(r *http.Request, v *exporter.View, name, title, usual string) reviewHead {
	_, now := p.now()
	h := reviewHead{head: p.head(v, now, name, title), status: http.StatusOK, zone: siteZone(v)}
	h.Refresh, h.Review = 0, true // a review is as of when it was asked for
	h.Span = choose(r.URL.Query(), "/"+name, usual, p.wallTime(v.At).In(h.zone))
	if h.Span.Wrong != "" {
		h.status = http.StatusBadRequest
	}
	return h
}

// figures computes into what a page shows, or leaves word of why there is nothing. They come by the interface's own
// answer, so that a page never tells another number.
func (h *reviewHead) figures(ctx context.Context, ask reviewFigures, into any) error {
	ctx, cancel := context.WithTimeout(ctx, reviewWait)
	defer cancel()
	body, err := ask(ctx, h.Span.From, h.Span.To)
	switch {
	case errors.Is(err, exporter.ErrNoPlan):
		h.Told = capital(strings.ToValidUTF8(err.Error(), "?")) + "."
	case errors.Is(err, exporter.ErrSpan):
		h.Told, h.status = "There is nothing in this span.", http.StatusBadRequest
	case errors.Is(err, exporter.ErrReviewing), errors.Is(err, context.DeadlineExceeded):
		h.Told, h.status = "Reviews are computed one at a time, and others wait. Load this page again in some seconds.", http.StatusServiceUnavailable
		h.interim = true
	case err != nil:
		return err
	default:
		return json.Unmarshal(body, into)
	}
	return nil
}

const nothingRecorded = "Nothing is recorded here, so there is nothing to review."

// show sends the page.
func (h *reviewHead) show(w http.ResponseWriter, name string, data any) error {
	if h.interim {
		w.Header().Set("Retry-After", "10")
	}
	return showAs(w, h.status, name, data)
}

// spanned tells the span of the figures, also as the days of the form.
func (h *reviewHead) spanned(from, to time.Time) {
	h.Span.First = from.In(h.zone).Format(time.DateOnly)
	h.Span.Last = to.In(h.zone).Add(-time.Nanosecond).Format(time.DateOnly)
	h.Begin, h.End = stamp(from, h.zone), stamp(to, h.zone)
}

// figure is one line of a review: what, how much, and what goes with it.
type figure struct{ Name, Found, And string }

// finding is a figure beside what is recommended.
type finding struct {
	Verdict, Figure, Found, Recommended, Remark string
}

// findingsOf returns findings in words, shares with so many decimals, and the sources of what is recommended, each once.
func findingsOf(list []review.Finding, digits int) (out []finding, sources []string) {
	said := map[string]bool{}
	for _, f := range list {
		out = append(out, finding{f.Verdict.String(), capital(f.Figure), foundWords(&f, digits), f.Recommended, f.Remark})
		if f.Source != "" && !said[f.Source] {
			said[f.Source] = true
			sources = append(sources, capital(f.Figure)+": "+f.Source+".")
		}
	}
	return out, sources
}

func foundWords(f *review.Finding, digits int) string {
	switch {
	case f.Unit == "ratio":
		return plainly(page.Percent(f.Value, digits))
	case f.Unit == "seconds":
		return plainly(page.Length(time.Duration(f.Value * float64(time.Second))))
	case f.Unit == "" && f.Value == float64(int64(f.Value)):
		return plainly(page.Number(f.Value, 0))
	case f.Unit == "":
		return plainly(page.Number(f.Value, 2))
	}
	return plainly(page.With(f.Value, 1, f.Unit))
}

// plainly is a text of the terminal as the panel writes it: a true minus, a dash for what is not known, and units that
// do not part from their numbers.
func plainly(s string) string {
	switch {
	case s == "-" || s == "":
		return "–"
	case strings.HasPrefix(s, "-"):
		s = "−" + s[1:]
	}
	if head, unit, ok := strings.Cut(s, " "); ok && !strings.Contains(unit, " ") {
		s = head + "\u00a0" + symbols.Replace(unit)
	}
	return s
}

func amount(k minutes.Known, digits int, unit string) string {
	return plainly(page.With(float64(k), digits, unit))
}

func percent(k minutes.Known, digits int) string { return plainly(page.Percent(float64(k), digits)) }

// lasting returns a length of seconds: '41.2 h'.
func lasting(k minutes.Known) string {
	if !k.Is() {
		return "–"
	}
	return plainly(page.Length(time.Duration(float64(k) * float64(time.Second))))
}

// signedWords returns a change with its sign.
func signedWords(k minutes.Known, digits int, unit string) string {
	s := amount(k, digits, unit)
	if k > 0 {
		s = "+" + s
	}
	return s
}

// list collects the lines of a review.
type figures []figure

func (l *figures) add(name, found, format string, values ...any) {
	*l = append(*l, figure{name, found, fmt.Sprintf(format, values...)})
}

// dayWords returns a day of a review, '2026-11-28', as the pages write it: 'Sat 28 Nov'.
func dayWords(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.Format("Mon 2 Jan")
}
