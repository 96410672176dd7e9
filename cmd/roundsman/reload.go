package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"reflect"
	"strings"
	"syscall"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// reloadRequest brings the site's files, read anew, to the judge: either a site or what is wrong.
type reloadRequest struct {
	site *configs.Site
	err  error
	take func() // what else takes over together with the rules
	who  string
	done chan error // has room for one
}

// reloader reads the site's files again when asked to: by a signal or by a person.
type reloader struct {
	path    string
	judge   *judge
	people  *people         // whom a reload reads anew; nil: nobody
	manager *serviceManager // told of each reload; nil: nobody
}

// run waits for the hang-up signal, which means 'read your files again', until ctx ends.
func (r *reloader) run(ctx context.Context) error {
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-hup:
			_ = r.reload(ctx, "signal") // the judge has said what is wrong
		}
	}
}

// reload reads the files and hands them to the judge. The error is what is wrong with them; the last good rules go on.
func (r *reloader) reload(ctx context.Context, who string) error {
	defer r.manager.reloading()()
	site, err := configs.LoadFile(r.path)
	take := func() {}
	if err == nil {
		take, err = r.people.read(site)
	}
	q := reloadRequest{site: site, err: err, take: take, who: who, done: make(chan error, 1)}
	select {
	case r.judge.reloads <- q:
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-q.done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// errRestart: what was changed takes more than new rules.
var errRestart = errors.New("points were changed in the site file: restart to read them")

// reload puts new rules in force, or says why the old ones go on.
func (j *judge) reload(ctx context.Context, r reloadRequest) error {
	err := r.err
	if err == nil && !samePoints(r.site.Points, j.site.Points) {
		err = errRestart
	}
	if err == nil {
		byWall(r.site, j.clock, j.self.notBefore)
		err = j.swap(r.site)
	}
	if err != nil {
		j.self.files = firstLine(err.Error())
		j.log.Error("reload", "error", err)
		j.look(ctx) // its own alarm rings now
		return err
	}
	r.take()
	j.self.files = ""
	j.log.Info("reloaded", "rules", len(j.site.Rules), "who", r.who)
	j.keep.line(record.Line{Kind: record.RulesReloaded, Who: r.who, Why: fmt.Sprintf("%d rules", len(j.site.Rules))})
	now := j.clock.Now()
	j.resume(ctx, now)
	j.look(ctx)
	j.publish(now)
	return nil
}

// resume lets a new engine see the room as it is: what is still true goes on, what is new begins.
func (j *judge) resume(ctx context.Context, now collector.Moment) {
	j.readings = append(j.readings[:0], j.latest...)
	j.events, j.deadline = j.engine.Step(now, j.readings, j.events[:0])
	j.readings = j.readings[:0]
	j.keep.whole(j)
	j.settle(ctx, now)
}

// swap replaces the engine and the desk by ones for the new files that go on from what the old ones know.
func (j *judge) swap(site *configs.Site) error {
	engine, err := rules.New(j.site.Points, site.Rules)
	if err != nil {
		return err
	}
	box, err := j.calls.newBox(site)
	if err != nil {
		return err
	}
	was := j.engine.Save()
	j.keep.forget(j, engine.Restore(j.clock.Now(), was), was)
	engine.Track()
	j.engine, j.files = engine, site
	j.calls.follow(j.clock.Now(), site, box, &j.keep.change)
	j.figures.rules.Store(&site.Rules.Rules)
	j.site = &exporter.Site{Name: site.Name, Zone: site.Zone, Points: j.site.Points, Rules: site.Rules.Rules, Demo: j.site.Demo}
	return nil
}

// samePoints compares points but for the ends of ranges that are not given (NaN is never equal to itself).
func samePoints(a, b []collector.Point) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		x, y := a[i], b[i]
		if x.Low != x.Low && y.Low != y.Low {
			x.Low, y.Low = 0, 0
		}
		if x.High != x.High && y.High != y.High {
			x.High, y.High = 0, 0
		}
		if !reflect.DeepEqual(x, y) {
			return false
		}
	}
	return true
}

func firstLine(text string) string {
	line, rest, more := strings.Cut(text, "\n")
	if more && rest != "" {
		line += fmt.Sprintf(" (and %d more)", strings.Count(strings.TrimRight(rest, "\n"), "\n")+1)
	}
	return line
}
