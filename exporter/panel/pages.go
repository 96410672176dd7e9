package panel

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"path"
	"strings"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/rules"
)

//go:embed assets
var assets embed.FS

// pages are the templates; they do not change.
var pages = template.Must(template.New("").Funcs(template.FuncMap{"asset": assetPath}).ParseFS(assets, "assets/*.html"))

// show renders a page whole before anything is sent, so that an error is an answer of its own.
func show(w http.ResponseWriter, name string, data any) error {
	return showAs(w, http.StatusOK, name, data)
}

// showAs renders a page that is an answer of its own kind.
func showAs(w http.ResponseWriter, status int, name string, data any) error {
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, name, data); err != nil {
		return fmt.Errorf("page: %w", err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // the client may be gone
	return nil
}

func (p *Panel) sheetPage(w http.ResponseWriter, r *http.Request) error {
	p.looked(r.Context())
	v, now := p.now()
	return show(w, "sheet.html", p.sheet(v, now))
}

// alarmList is the page of alarms.
type alarmList struct {
	head
	Visitor               visitor
	Standing, Held, Quiet []alarmRow
	Journal               bool // there is one
	JournalLost           bool // it cannot be read
	journalPage
	Span   spanChoice
	Filter journalFilter
	System *alarmReview // nil: nothing is recorded
	// Suggests says that there are suggestions for them.
	Suggests bool
}

// slowRefresh, in seconds, of a page with forms: a browser without scripts drops what was typed when it fetches the page anew.
const slowRefresh = 60

func (p *Panel) alarmsPage(w http.ResponseWriter, r *http.Request) error {
	var older int64 // journal lines than the one of this number
	if err := wholeField(r.URL.Query(), "older", 1, math.MaxInt64, &older); err != nil {
		return err
	}
	v, now := p.now()
	l := p.alarmList(v, now, p.visitor(r))
	l.Review, l.Span = true, choose(r.URL.Query(), "/alarms", "30-days", p.wallTime(v.At).In(siteZone(v)), filterFields...)
	if p.opts.Journal != nil {
		var err error
		var s exporter.Stretch
		l.Journal = true
		s, l.Filter = stretchOf(r.URL.Query(), v, &l.Span)
		s.After = older
		if l.journalPage, err = p.journalPageOf(r.Context(), v, s); err != nil {
			p.opts.Log.Error("journal not shown", "err", err) // the alarms are shown all the same
			l.JournalLost = true
		}
		l.link(r.URL.Query())
	}
	l.System, l.Suggests = p.alarmReview(r, v, l.Span), p.opts.Suggestions != nil
	if l.Span.Wrong != "" {
		return showAs(w, http.StatusBadRequest, "alarms.html", l)
	}
	return show(w, "alarms.html", l)
}

func (p *Panel) alarmList(v *exporter.View, now collector.Moment, vis visitor) alarmList {
	l := alarmList{head: p.head(v, now, "alarms", "Alarms"), Visitor: vis}
	if vis.By != "" {
		l.Refresh = slowRefresh
	}
	for _, s := range standing(v) {
		l.Standing = append(l.Standing, p.alarmRow(v, s, now).withActs(vis, v, s))
	}
	for _, s := range v.Alarms {
		switch {
		case stands(&s) || !known(v, s):
		case s.State == rules.Normal:
			// acts on quiet alarms are on their points' pages; what has no point has no other place
			row := p.alarmRow(v, s, now)
			if row.Point == "" {
				row = row.withActs(vis, v, s)
			}
			l.Quiet = append(l.Quiet, row)
		default:
			l.Held = append(l.Held, p.alarmRow(v, s, now).withActs(vis, v, s))
		}
	}
	return l
}

// pointSheet is the page of one point.
type pointSheet struct {
	head
	Visitor             visitor
	Row                 row
	Name, Station, Link string
	Range, Raw, Read    string
	Status              string          // NE 107
	Facts               []exporter.Fact // how it is read
	Course              *course         // nil: there is none
	Judges              []judge
}

// judge is one rule over the point.
type judge struct {
	alarmRow
	Deadband, OnDelay, OffDelay, Respond, Defined string
}

func (p *Panel) pointPage(w http.ResponseWriter, r *http.Request) error {
	v, now := p.now()
	name := r.PathValue("point")
	for i := range v.Site.Points {
		if v.Site.Points[i].Name == name {
			span, err := trendSpanOf(r.URL.Query())
			if err != nil {
				return err
			}
			s := p.pointSheet(v, i, now, p.visitor(r))
			s.Facts, s.Course = p.facts(name).Facts, p.course(r.Context(), v, i, span)
			return show(w, "point.html", s)
		}
	}
	return problemf(http.StatusNotFound, "there is no point %q", strings.ToValidUTF8(name, "?"))
}

func (p *Panel) pointSheet(v *exporter.View, i int, now collector.Moment, vis visitor) pointSheet {
	pt, r := &v.Site.Points[i], reading(v, i)
	s := pointSheet{head: p.head(v, now, "point", pt.Name), Row: newRow(v, i, limitsOf(v.Site)[i], alarmsByPoint(v)[i]),
		Name: pt.Name, Station: inWords(pt.Station), Link: pt.Link, Visitor: vis}
	if vis.By != "" {
		s.Refresh = slowRefresh
	}
	if number(pt.Low) != nil && number(pt.High) != nil && pt.High > pt.Low {
		s.Range = decimal(pt.Low, pt.Digits) + " to " + quantity(pt.High, pt.Digits, pt.Unit)
	}
	if r.Quality != collector.Unread {
		at := p.wallTime(v.At).In(siteZone(v))
		s.Read = p.clockWords(r.At, at) + ", " + roughly(now.Sub(r.At)) + " ago"
		s.Raw = fmt.Sprintf("%g", r.Raw)
		s.Status = r.Status().String()
	}
	for _, a := range v.Alarms {
		if known(v, a) && v.Site.Rules[a.Rule].Point == pt.ID {
			s.Judges = append(s.Judges, p.judge(v, p.alarmRow(v, a, now).withActs(vis, v, a), a.Rule))
		}
	}
	return s
}

func (p *Panel) judge(v *exporter.View, a alarmRow, rule int) judge {
	r := &v.Site.Rules[rule]
	j := judge{alarmRow: a, Defined: path.Base(r.Defined)}
	if r.Deadband > 0 {
		j.Deadband = quantity(r.Deadband, r.Digits, r.Unit)
	}
	if r.OnDelay > 0 {
		j.OnDelay = roughly(r.OnDelay)
	}
	if r.OffDelay > 0 {
		j.OffDelay = roughly(r.OffDelay)
	}
	if r.TimeToRespond > 0 {
		j.Respond = roughly(r.TimeToRespond)
	}
	return j
}
