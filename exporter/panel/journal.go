package panel

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
)

const (
	usualLines = 500  // in one answer, when the client does not say
	mostLines  = 5000 // in one answer
	pageLines  = 50   // below the list of alarms
	// pageWait is the longest that a page waits for its lines.
	pageWait = 2 * time.Second
)

// journalJSON is one page of the journal.
type journalJSON struct {
	Zone  string     `json:"zone"` // the site's time zone
	Lines []lineJSON `json:"lines"`
	Next  *int64     `json:"next"` // give it as 'after' for the next page; null: there is none yet
}

// lineJSON is one line of the journal; null and "" where it has none.
type lineJSON struct {
	Seq      int64    `json:"seq"`
	Time     string   `json:"time"`
	Kind     string   `json:"kind"`
	Alarm    string   `json:"alarm"`
	Point    string   `json:"point"`
	From     string   `json:"from"`
	To       string   `json:"to"`
	Priority string   `json:"priority"`
	Value    *float64 `json:"value"`
	Limit    *float64 `json:"limit"`
	Unit     string   `json:"unit"`
	Quality  string   `json:"quality"`
	Who      string   `json:"who"`
	Why      string   `json:"why"`
	Until    *string  `json:"until"`
}

// journalQuery is a stretch of the journal.
type journalQuery struct {
	from, to time.Time
	after    int64
	limit    int
}

// endOfTime bounds a stretch without an end; it fits into nanoseconds since 1970.
var endOfTime = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)

// apiJournal answers one page of the journal, oldest line first. Without 'from' it begins with the first line.
func (p *Panel) apiJournal(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Journal == nil {
		return problemf(http.StatusServiceUnavailable, "no journal is kept here")
	}
	q, err := journalQueryOf(r.URL.Query())
	if err != nil {
		return err
	}
	v, _ := p.now()
	j := journalJSON{Zone: siteZone(v).String(), Lines: []lineJSON{}}
	for line, err := range p.opts.Journal.Lines(r.Context(), q.from, q.to, q.after, q.limit+1) { // one more tells whether there is a next page
		if err != nil {
			return fmt.Errorf("journal: %w", err)
		}
		if len(j.Lines) == q.limit {
			j.Next = &j.Lines[q.limit-1].Seq
			break
		}
		j.Lines = append(j.Lines, newLineJSON(&line))
	}
	return writeJSON(w, j)
}

func newLineJSON(l *exporter.Line) lineJSON {
	j := lineJSON{Seq: l.Seq, Time: l.Time.UTC().Format(time.RFC3339Nano), Kind: l.Kind, Alarm: l.Alarm, Point: l.Point, From: l.From, To: l.To,
		Priority: l.Priority, Value: number(l.Value), Limit: number(l.Limit), Unit: l.Unit, Quality: l.Quality, Who: l.Who, Why: l.Why}
	if !l.Until.IsZero() {
		s := l.Until.UTC().Format(time.RFC3339Nano)
		j.Until = &s
	}
	return j
}

var journalFields = []string{"from", "to", "after", "limit"}

func journalQueryOf(v url.Values) (journalQuery, error) {
	q := journalQuery{from: time.Unix(0, 0).UTC(), to: endOfTime, limit: usualLines}
	for name := range v {
		if !slices.Contains(journalFields, name) {
			return q, problemf(http.StatusBadRequest, "there is no parameter %s", quoteNear(name, journalFields)).about(clip(name))
		}
	}
	if err := timeField(v, "from", &q.from); err != nil {
		return q, err
	}
	if err := timeField(v, "to", &q.to); err != nil {
		return q, err
	}
	if q.to.Before(q.from) {
		return q, problemf(http.StatusBadRequest, "to: %s is before from", v.Get("to")).about("to")
	}
	limit := int64(q.limit)
	if err := wholeField(v, "limit", 1, mostLines, &limit); err != nil {
		return q, err
	}
	q.limit = int(limit)
	return q, wholeField(v, "after", 0, math.MaxInt64, &q.after)
}

func timeField(v url.Values, name string, into *time.Time) error {
	text := v.Get(name)
	if text == "" {
		return nil
	}
	// a '+' that was not escaped arrives as a blank
	t, err := time.Parse(time.RFC3339, strings.ReplaceAll(text, " ", "+"))
	if err != nil {
		return problemf(http.StatusBadRequest, "%s: %q is no time such as 2026-11-28T06:10:00Z (RFC 3339)", name, clip(text)).about(name)
	}
	*into = t
	return nil
}

func wholeField(v url.Values, name string, least, most int64, into *int64) error {
	text := v.Get(name)
	if text == "" {
		return nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < least || n > most {
		return problemf(http.StatusBadRequest, "%s: %q is no whole number from %d to %d", name, clip(text), least, most).about(name)
	}
	*into = n
	return nil
}

// journalRow is one line of the journal on the alarms page.
type journalRow struct {
	Time, Title, What, Value string
	Who, Why, Until          string
}

// latestLines returns the last lines of the journal, newest first, as a page shows them. The journal is read from
// old to new, so it looks back step by step, no further than it must.
func (p *Panel) latestLines(ctx context.Context, v *exporter.View) ([]journalRow, error) {
	ctx, cancel := context.WithTimeout(ctx, pageWait)
	defer cancel()
	var last []exporter.Line
	for _, back := range []time.Duration{10 * time.Minute, 2 * time.Hour, 24 * time.Hour, 10 * 24 * time.Hour, 100 * 24 * time.Hour, 0} {
		from := time.Unix(0, 0).UTC()
		if back > 0 {
			from = v.Time.Add(-back)
		}
		var err error
		if last, err = tail(ctx, p.opts.Journal, from); err != nil {
			return nil, err
		}
		if len(last) == pageLines {
			break
		}
	}
	return p.journalRows(v, last), nil
}

// journalRows returns lines as a page shows them, the last one first.
func (p *Panel) journalRows(v *exporter.View, lines []exporter.Line) []journalRow {
	points := make(map[string]*collector.Point, len(v.Site.Points))
	for i := range v.Site.Points {
		points[v.Site.Points[i].Name] = &v.Site.Points[i]
	}
	rows := make([]journalRow, 0, len(lines))
	at := p.wallTime(v.At).In(siteZone(v))
	for i := range lines {
		l := &lines[len(lines)-1-i]
		rows = append(rows, newJournalRow(l, points[l.Point], at))
	}
	return rows
}

// tail returns the last lines since a time, oldest first.
func tail(ctx context.Context, j exporter.Journal, from time.Time) ([]exporter.Line, error) {
	var ring [pageLines]exporter.Line
	n := 0
	for line, err := range j.Lines(ctx, from, endOfTime, 0, math.MaxInt32) {
		if err != nil {
			return nil, fmt.Errorf("journal: %w", err)
		}
		ring[n%pageLines] = line
		n++
	}
	if n <= pageLines {
		return ring[:n], nil
	}
	return append(append([]exporter.Line(nil), ring[n%pageLines:]...), ring[:n%pageLines]...), nil
}

// newJournalRow returns a line in words; the point is nil when the site has it no more.
func newJournalRow(l *exporter.Line, pt *collector.Point, at time.Time) journalRow {
	r := journalRow{Time: timeWords(l.Time, at), Title: alarmTitle(l.Alarm), What: l.Kind, Who: l.Who, Why: l.Why}
	if pt == nil || pt.Kind == collector.Number || pt.Kind == collector.Counter {
		r.Value = judgedWords(l, pt)
	}
	if !l.Until.IsZero() {
		r.Until = timeWords(l.Until, at)
	}
	return r
}

// judgedWords tells a value and what it was held against: '5.21 bar, limit 5.50 bar'.
func judgedWords(l *exporter.Line, pt *collector.Point) string {
	if l.Alarm == "" || number(l.Value) == nil {
		return ""
	}
	digits := max(digitsOf(l.Value), digitsOf(l.Limit))
	if pt != nil && pt.Unit == l.Unit {
		digits = pt.Digits
	}
	words := quantity(l.Value, digits, l.Unit)
	if number(l.Limit) != nil {
		words += ", limit " + quantity(l.Limit, digits, l.Unit)
	}
	return words
}

// digitsOf is how many decimals a value needs that comes without its point: two at most.
func digitsOf(v float64) int {
	for d := range 2 {
		scale := math.Pow10(d)
		if math.Abs(v*scale-math.Round(v*scale)) < 1e-9*scale {
			return d
		}
	}
	return 2
}
