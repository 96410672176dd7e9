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
	"roundsman/collector/modbus"
	"roundsman/collector/mqtt"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/metrics"
	"roundsman/exporter/panel"
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

// daemon is the whole: links that read, a judge, and a server that shows.
type daemon struct {
	site  *configs.Site
	log   *slog.Logger
	clock *collector.Clock
	links []collector.Link
	judge *judge
	board *exporter.Board
	parts []part
}

// newDaemon builds the parts from the site's files; it starts nothing.
func newDaemon(site *configs.Site, log *slog.Logger, demo bool) (*daemon, error) {
	d := &daemon{site: site, log: log, clock: collector.NewClock()}
	if err := d.addLinks(); err != nil {
		return nil, err
	}
	var err error
	if d.judge, err = newJudge(site, d.links, d.clock, log, demo); err != nil {
		return nil, err
	}
	d.board = d.judge.board
	d.add("judge", d.judge.run)
	for _, l := range d.links {
		d.add("link "+l.Name(), func(ctx context.Context) error { return l.Run(ctx, d.judge.in) })
	}
	return d, nil
}

func (d *daemon) addLinks() error {
	for _, o := range d.site.Modbus {
		l, err := modbus.New(o, d.site.Points, d.clock)
		if err != nil {
			return fmt.Errorf("link %s: %w", o.Name, err)
		}
		d.links = append(d.links, l)
	}
	for _, o := range d.site.MQTT {
		l, err := mqtt.New(o, d.site.Points, d.clock)
		if err != nil {
			return fmt.Errorf("link %s: %w", o.Name, err)
		}
		d.links = append(d.links, l)
	}
	return nil
}

func (d *daemon) add(name string, run func(context.Context) error) {
	d.parts = append(d.parts, part{name: name, run: run, alive: new(atomic.Bool)})
}

// Run runs every part until ctx ends or one of them fails.
func (d *daemon) Run(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	for _, p := range d.parts {
		g.Go(func() error {
			p.alive.Store(true)
			defer p.alive.Store(false)
			err := p.run(ctx)
			if ctx.Err() != nil && (err == nil || errors.Is(err, context.Canceled)) {
				return nil // asked to stop
			}
			if err == nil {
				err = errEnded
			}
			return fmt.Errorf("%s: %w", p.name, err)
		})
	}
	return g.Wait()
}

// health tells which parts are alive, for /health.
func (d *daemon) health() []panel.Part {
	parts := make([]panel.Part, 0, len(d.parts))
	for _, p := range d.parts {
		parts = append(parts, panel.Part{Name: p.name, Alive: p.alive.Load()})
	}
	return parts
}

// serve adds the web server on a listener that is already open.
func (d *daemon) serve(l net.Listener) {
	version, commit, goVersion := build()
	mux := http.NewServeMux()
	mux.Handle("/metrics", metrics.New(d.board, metrics.Build{Version: version, Commit: commit, Go: goVersion}).Handler())
	mux.Handle("/", panel.New(d.board, panel.Options{Parts: d.health, Log: d.log}).Handler())
	d.add("web", func(ctx context.Context) error { return serveHTTP(ctx, l, mux) })
}

// serveHTTP serves until ctx ends. Live streams watch ctx, so the stop need not wait for them.
func serveHTTP(ctx context.Context, l net.Listener, h http.Handler) error {
	srv := &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 5 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    64 << 10,
		BaseContext:       func(net.Listener) context.Context { return ctx },
	}
	stopped := make(chan error, 1)
	defer context.AfterFunc(ctx, func() {
		limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopLimit)
		defer cancel()
		stopped <- srv.Shutdown(limit)
	})()
	if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return <-stopped
}
