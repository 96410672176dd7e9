package panel

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"roundsman/exporter"
)

const (
	usualCalls = 200  // in one answer, when the client does not say
	mostCalls  = 2000 // in one answer
	pageCalls  = 60   // on the page
	pageHeard  = 20   // answers on the page
	// heardFor is how long after a message an answer with its number counts for it: numbers are used again.
	heardFor = 24 * time.Hour
)

// callJSON is one message of the call-out as the interface tells it.
type callJSON struct {
	Key     string      `json:"key"`
	Subject string      `json:"subject"`
	Alarm   string      `json:"alarm"`
	Contact string      `json:"contact"`
	Person  string      `json:"person"`
	Title   string      `json:"title"`
	Number  int         `json:"number"` // what the person answers with; 0: no answer is expected
	State   string      `json:"state"`
	Done    bool        `json:"done"`
	Channel string      `json:"channel"`
	To      string      `json:"to"` // the end of a phone number
	Tries   int         `json:"tries"`
	Error   string      `json:"error"`
	Receipt string      `json:"receipt"`
	Written string      `json:"written"`
	Next    *string     `json:"next"`
	Ended   *string     `json:"ended"`
	Answers []heardJSON `json:"answers"`
}

type heardJSON struct {
	Time  string `json:"time"`
	Who   string `json:"who"`
	Words string `json:"words"`
}

// apiCallouts answers the messages, newest first: all that wait, and the latest of the others.
func (p *Panel) apiCallouts(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Callouts == nil {
		return problemf(http.StatusServiceUnavailable, "nobody is called from here")
	}
	q, err := callQueryOf(r.URL.Query())
	if err != nil {
		return err
	}
	calls, heard, err := p.calls(r.Context(), q)
	if err != nil {
		return err
	}
	list := make([]callJSON, len(calls))
	for i := range calls {
		list[i] = newCallJSON(&calls[i], heard)
	}
	return writeJSON(w, list)
}

func callQueryOf(v url.Values) (exporter.CallQuery, error) {
	limit := int64(usualCalls)
	if err := wholeField(v, "limit", 1, mostCalls, &limit); err != nil {
		return exporter.CallQuery{}, err
	}
	q := exporter.CallQuery{Alarm: v.Get("alarm"), Limit: int(limit)}
	switch state := v.Get("state"); state {
	case "", "all":
	case "waiting":
		q.Waiting = true
	default:
		return q, problemf(http.StatusBadRequest, "state: no such state as %s; there are waiting and all", quoteNear(state, []string{"waiting", "all"})).about("state")
	}
	return q, nil
}

// calls reads messages and answers.
func (p *Panel) calls(ctx context.Context, q exporter.CallQuery) ([]exporter.Call, []exporter.Line, error) {
	ctx, cancel := context.WithTimeout(ctx, pageWait)
	defer cancel()
	calls, err := p.opts.Callouts.Calls(ctx, q)
	if err != nil {
		return nil, nil, fmt.Errorf("call-outs: %w", err)
	}
	heard, err := p.opts.Callouts.Answers(ctx, mostCalls)
	if err != nil {
		return nil, nil, fmt.Errorf("call-outs: %w", err)
	}
	return calls, heard, nil
}

// answersTo returns the answers that named the message's number and alarm after it was written, the oldest first.
func answersTo(c *exporter.Call, heard []exporter.Line) []exporter.Line {
	if c.Number == 0 || c.Alarm == "" {
		return nil
	}
	want := c.Alarm + ": ok " + strconv.Itoa(c.Number)
	var list []exporter.Line
	for _, l := range slices.Backward(heard) {
		if l.Why == want && !l.Time.Before(c.Written) && l.Time.Sub(c.Written) < heardFor {
			list = append(list, l)
		}
	}
	return list
}

func newCallJSON(c *exporter.Call, heard []exporter.Line) callJSON {
	j := callJSON{Key: c.Key, Subject: c.Subject, Alarm: c.Alarm, Contact: c.Contact, Person: c.Person, Title: c.Title, Number: c.Number,
		State: c.State, Done: c.Done, Channel: c.Channel, To: c.To, Tries: c.Tries, Error: c.Error, Receipt: c.Reference,
		Written: c.Written.UTC().Format(time.RFC3339Nano), Next: stampOf(c.Next), Ended: stampOf(c.Ended), Answers: []heardJSON{}}
	for _, l := range answersTo(c, heard) {
		j.Answers = append(j.Answers, heardJSON{*stampOf(l.Time), l.Who, strings.TrimPrefix(l.Why, c.Alarm+": ")})
	}
	return j
}

// stampOf returns a time as JSON tells it, nil for none.
func stampOf(t time.Time) *string {
	if t.IsZero() {
		return nil
	}
	s := t.UTC().Format(time.RFC3339Nano)
	return &s
}

// calloutsSheet is the page of calls.
type calloutsSheet struct {
	head
	Reach         string // whether everybody can be called
	Well          bool
	Ways          []wayRow
	Waiting, Sent []callRow
	Heard         []journalRow
	Lost          bool // they cannot be read
	Install       bool // phones can be installed
}

type wayRow struct {
	Name, Kind, Error string
	Failing           bool
	Waiting           string
}

type callRow struct {
	Key, Person, Title, What string
	State, Way, Tries, Error string
	Written, Next, Ended     string
	Receipt                  string
	Mark                     string // the shape beside the state: good, bad, uncertain
	Heard                    []string
}

func (p *Panel) calloutsPage(w http.ResponseWriter, r *http.Request) error {
	if p.opts.Callouts == nil {
		return problemf(http.StatusNotFound, "nobody is called from here: the site has no call-outs")
	}
	v, now := p.now()
	s := calloutsSheet{head: p.head(v, now, "callouts", "Calls"), Install: p.phonesOn()}
	s.tellReach(p.opts.Callouts.Reach())
	calls, heard, err := p.calls(r.Context(), exporter.CallQuery{Limit: pageCalls})
	if err == nil { // those that wait may be older than the latest ones
		var waiting []exporter.Call
		waiting, _, err = p.calls(r.Context(), exporter.CallQuery{Waiting: true, Limit: pageCalls})
		calls = append(waiting, slices.DeleteFunc(calls, func(c exporter.Call) bool { return !c.Done })...)
	}
	if err != nil {
		p.opts.Log.Error("calls not shown", "err", err) // whether people can be called is shown all the same
		s.Lost = true
	}
	at := p.wallTime(v.At).In(siteZone(v))
	for i := range calls {
		row := newCallRow(&calls[i], heard, at)
		if calls[i].Done {
			s.Sent = append(s.Sent, row)
		} else {
			s.Waiting = append(s.Waiting, row)
		}
	}
	for _, l := range heard[:min(len(heard), pageHeard)] {
		s.Heard = append(s.Heard, newJournalRow(&l, nil, at))
	}
	return show(w, "callouts.html", s)
}

// tellReach says whether people can be called.
func (s *calloutsSheet) tellReach(r exporter.Reach) {
	s.Well = r.Reachable && len(r.Unreachable) == 0
	switch {
	case !r.Reachable:
		s.Reach = capital(r.Reason)
	case len(r.Unreachable) > 0:
		s.Reach = "Not reachable at present: " + strings.Join(r.Unreachable, ", ")
	case r.Waiting > 0:
		s.Reach = "Everybody can be called; " + counted(r.Waiting, "message waits", "messages wait")
	default:
		s.Reach = "Everybody can be called"
	}
	for _, c := range r.Channels {
		row := wayRow{Name: c.Name, Kind: c.Kind, Failing: c.Failing}
		if c.Failing {
			row.Error = c.Error
		}
		if c.Waiting > 0 {
			row.Waiting = counted(c.Waiting, "message waits", "messages wait")
		}
		s.Ways = append(s.Ways, row)
	}
}

// newCallRow tells a message in words, with times of the site.
func newCallRow(c *exporter.Call, heard []exporter.Line, at time.Time) callRow {
	row := callRow{Key: c.Key, Person: c.Person, Title: c.Title, What: alarmTitle(c.Alarm), State: c.State, Error: c.Error,
		Tries: counted(c.Tries, "try", "tries"), Written: timeWords(c.Written, at), Receipt: c.Reference, Mark: "uncertain"}
	if row.Title == "" {
		row.Title = strings.TrimSpace(c.Subject + " " + row.What)
	}
	if row.Way = c.Channel; c.Channel != "" && c.To != "" {
		row.Way += " " + c.To
	}
	switch {
	case c.State == "handed over", c.State == "delivered":
		row.Mark, row.Error = "good", ""
	case c.Done && c.State != "held back":
		row.Mark = "bad"
	case c.Tries == 0:
		row.Tries = ""
	}
	if !c.Next.IsZero() {
		row.Next = timeWords(c.Next, at)
	}
	if !c.Ended.IsZero() {
		row.Ended = timeWords(c.Ended, at)
	}
	for _, l := range answersTo(c, heard) {
		row.Heard = append(row.Heard, fmt.Sprintf("%s answered %s at %s", l.Who, strings.TrimPrefix(l.Why, c.Alarm+": "), timeWords(l.Time, at)))
	}
	return row
}

// uncalled says that people cannot be called, for the head of the pages; "" while they can.
func (p *Panel) uncalled() string {
	if p.opts.Callouts == nil {
		return ""
	}
	switch r := p.opts.Callouts.Reach(); {
	case !r.Reachable:
		return "Nobody can be called: " + r.Reason + ". Watch the room, and tell others yourself."
	case r.Oldest >= p.opts.Unsent:
		return fmt.Sprintf("%s unsent, the oldest for %s. Watch the room, and tell others yourself.", counted(r.Waiting, "message is", "messages are"), roughly(r.Oldest.Truncate(time.Minute)))
	}
	return ""
}

func counted(n int, one, many string) string { return fmt.Sprintf("%d %s", n, plural(n, one, many)) }

// callRoutes adds the paths about calling people.
func (p *Panel) callRoutes(mux *http.ServeMux) {
	get := []string{http.MethodGet, http.MethodHead}
	mux.Handle(exporter.LinkPath+"{token}", p.wrap(p.answer, http.MethodGet, http.MethodHead, http.MethodPost))
	mux.Handle("/callouts", p.wrap(p.calloutsPage, get...))
	mux.Handle("/api/v1/callouts", p.wrap(p.apiCallouts, get...))
	mux.Handle(phonesPath, p.wrap(p.phonesPage, get...))
	mux.Handle(phonesPath+"/{phone}/{what}", p.wrap(p.formPhone, http.MethodPost))
	mux.Handle("/api/v1/phones", p.wrap(p.apiPhones, http.MethodGet, http.MethodHead, http.MethodPost))
	mux.Handle("/api/v1/phones/{phone}", p.wrap(p.apiPhone, http.MethodDelete))
	mux.Handle("/api/v1/phones/{phone}/test", p.wrap(p.apiTestPhone, http.MethodPost))
	mux.Handle("/manifest.webmanifest", p.wrap(p.manifest, get...))
	mux.Handle("/worker.js", p.wrap(p.worker, get...))
	for _, size := range iconSizes {
		mux.Handle(fmt.Sprintf("/assets/icon-%d.png", size), p.wrap(icon(size), get...))
	}
}
