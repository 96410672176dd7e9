package panel

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"roundsman/collector/sorting"
	"roundsman/exporter"
	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/page"
	"roundsman/rules"
)

// alarmReview is what the alarms page tells of the alarm system: each figure beside what is recommended, then the alarms
// to look at.
type alarmReview struct {
	Told     string // instead of figures
	Begin    string
	End      string
	Counts   string
	Remarks  []string
	Findings []finding
	Sources  []string
	Lists    []alarmTable
}

// alarmTable is a list of alarms to look at, or of floods.
type alarmTable struct {
	Title string
	Head  []string // the first is of the name, the others of numbers
	Rows  [][]string
	More  int // left out
}

// mostListed is how many lines such a list has on the page.
const mostListed = 10

// alarmReview computes the figures of a span, or leaves word of why there are none. The alarms themselves are shown all
// the same.
func (p *Panel) alarmReview(r *http.Request, v *exporter.View, span spanChoice) *alarmReview {
	if p.opts.Reviews == nil {
		return nil
	}
	h := reviewHead{Span: span, zone: siteZone(v), status: http.StatusOK}
	var f review.Figures
	if err := h.figures(r.Context(), p.opts.Reviews.Alarms, &f); err != nil {
		p.opts.Log.Error("figures of the alarm system not shown", "err", err)
		return &alarmReview{Told: "The figures cannot be computed now."}
	}
	if h.Told != "" {
		return &alarmReview{Told: h.Told}
	}
	h.spanned(f.From, f.To)
	unseen := f.Unseen()
	if f.SeenSeconds == 0 && f.Alarms == 0 {
		return &alarmReview{Told: capital(unseen) + "."}
	}
	a := &alarmReview{Begin: h.Begin, End: h.End, Counts: page.Count(f.Alarms, "alarm") + ", " + page.Count(f.Notes, "note") + " kept apart: a note rings nobody."}
	a.Findings, a.Sources = findingsOf(f.Findings, 2)
	if unseen != "" {
		a.Remarks = append(a.Remarks, capital(unseen)+".")
	}
	if f.SeenSeconds < (30 * 24 * time.Hour).Seconds() {
		a.Remarks = append(a.Remarks, "The recommendations are meant for at least 30 days (ISA-18.2, from memory).")
	}
	if f.Repaired > 0 {
		a.Remarks = append(a.Remarks, page.Count(f.Repaired, "alarm")+" ended or acknowledged before they started, the clock was set back: counted as at once.")
	}
	a.Remarks = append(a.Remarks, fmt.Sprintf("A flood begins at %d or more alarms in ten minutes and ends below %d; sources differ between 10 or more and more than 10.", f.FloodBegins, f.FloodEnds))
	a.lists(&f, h.zone)
	return a
}

func (a *alarmReview) table(title string, total int, head ...string) *alarmTable {
	a.Lists = append(a.Lists, alarmTable{Title: title, Head: head, More: max(0, total-mostListed)})
	return &a.Lists[len(a.Lists)-1]
}

func (t *alarmTable) row(cells ...string) {
	if len(t.Rows) < mostListed {
		t.Rows = append(t.Rows, cells)
	}
}

func (a *alarmReview) lists(f *review.Figures, zone *time.Location) {
	when := func(t time.Time) string { return t.In(zone).Format("Mon 2 Jan 15:04") }
	if list := slices.Clone(f.Sliding.Episodes); len(list) > 0 {
		sorting.StableFunc(list, func(a, b review.Flood) int { return cmp.Compare(b.Alarms, a.Alarms) })
		t := a.table("Floods", len(list), "From", "to", "alarms", "most in 10 min")
		for _, e := range list {
			to := "not over"
			if !e.End.IsZero() {
				to = when(e.End)
			}
			t.row(when(e.Begin), to, strconv.Itoa(e.Alarms), strconv.Itoa(e.Peak))
		}
	}
	if len(f.Frequent) > 0 {
		t := a.table(fmt.Sprintf("Most frequent: together %s of all, of %d different", plainly(page.Percent(f.FrequentAll, 2)), f.Different), len(f.Frequent), "Alarm", "alarms", "share")
		for _, e := range f.Frequent {
			t.row(alarmTitle(e.Alarm), strconv.Itoa(e.Alarms), plainly(page.Percent(e.Share, 2)))
		}
	}
	if len(f.Chattering) > 0 {
		t := a.table("Chattering: 3 starts in a minute", len(f.Chattering), "Alarm", "minutes", "starts in them", "first")
		for _, e := range f.Chattering {
			t.row(alarmTitle(e.Alarm), strconv.Itoa(e.Windows), strconv.Itoa(e.Starts), when(e.First))
		}
	}
	if len(f.Fleeting) > 0 {
		t := a.table("Fleeting: over within "+lasting(minutes.Known(f.FleetingSeconds))+" by itself", len(f.Fleeting), "Alarm", "times")
		for _, e := range f.Fleeting {
			t.row(alarmTitle(e.Alarm), strconv.Itoa(e.Alarms))
		}
	}
	if len(f.Stale.Alarms) > 0 {
		t := a.table("Stale: active over 24 h", len(f.Stale.Alarms), "Alarm", "since", "active", "until")
		for _, e := range f.Stale.Alarms {
			until := "still active"
			if !e.End.IsZero() {
				until = when(e.End)
			}
			t.row(alarmTitle(e.Alarm), when(e.Start), lasting(minutes.Known(e.Seconds)), until)
		}
	}
}

// journalFilter is what of the journal a page shows.
type journalFilter struct {
	Alarms, Kinds []option
	Who           string
	On            bool // something is left out
}

type option struct {
	Value, Words string
	Chosen       bool
}

// boxKinds are the kinds of the journal's lines that are not an alarm's; a test holds them against the record's.
var boxKinds = []string{"box started", "box stopped", "outage", "clock stepped", "rules reloaded", "alarm removed", "lines lost", "lines re-dated",
	"record set aside", "remark", "leak tested", "as found", "as left", "meter jumped", "meter explained", "serviced", "record taken up", "judged anew", "answer", "answer unheard", "drill", "nobody called"}

// JournalKinds returns the kinds of lines that the alarms page offers to filter the journal by.
func JournalKinds() (list []string) {
	for k := rules.EventKind(0); k.String() != "unknown"; k++ {
		list = append(list, k.String())
	}
	return append(list, boxKinds...)
}

// filterFields of the alarms page's query, which its links and its form keep.
var filterFields = []string{"alarm", "kind", "who"}

// stretchOf returns what of the journal was asked for, and the form that asks for it.
func stretchOf(q url.Values, v *exporter.View, span *spanChoice) (exporter.Stretch, journalFilter) {
	s := exporter.Stretch{From: span.begin(), To: span.To, Alarm: q.Get("alarm"), Kind: q.Get("kind"), Who: strings.TrimSpace(q.Get("who"))}
	f := journalFilter{Who: s.Who, On: s.Alarm != "" || s.Kind != "" || s.Who != "" || !s.From.IsZero() || !s.To.IsZero()}
	var names []string
	for i := range v.Site.Rules {
		names = append(names, v.Site.Rules[i].Name)
	}
	f.Alarms = options(names, s.Alarm, fullAlarmTitle)
	f.Kinds = options(JournalKinds(), s.Kind, capital)
	return s, f
}

// options returns choices by their words; the chosen one stands there even if it is none of them.
func options(values []string, chosen string, words func(string) string) (list []option) {
	if chosen != "" && !slices.Contains(values, chosen) {
		values = append(slices.Clone(values), chosen)
	}
	for _, v := range values {
		list = append(list, option{v, words(v), v == chosen})
	}
	sorting.StableFunc(list, func(a, b option) int { return strings.Compare(a.Words, b.Words) })
	return list
}

// fullAlarmTitle returns a rule's name in words, with the point of a rule over several.
func fullAlarmTitle(name string) string {
	if _, point, ok := strings.Cut(name, ":"); ok {
		return alarmTitle(name) + ", " + lower(inWords(point))
	}
	return alarmTitle(name)
}
