// Package panel is Roundsman's window: the web pages and the JSON interface.
// It reads the board, hands on what people do to alarms, and changes nothing by
// itself. Every page is a pure function of a view, a moment and who looks, so a
// test renders it without a server; handlers return errors and one wrapper turns
// them into application/problem+json.
//
//	p := panel.New(board, panel.Options{Log: log})
//	mux.Handle("/", p.Handler())
package panel

import (
	"context"
	"log/slog"
	"net/http"
	"strings"
	"sync/atomic"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/signin"
)

// Part is one long-running part of the daemon, for /health.
type Part struct {
	Name   string
	Alive  bool
	Detail string // why it is not alive, or what it is doing; may be ""
}

// Options are what the panel needs beside the board. The zero value works.
type Options struct {
	// Parts tells how the parts of the daemon are. It is asked at each look at
	// /health, from any goroutine, and must not block. Nil means none to tell of.
	Parts func() []Part
	// Hosts are the names, beside the loopback ones, under which the panel may be
	// asked on a loopback address: those of a proxy in front of it.
	Hosts []string
	// Acts carries out what people do to alarms; nil: nothing can be done to them here. The answer to an act shows the
	// alarm as the board has it when Act returns, so publish the view that holds its outcome before.
	Acts exporter.Acts
	// People are those who may act, by unique ID; none: nobody may. Those with a key may from anywhere, and behind a
	// proxy everybody needs one; those without only over loopback.
	People []exporter.Person
	// PeopleNow returns those who may act now, instead of People: a reload exchanges them. It is asked at each request,
	// from any goroutine, and must not block; nobody changes what it returned.
	PeopleNow func() []exporter.Person
	// Reload reads the rule files anew for a person of that name; nil: that cannot be done here. The error is what is
	// wrong with the files, for the person to read: the last good rules go on.
	Reload func(ctx context.Context, who string) error
	// Journal is read for the alarms page and the interface; nil: there is none.
	Journal exporter.Journal
	// Trends is read for what was kept of readings; nil: there is none.
	Trends exporter.Trends
	// Facts tells how a point is read, for commissioning; nil: that is not known. It must not block.
	Facts func(point string) exporter.PointFacts
	// Duties are asked what equipment did; nil: nothing is recorded.
	Duties exporter.Duties
	// Services keeps what people did on equipment; nil: nothing is recorded.
	Services exporter.Services
	// Meters takes what people say of meters that jumped; nil: nothing is recorded.
	Meters exporter.Meters
	// Plants are asked how air and water did; nil: nothing is recorded.
	Plants exporter.Plants
	// Reviews are asked for the figures of the alarm system; nil: nothing is recorded.
	Reviews exporter.Reviews
	// Suggestions are asked for what rehearsal suggests for the worst alarms; nil: nothing is recorded.
	Suggestions exporter.Suggestions
	// Links are the one-time links of messages, behind exporter.LinkPath; nil: none is valid.
	Links exporter.Links
	// Callouts is what is known of calling people, for its page and the banner; nil: nobody is called from here.
	Callouts exporter.Callouts
	// Drills are test calls; nil: nobody is called from here.
	Drills exporter.Drills
	// Comparisons keeps what people read off gauges beside readings; nil: nothing is recorded here.
	Comparisons exporter.Comparisons
	// Phones are those on which people installed the panel; nil: web push is not set up.
	Phones exporter.Phones
	// PhonesOn tells whether web push is set up now: a reload may change that. It is asked at each request. nil: as Phones say.
	PhonesOn func() bool
	// Unsent is how old the oldest unsent message may be before the pages say so; 0 means 5 min.
	Unsent time.Duration
	// Door lets people in by a password; nil: nobody signs in here.
	Door *signin.Door
	// Viewing says who may look; nil: anyone.
	Viewing func() Viewing
	// Certificate is what the panel is served with; nil: no TLS.
	Certificate func() Certificate
	// Throttle is the least time between two events on one stream; 0 means 500 ms.
	Throttle time.Duration
	// Heartbeat is the longest silence on a stream; 0 means 5 s.
	Heartbeat time.Duration
	// MaxStreams is the most streams open at once, the next gets 503; 0 means 64.
	MaxStreams int
	// Overdue is how old the newest view may be before the pages say that the
	// judging has stopped; 0 means 10 s.
	Overdue time.Duration
	// Log gets what went wrong while answering; nil for nothing.
	Log *slog.Logger
}

// withDefaults fills what was left zero. A round takes about a second: half of
// it keeps a page fresh, five of them are a silence worth noticing.
func (o Options) withDefaults() Options {
	def := func(d *time.Duration, v time.Duration) {
		if *d <= 0 {
			*d = v
		}
	}
	def(&o.Throttle, 500*time.Millisecond)
	def(&o.Heartbeat, 5*time.Second)
	def(&o.Overdue, 10*time.Second)
	def(&o.Unsent, 5*time.Minute)
	if o.MaxStreams <= 0 {
		o.MaxStreams = 64
	}
	if o.Parts == nil {
		o.Parts = func() []Part { return nil }
	}
	if o.Viewing == nil {
		o.Viewing = func() Viewing { return ByAnyone }
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return o
}

// Panel serves the pages and the JSON interface. It is safe for simultaneous use.
type Panel struct {
	board   *exporter.Board
	opts    Options
	streams chan struct{} // one token for each open stream

	shared   shared                 // what streams send
	drawings drawings               // of the pages of points
	traces   atomic.Pointer[traces] // of the sheet; nil before Run
	looks    chan struct{}          // one token: somebody looked at them since they were drawn
	log      sinceLog               // since when states are as they are
}

// New returns a panel over board.
func New(board *exporter.Board, opts Options) *Panel {
	opts = opts.withDefaults()
	return &Panel{board: board, opts: opts, streams: make(chan struct{}, opts.MaxStreams), looks: make(chan struct{}, 1)}
}

// Handler returns the handler of all the panel's paths. It answers 404 with a
// problem document to every other path, so it may serve '/' of a larger mux.
func (p *Panel) Handler() http.Handler {
	mux := http.NewServeMux()
	for path, h := range map[string]handler{
		"/{$}":                               p.sheetPage,
		"/alarms":                            p.alarmsPage,
		suggestionsPath:                      p.suggestionsPage,
		"/points/{point}":                    p.pointPage,
		"/pumps":                             p.pumpsPage,
		"/air":                               p.airPage,
		"/water":                             p.waterPage,
		"/points/{point}/readings.csv":       p.readingsCSV,
		"/certificate":                       p.certificate,
		"/health":                            p.health,
		"/api/v1/points":                     p.apiPoints,
		"/api/v1/points/{point}/readings":    p.apiReadings,
		"/api/v1/alarms":                     p.apiAlarms,
		"/api/v1/journal":                    p.apiJournal,
		"/api/v1/equipment":                  p.apiEquipment,
		"/api/v1/equipment/{equipment}/duty": p.apiDuty,
		"/api/v1/figures":                    p.apiFigures,
		"/api/v1/air":                        p.apiAir,
		"/api/v1/water":                      p.apiWater,
		"/api/v1/stream":                     p.within(p.stream),
		"/assets/{file}":                     p.asset,
		"/":                                  notFound,
	} {
		mux.Handle(path, p.wrap(h, http.MethodGet, http.MethodHead))
	}
	for path, h := range map[string]handler{
		"/api/v1/alarms/{alarm}/{act}":            p.apiAct,
		"/api/v1/reload":                          p.apiReload,
		"/api/v1/equipment/{equipment}/serviced":  p.apiServiced,
		"/api/v1/equipment/{equipment}/explained": p.apiExplained,
		"/equipment/{equipment}/explained":        p.form(p.formExplained),
		"/alarms/{alarm}/{act}":                   p.form(p.formAct),
		"/who":                                    p.form(p.formWho),
	} {
		mux.Handle(path, p.wrap(h, http.MethodPost))
	}
	mux.Handle("/api/v1/drill", p.wrap(p.apiDrill, http.MethodGet, http.MethodHead, http.MethodPost))
	p.callRoutes(mux)
	p.compareRoutes(mux)
	p.signInRoutes(mux)
	return p.guard(p.private(pack(mux)))
}

// now returns the view to show and the present moment on its scale.
func (p *Panel) now() (*exporter.View, collector.Moment) {
	return p.board.View(), p.board.Clock().Now()
}

// wallTime returns the wall time of moments, as the page shows them.
func (p *Panel) wallTime(m collector.Moment) time.Time { return p.board.Clock().Time(m) }

func notFound(_ http.ResponseWriter, r *http.Request) error {
	return problemf(http.StatusNotFound, "there is nothing at %s", strings.ToValidUTF8(r.URL.Path, "?"))
}
