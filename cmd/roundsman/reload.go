package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/collector/leak"
	"roundsman/configs"
	"roundsman/configs/strict"
	"roundsman/exporter"
	"roundsman/exporter/callout/outbox"
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
	given   func(*configs.Site) // what the command line says instead of the file; nil: nothing
	people  *people             // whom a reload reads anew; nil: nobody
	manager *serviceManager     // told of each reload; nil: nobody
	hup     <-chan os.Signal    // a hang-up asks for one
}

// run waits for the hang-up signal, which means 'read your files again', until ctx ends.
func (r *reloader) run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-r.hup:
			_ = r.reload(ctx, "signal") // the judge has said what is wrong
		}
	}
}

// reload reads the files and hands them to the judge. The error is what is wrong with them; the last good rules go on.
func (r *reloader) reload(ctx context.Context, who string) error {
	defer r.manager.reloading()()
	site, err := configs.LoadFile(r.path)
	err = onlyErrors(err)
	take := func() {}
	if err == nil && r.given != nil {
		r.given(site)
	}
	if err == nil {
		take, err = r.people.read(site)
	}
	q := reloadRequest{site: site, err: err, take: take, who: who, done: make(chan error, 1)}
	return askJudge(ctx, r.judge.reloads, q, q.done)
}

// errRestart: a running daemon cannot take over what was changed.
var errRestart = errors.New("changed in the site file, which takes a restart; nothing was taken over")

// reload puts the files that were read anew in force, or says why the old ones go on.
func (j *judge) reload(ctx context.Context, r reloadRequest) error {
	var n *renewal
	err := r.err
	if err == nil {
		n, err = j.renewal(r.site)
	}
	if err == nil {
		err = j.swap(ctx, n)
	}
	if err != nil {
		j.self.files = firstLine(err.Error())
		j.log.Error("reload", "error", err)
		j.look(ctx) // its own alarm rings now
		return err
	}
	r.take()
	j.self.files = ""
	words := fmt.Sprintf("%d rules", len(j.site.Rules))
	if changed := n.diff.words(); changed != "" {
		words += "; " + changed
	}
	j.log.Info("reloaded", "what", words, "who", r.who)
	j.keep.line(record.Line{Kind: record.RulesReloaded, Who: r.who, Why: words})
	now := j.clock.Now()
	j.resume(ctx, now)
	j.begin(ctx, n)
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

// renewal is all that a site which was read anew takes: made, and not in force yet.
type renewal struct {
	site    *configs.Site
	diff    *siteDiff
	links   []collector.Link // that will begin
	compute *compute.Set
	engine  *rules.Engine
	duty    *duties
	box     *outbox.Outbox
}

// renewal makes what a site takes that was read anew. Nothing is touched; the error says what cannot be made.
func (j *judge) renewal(site *configs.Site) (*renewal, error) {
	if what := needRestart(j.files, site); len(what) > 0 {
		return nil, fmt.Errorf("%s: %w", strings.Join(what, ", "), errRestart)
	}
	byWall(site, j.clock, j.self.notBefore)
	n := &renewal{site: site, diff: diffSites(j.files, site), duty: newDuties(site.Equipment)}
	if err := j.remake(n); err != nil {
		return nil, err
	}
	var err error
	if n.compute, err = compute.New(site.Points, site.Compute); err != nil {
		return nil, err
	}
	if j.makeLink != nil {
		n.links, err = j.makeLink.all(site, n.diff.begin)
	}
	return n, err
}

// remake makes what goes by hours: the engine and the desk.
func (j *judge) remake(n *renewal) (err error) {
	if n.engine, err = rules.New(n.site.Points, n.site.Rules); err != nil {
		return err
	}
	n.box, err = j.calls.newBox(n.site)
	return err
}

// swap ends the links that do not go on, takes what they still sent, and goes on by the renewal from all that is known. The
// error is that of ctx; then nothing is swapped.
func (j *judge) swap(ctx context.Context, n *renewal) error {
	if err := j.end(ctx, n.diff.end); err != nil {
		return err
	}
	now := j.clock.Now()
	j.keep.rest(j, now)
	j.ever.note(j.duty.known(), j.counts(), j.leaks())
	n.compute.Follow(j.compute, n.diff.ids, n.diff.changed)
	j.carry(now, n)
	n.duty.follow(j.duty, n.diff.as, j.ever.duty, now)
	j.compute, j.duty, j.box, j.self.box = n.compute, n.duty, n.site.Box, n.site.Box
	j.renumber(n)
	j.remade(now, n)
	if !n.diff.same {
		j.keep.follow(n.site.Points)
	}
	return nil
}

// remade puts an engine and a desk in force that go on from what the old ones know.
func (j *judge) remade(now collector.Moment, n *renewal) {
	was := j.engine.Save()
	j.keep.forget(j, n.engine.Restore(now, was), was)
	n.engine.Track()
	j.engine, j.files = n.engine, n.site
	j.calls.follow(now, n.site, n.box, &j.keep.change)
	j.figures.rules.Store(&n.site.Rules.Rules)
	j.site = &exporter.Site{Name: n.site.Name, Zone: n.site.Zone, Points: n.site.Points, Rules: n.site.Rules.Rules, Demo: j.site.Demo}
	j.current.Store(n.site)
}

// carry takes the latest readings of what did not change over, and lets what changed go on from what is known of its name.
func (j *judge) carry(now collector.Moment, n *renewal) {
	latest := make([]collector.Reading, len(n.site.Points))
	var anew []collector.Point
	for i := range latest {
		latest[i] = collector.Fail(collector.PointID(i), collector.NotRead, 0, now, "")
		if n.diff.changed[i] {
			anew = append(anew, n.site.Points[i])
		}
	}
	for old, r := range j.latest {
		if id := n.diff.as(collector.PointID(old)); id != collector.NoPoint && !n.diff.changed[id] {
			r.Point = id
			latest[id] = r
		}
	}
	j.latest = latest
	n.compute.Restore(now, countsOf(anew, j.ever.counts))
	n.compute.RestoreLeaks(leaksOf(anew, j.ever.leaks))
	j.calls.trend.follow(n.diff)
}

// renumber notes under which numbers the links that go on still send.
func (j *judge) renumber(n *renewal) {
	for _, name := range n.diff.end {
		delete(j.numbers, name)
	}
	for _, l := range j.links.list() {
		ids, old := j.numbers[l.Name()]
		if !old {
			j.numbers[l.Name()] = slices.Clone(n.diff.ids)
			continue
		}
		for i, id := range ids {
			ids[i] = n.diff.as(id)
		}
	}
}

// end ends links, and judges what they and the others send meanwhile: afterwards nothing of them is under way.
func (j *judge) end(ctx context.Context, names []string) error {
	if j.makeLink == nil || len(names) == 0 {
		return nil
	}
	o := linkOrder{end: names, done: make(chan struct{})}
	orders := j.links.orders
	for ended := false; !ended; {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case orders <- o:
			orders = nil
		case b := <-j.in:
			j.take(b)
			j.step(ctx, j.clock.Now())
		case <-o.done:
			ended = true
		}
	}
	for n := len(j.in); n > 0; n = min(n, len(j.in)) { // what the others send now comes behind it
		j.take(collector.Batch{})
		j.step(ctx, j.clock.Now())
		n -= takeAtMost
	}
	return nil
}

// begin lets the new links begin, and those in force be listed as the site has them.
func (j *judge) begin(ctx context.Context, n *renewal) {
	if j.makeLink == nil || len(n.diff.end)+len(n.diff.begin) == 0 {
		return
	}
	all := append(j.links.list(), n.links...)
	list := make([]collector.Link, 0, len(all))
	for _, name := range linkNames(n.site) {
		if i := slices.IndexFunc(all, func(l collector.Link) bool { return l.Name() == name }); i >= 0 {
			list = append(list, all[i])
		}
	}
	o := linkOrder{list: list, done: make(chan struct{})}
	select {
	case j.links.orders <- o:
		<-o.done
	case <-ctx.Done():
	}
}

// ever is what was known, at a change of the site or when the record was opened, of what may come back: a machine that is taken
// out of the file and put in again goes on from its hours.
type ever struct {
	duty   map[string]duty.Kept
	counts map[string]compute.Count
	leaks  map[string]leak.Kept
}

func newEver() ever {
	return ever{map[string]duty.Kept{}, map[string]compute.Count{}, map[string]leak.Kept{}}
}

func (e *ever) note(d map[string]duty.Kept, c map[string]compute.Count, l map[string]leak.Kept) {
	maps.Copy(e.duty, d)
	maps.Copy(e.counts, c)
	maps.Copy(e.leaks, l)
}

// onlyErrors leaves out what is said of files beside what is wrong with them: the alarm and the journal have room for one line.
func onlyErrors(err error) error {
	var all configs.Problems
	if !errors.As(err, &all) {
		return err
	}
	if wrong := all.Of(strict.Error); len(wrong) > 0 {
		return wrong
	}
	return err
}

func firstLine(text string) string {
	line, rest, more := strings.Cut(text, "\n")
	if more && rest != "" {
		line += fmt.Sprintf(" (and %d more)", strings.Count(strings.TrimRight(rest, "\n"), "\n")+1)
	}
	return line
}
