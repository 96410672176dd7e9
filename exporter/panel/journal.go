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
	Undated  bool     `json:"undated,omitempty"` // its time is that of a clock that was not set
}

// apiJournal answers one page of the journal, oldest line first unless asked otherwise. Without 'from' it reaches back
// to the first line.
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
	most := q.Limit
	q.Limit++ // one more tells whether there is a next page
	for line, err := range p.opts.Journal.Lines(r.Context(), q) {
		if err != nil {
			return fmt.Errorf("journal: %w", err)
		}
		if len(j.Lines) == most {
			j.Next = &j.Lines[most-1].Seq
			break
		}
		j.Lines = append(j.Lines, newLineJSON(&line))
	}
	return writeJSON(w, j)
}

func newLineJSON(l *exporter.Line) lineJSON {
	j := lineJSON{Seq: l.Seq, Time: l.Time.UTC().Format(time.RFC3339Nano), Kind: l.Kind, Alarm: l.Alarm, Point: l.Point, From: l.From, To: l.To,
		Priority: l.Priority, Value: number(l.Value), Limit: number(l.Limit), Unit: l.Unit, Quality: l.Quality, Who: l.Who, Why: l.Why,
		Undated: l.Undated}
	if !l.Until.IsZero() {
		s := l.Until.UTC().Format(time.RFC3339Nano)
		j.Until = &s
	}
	return j
}

var journalFields = []string{"from", "to", "after", "limit", "order", "alarm", "kind", "who"}

func journalQueryOf(v url.Values) (exporter.Stretch, error) {
	s := exporter.Stretch{Limit: usualLines, Alarm: v.Get("alarm"), Kind: v.Get("kind"), Who: v.Get("who")}
	for name := range v {
		if !slices.Contains(journalFields, name) {
			return s, problemf(http.StatusBadRequest, "there is no parameter %s", quoteNear(name, journalFields)).about(clip(name))
		}
	}
	if err := timeField(v, "from", &s.From); err != nil {
		return s, err
	}
	if err := timeField(v, "to", &s.To); err != nil {
		return s, err
	}
	if !s.To.IsZero() && s.To.Before(s.From) {
		return s, problemf(http.StatusBadRequest, "to: %s is before from", v.Get("to")).about("to")
	}
	switch order := v.Get("order"); order {
	case "", "oldest":
	case "newest":
		s.Newest = true
	default:
		return s, problemf(http.StatusBadRequest, "order: there is no %s; there are oldest, newest", quoteNear(order, []string{"oldest", "newest"})).about("order")
	}
	limit := int64(s.Limit)
	if err := wholeField(v, "limit", 1, mostLines, &limit); err != nil {
		return s, err
	}
	s.Limit = int(limit)
	return s, wholeField(v, "after", 0, math.MaxInt64, &s.After)
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

// journalPage is what the alarms page shows of the journal.
type journalPage struct {
	Lines []journalRow // the latest first
	Older int64        // the number of the last line shown; 0: there are no older ones
	Back  bool         // later lines are left out

	OlderLink, LatestLink string // to the lines before these, and to the latest
}

// link makes the links to other lines of the same choice.
func (j *journalPage) link(asked url.Values) {
	q := url.Values{}
	for _, name := range append([]string{"span", "from", "to", "last"}, filterFields...) {
		if value := asked.Get(name); value != "" {
			q.Set(name, value)
		}
	}
	to := func() string {
		if len(q) == 0 {
			return "/alarms#journal"
		}
		return "/alarms?" + q.Encode() + "#journal"
	}
	j.LatestLink = to()
	if j.Older > 0 {
		q.Set("older", strconv.FormatInt(j.Older, 10))
		j.OlderLink = to()
	}
}

// journalPageOf returns the lines of a stretch that a page shows, the latest first: those before the line of number After,
// if there is one.
func (p *Panel) journalPageOf(ctx context.Context, v *exporter.View, s exporter.Stretch) (j journalPage, err error) {
	ctx, cancel := context.WithTimeout(ctx, pageWait)
	defer cancel()
	points := make(map[string]*collector.Point, len(v.Site.Points))
	for i := range v.Site.Points {
		points[v.Site.Points[i].Name] = &v.Site.Points[i]
	}
	at := p.wallTime(v.At).In(siteZone(v))
	last := int64(0)
	s.Newest, s.Limit = true, pageLines+1
	for l, err := range p.opts.Journal.Lines(ctx, s) {
		if err != nil {
			return journalPage{}, fmt.Errorf("journal: %w", err)
		}
		if len(j.Lines) == pageLines {
			j.Older = last
			break
		}
		j.Lines, last = append(j.Lines, newJournalRow(&l, points[l.Point], at)), l.Seq
	}
	j.Back = s.After > 0
	return j, nil
}

// newJournalRow returns a line in words; the point is nil when the site has it no more.
func newJournalRow(l *exporter.Line, pt *collector.Point, at time.Time) journalRow {
	when := timeWords(l.Time, at)
	if l.Undated {
		when = "no date" // nobody knows: the clock was not set, and the box was off afterwards
	}
	r := journalRow{Time: when, Title: alarmTitle(l.Alarm), What: l.Kind, Who: l.Who, Why: l.Why}
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
