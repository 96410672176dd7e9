package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/callout/outbox"
	"roundsman/exporter/certificate"
	"roundsman/exporter/metrics"
	"roundsman/exporter/panel"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// stopLimit is how long a planned stop may take.
const stopLimit = 5 * time.Second

// errEnded: a part of the daemon does not end by itself.
var errEnded = errors.New("ended by itself")

// part is one long-running piece of the daemon.
type part struct {
	name  string
	run   func(context.Context) error
	alive *atomic.Bool
}

// daemon is the whole: links that read, a judge, a record that keeps and a server that shows.
type daemon struct {
	site   *configs.Site
	log    *slog.Logger
	clock  *collector.Clock
	set    settings
	record *record.Record // nil where nothing can be kept
	held   *standIn       // what is kept meanwhile; nil: the record is open, or none is wanted
	late   *record.Record // that could be opened after the start
	upkeep *record.Upkeep // of the record
	judge  *judge
	board  *exporter.Board
	cert   *certificate.Keeper // nil without TLS
	people *people             // who may act; nil before serve
	parts  []part              // but the judge, which ends after them
	judges *atomic.Bool
}

// settings are what a daemon is built with beside its site.
type settings struct {
	log    *slog.Logger
	record string // path; "": nothing is kept
	demo   bool

	notBefore time.Time          // the build date: before it the clock is not set
	boot      func() record.Boot // the machine's run; nil: as the system tells

	address string           // where the daemon before listened; "": as the site says
	held    *standIn         // of a daemon whose record cannot be opened
	opened  *record.Record   // the record of one that goes on from such a daemon, with its clock
	clock   *collector.Clock // nil: a new one
}

// store returns what is written to: the record, or what stands in for one; nil for none.
func (s *settings) store(rec *record.Record) store {
	switch {
	case rec != nil:
		return rec
	case s.held != nil:
		return s.held
	}
	return nil
}

// newDaemon builds the parts from the site's files and opens the record; it starts nothing. Close it after Run.
func newDaemon(site *configs.Site, set settings) (*daemon, error) {
	if set.clock == nil {
		set.clock = collector.NewClock()
	}
	d := &daemon{site: site, log: set.log, clock: set.clock, judges: new(atomic.Bool)}
	maker := makeLink(d.log, d.clock)
	links, err := maker.all(site, linkNames(site))
	if err != nil {
		return nil, err
	}
	if err := d.openRecord(&set); err != nil {
		return nil, err
	}
	d.set = set
	if d.judge, err = newJudge(site, links, d.clock, d.record, set); err != nil {
		return nil, errors.Join(err, d.Close())
	}
	d.board = d.judge.board
	d.keepReadings()
	d.add("figures", d.judge.figures.run)
	d.add("call-out", d.judge.calls.run)
	d.judge.makeLink = maker
	d.add("links", func(ctx context.Context) error { return d.judge.links.run(ctx, d.judge.in) })
	return d, nil
}

// openRecord opens the record. One that another daemon has, or that a newer version wrote, is refused; with any other trouble the
// room is watched all the same: the box's own alarm tells, and what happens is held in memory until the record can be
// opened.
func (d *daemon) openRecord(set *settings) error {
	if set.record == "" {
		return nil
	}
	if set.opened != nil {
		d.record, set.opened = set.opened, nil
		return nil
	}
	d.set = *set
	r, err := record.Open(set.record, d.recordOptions(0))
	if errors.Is(err, record.ErrInUse) || errors.Is(err, record.ErrNewer) {
		return err
	}
	d.record = r
	if err == nil {
		return nil
	}
	if set.demo {
		d.log.Error("the room is watched, but nothing is kept", "error", err)
		return nil
	}
	d.log.Error("the room is watched, and what happens is kept in memory until the record can be opened", "error", err)
	d.held = newStandIn(d.clock, err)
	set.held = d.held
	d.add("record", d.waitForRecord)
	return d.held.Follow(d.site.Points)
}

// recordOptions are how the record is kept; began is not zero if it is opened later than the daemon began.
func (d *daemon) recordOptions(began collector.Moment) record.Options {
	version, _, _ := build()
	o := record.Options{Clock: d.clock, Version: version, NotBefore: d.set.notBefore, Zone: d.site.Zone, Boot: d.set.boot, Began: began}
	if began != 0 {
		o.Queue = 2*record.DefaultQueue + len(d.site.Rules.Rules) // what was held goes in one transaction
	}
	return o
}

// Close closes the record. Call it when Run has ended.
func (d *daemon) Close() (err error) {
	if d.held != nil && d.judge != nil {
		return d.rest()
	}
	if d.record == nil {
		return nil
	}
	if d.upkeep != nil {
		err = d.upkeep.Close()
	}
	return errors.Join(err, d.record.Close())
}

func (d *daemon) add(name string, run func(context.Context) error) {
	d.parts = append(d.parts, part{name: name, run: run, alive: new(atomic.Bool)})
}

// Run runs every part until ctx ends or one of them fails. The judge ends last: it takes and keeps what the links
// still sent.
func (d *daemon) Run(ctx context.Context) error {
	all, ctx := errgroup.WithContext(ctx)
	judging, stopJudging := context.WithCancel(context.WithoutCancel(ctx))
	all.Go(func() error { return part{"judge", d.judge.run, d.judges}.work(judging) })
	all.Go(func() error {
		defer stopJudging()
		others, ctx := errgroup.WithContext(ctx)
		for _, p := range d.parts {
			others.Go(func() error { return p.work(ctx) })
		}
		return others.Wait()
	})
	return all.Wait()
}

// work runs the part. An end that nobody asked for is an error.
func (p part) work(ctx context.Context) error {
	p.alive.Store(true)
	defer p.alive.Store(false)
	err := p.run(ctx)
	if ctx.Err() != nil && (err == nil || errors.Is(err, ctx.Err())) {
		return nil
	}
	if err == nil {
		err = errEnded
	}
	return fmt.Errorf("%s: %w", p.name, err)
}

// health tells which parts are alive, for /health.
func (d *daemon) health() []panel.Part {
	parts := []panel.Part{{Name: "judge", Alive: d.judges.Load()}}
	for _, p := range d.parts {
		parts = append(parts, panel.Part{Name: p.name, Alive: p.alive.Load()})
	}
	return append(parts, d.judge.links.health()...)
}

// serve adds the web server on a listener that is already open. path is that of the site file, beside which keys lie.
func (d *daemon) serve(l net.Listener, path string, reload func(ctx context.Context, who string) error) {
	version, commit, goVersion := build()
	mux := http.NewServeMux()
	scrape := readOnly(metrics.New(d.board, metrics.Build{Version: version, Commit: commit, Go: goVersion}).Handler())
	opts := panel.Options{Parts: d.health, Log: d.log, Acts: d.judge, Reload: reload, Facts: factsNow(d.judge.current.Load)}
	if d.record != nil {
		opts.Journal = journal{d.record.Reader, d.judge.figures.priority}
		opts.Comparisons = d.judge
		opts.Trends = trends{d.record.Reader}
		opts.Services, opts.Meters = d.judge, d.judge
		q := newReviewing(d.clock)
		duties, plants := newDutyAnswers(q, d.record.Reader, d.site, d.board.View), newPlantAnswers(q, d.record.Reader, d.site)
		duties.site, plants.site = d.judge.current.Load, d.judge.current.Load
		opts.Duties, opts.Plants = duties, plants
		opts.Suggestions = &suggestions{newReviewing(d.clock), d.record.Reader, d.judge.current.Load}
		opts.Reviews = newReviews(q, d.record.Reader, func() []rules.Rule { return *d.judge.figures.rules.Load() })
	}
	if d.record != nil {
		opts.Callouts = &outbox.Shown{Kept: d.record, Sender: d.judge.calls.sender, Clock: d.clock}
		opts.Drills = d.judge
		opts.Phones, opts.PhonesOn = d.judge.calls.maker.phones, func() bool { return pushes(d.judge.current.Load()) }
	}
	if links := d.judge.calls.links; links != nil {
		opts.Links = links
	}
	var err error
	if d.people, err = newPeople(d.site, path); err != nil {
		d.log.Error("left out of those who may act", "error", err) // the room is watched all the same
	}
	opts.PeopleNow = d.people.list
	d.signIns(&opts, path)
	p := panel.New(d.board, opts)
	mux.Handle("/metrics", p.Private(scrape))
	mux.Handle("/", p.Handler())
	d.add("pages", p.Run)
	d.add("web", func(ctx context.Context) error { return serveHTTP(ctx, l, newOrder(mux)) })
}

// readOnly lets only requests through that change nothing.
func readOnly(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			http.Error(w, "only GET and HEAD", http.StatusMethodNotAllowed)
			return
		}
		h.ServeHTTP(w, r)
	})
}
