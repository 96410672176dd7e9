package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// Three links: a and b are read all the time, c may go.
const threeLinks = `site: {name: Corner Wash, time-zone: Europe/Dublin}
rules: [rules.yaml]
record: {path: corner.db}
links:
  a: {modbus: 'tcp://127.0.0.1:1'}
  b: {modbus: 'tcp://127.0.0.1:2'}
  c: {modbus: 'tcp://127.0.0.1:3'}
points:
  air.pressure: {station: air, link: a, unit-id: 1, holding: 10, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}, every: 1s}
  fresh.pulses: {station: fresh, link: a, unit-id: 1, holding: 20, type: uint32, kind: counter, every: 1s}
  fresh.litres: {station: fresh, total: fresh.pulses, per-pulse: 10 L}
  fresh.flow: {station: fresh, pulses: fresh.pulses, per-pulse: 10 L, over: 2m, unit: L/min}
  air.mean: {station: air, mean: tank.level, over: 10m}
  tank.level: {station: tank, link: b, unit-id: 1, holding: 10, type: int16, unit: '%', range: [0 %, 100 %], every: 1s}
  pump.running: {station: tank, link: b, unit-id: 1, discrete: 0, type: bool, every: 1s}
  pump.fault: {station: tank, link: b, unit-id: 1, discrete: 1, type: bool, every: 1s}
  well.level: {station: well, link: c, unit-id: 1, holding: 10, type: int16, unit: '%', range: [0 %, 100 %], every: 1s}
equipment:
  pump: {run: pump.running, rated: 4 kW}
`

const threeRules = `rules:
  tank-low: {point: tank.level, low: 20 %, on-delay: 60s, severity: major, time-to-respond: 2m, response: Look.}
  pump-fault: {point: pump.fault, equals: 1, on-delay: 0s, severity: major, time-to-respond: 2m, response: Look.}
  water-much: {point: fresh.litres, total-above: {value: 6000 L, over: 1h}, severity: minor, time-to-respond: 20m, response: Look.}
  air-high: {point: air.pressure, high: 6 bar, deadband: 0.2 bar, on-delay: 0s, severity: minor, time-to-respond: 20m, response: Look.}
  pump-often: {point: pump.running, starts-above: {count: 6, over: 30m}, severity: minor, time-to-respond: 20m, response: Look.}
`

const wellRule = `  well-low: {point: well.level, low: 20 %, on-delay: 0s, severity: major, time-to-respond: 2m, response: Look.}
`

// moreOnA has a new point in front of all others, another scale on a, and no link c.
func moreOnA() string {
	s := strings.Replace(threeLinks, "points:\n", "points:\n  air.dew.point: {station: air, link: a, unit-id: 1, holding: 11, type: int16, unit: degC, range: [-40 degC, 40 degC], every: 1s}\n", 1)
	s = strings.Replace(s, "[0 bar, 16 bar]", "[0 bar, 10 bar]", 1)
	var out []string
	for line := range strings.Lines(s) {
		if !strings.HasPrefix(line, "  c:") && !strings.Contains(line, "link: c,") {
			out = append(out, line)
		}
	}
	return strings.Join(out, "")
}

// plantAt is what the room does, so many seconds after its begin.
func plantAt(name string, s int) float64 {
	switch name {
	case "fresh.pulses":
		return math.Floor(float64(s) * 0.2)
	case "tank.level":
		if s >= 100 && s < 400 {
			return 12
		}
		return 60 + 20*math.Sin(float64(s)/200)
	case "pump.running":
		return float64(s / 100 % 2)
	case "pump.fault":
		if s >= 10 {
			return 1
		}
		return 0
	case "well.level":
		return 5
	}
	return 7
}

// tickLink is a link that gives all its points each whole second after a begin.
type tickLink struct {
	name   string
	points []collector.PointID
	names  []string
	since  time.Time
	clock  *collector.Clock
	log    *linkLog
}

// linkLog counts what became of links, by name.
type linkLog struct {
	mu           sync.Mutex
	begun, ended map[string]int
	refused      string // a link that cannot be made
}

func (l *linkLog) add(to *map[string]int, name string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if *to == nil {
		*to = map[string]int{}
	}
	(*to)[name]++
}

func (l *tickLink) Name() string                 { return l.name }
func (l *tickLink) Status() collector.LinkStatus { return collector.LinkStatus{Name: l.name} }

func (l *tickLink) Run(ctx context.Context, out chan<- collector.Batch) error {
	l.log.add(&l.log.begun, l.name)
	defer l.log.add(&l.log.ended, l.name)
	for {
		passed := time.Since(l.since)
		second := int(passed/time.Second) + 1
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Duration(second)*time.Second - passed):
		}
		batch := collector.Batch{Link: l.name}
		for i, p := range l.points {
			batch.Readings = append(batch.Readings, collector.Reading{Point: p, Value: plantAt(l.names[i], second), Quality: collector.Good, At: l.clock.Now()})
		}
		select {
		case out <- batch:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// tickMaker makes such links.
func tickMaker(since time.Time, clock *collector.Clock, log *linkLog) linkMaker {
	return func(site *configs.Site, name string) (collector.Link, error) {
		if name == log.refused {
			return nil, errors.New("no way to it")
		}
		l := &tickLink{name: name, since: since, clock: clock, log: log}
		for _, p := range site.Points {
			if p.Link == name && p.Station != "box" {
				l.points, l.names = append(l.points, p.ID), append(l.names, p.Name)
			}
		}
		return l, nil
	}
}

// linkRoom is a room whose links are run as the daemon runs them.
type linkRoom struct {
	*fakeRoom
	log *linkLog
}

func openLinkRoom(t *testing.T, site, rules string) *linkRoom {
	t.Helper()
	dir := t.TempDir()
	write(t, dir, "site.yaml", site)
	write(t, dir, "rules.yaml", rules)
	s, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	clock, log := collector.NewClock(), &linkLog{}
	rec, err := record.Open(filepath.Join(dir, "corner.db"), record.Options{Clock: clock, Boot: func() record.Boot { return record.Boot{} }})
	if err != nil {
		t.Fatal(err)
	}
	if err := rec.Follow(s.Points); err != nil {
		t.Fatal(err)
	}
	maker := tickMaker(time.Now(), clock, log)
	r := runRoom(t, dir, s, clock, rec, settings{log: slog.New(slog.DiscardHandler)})
	links, err := maker.all(s, linkNames(s))
	if err != nil {
		t.Fatal(err)
	}
	r.judge.makeLink = maker
	r.judge.links.hold(links)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- r.judge.links.run(ctx, r.judge.in) }()
	var looker sync.WaitGroup // while nobody looks the room is shown once a second only, and the tests compare readings of one
	looker.Go(func() {
		for ctx.Err() == nil {
			r.judge.board.View()
			time.Sleep(publishEvery / 2)
		}
	})
	stop := r.stop
	r.stop = func() { cancel(); <-done; looker.Wait(); stop() }
	return &linkRoom{r, log}
}

// reload puts files in their place and has them read.
func (r *linkRoom) reload(site, rules string) error {
	write(r.t, r.dir, "site.yaml", site)
	write(r.t, r.dir, "rules.yaml", rules)
	err := r.reloader.reload(r.t.Context(), "test")
	synctest.Wait()
	return err
}

// now returns the latest reading of a point.
func (r *linkRoom) now(point string) collector.Reading {
	v := r.judge.board.View()
	for i, p := range v.Site.Points {
		if p.Name == point {
			return v.Readings[i]
		}
	}
	r.t.Fatalf("no point %s", point)
	return collector.Reading{}
}

// story returns when alarms of these names changed, from the journal.
func (r *linkRoom) story(alarms ...string) (out []string) {
	begin := time.Time{}
	for _, l := range r.lines() {
		if begin.IsZero() {
			begin = l.Time
		}
		if slices.Contains(alarms, l.Alarm) {
			out = append(out, fmt.Sprintf("%s %s at %s", l.Alarm, l.Kind, l.Time.Sub(begin).Round(time.Second)))
		}
	}
	return out
}

// A room whose site file is read again and again tells the same as one whose is not: what was not changed is not disturbed,
// whatever else is, and whatever it is numbered.
func TestSiteReloadDisturbsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		still, moved := openLinkRoom(t, threeLinks, threeRules+wellRule), openLinkRoom(t, threeLinks, threeRules+wellRule)
		defer still.stop()
		defer moved.stop()
		rooms := []*linkRoom{still, moved}
		time.Sleep(20*time.Second + 500*time.Millisecond) // between two rounds
		for _, r := range rooms {
			if err := r.judge.Act(t.Context(), "pump-fault", rules.Act{Kind: rules.ActAcknowledge, Who: "N. Quill"}); err != nil {
				t.Fatal(err)
			}
		}
		time.Sleep(110 * time.Second) // the tank is low, in its on-delay
		now := time.Now()
		reloads := 0
		other := func() {
			t.Helper()
			site, list := moreOnA(), threeRules
			if reloads%2 == 1 {
				site, list = threeLinks, threeRules+wellRule
			}
			if err := moved.reload(site, list); err != nil {
				t.Fatal(err)
			}
			reloads++
		}
		other()
		if time.Since(now) != 0 {
			t.Errorf("the reload took %s", time.Since(now))
		}
		for _, l := range moved.lines() {
			if l.Kind == record.RulesReloaded && !strings.Contains(l.Why, "points +1 -3, 1 changed; links changed: a; links gone: c") {
				t.Errorf("the journal says %q", l.Why)
			}
		}
		if r := moved.now("air.pressure"); r.Quality != collector.Unread {
			t.Errorf("the point whose scale changed has %+v before it was read", r)
		}
		for range 14 {
			time.Sleep(5 * time.Minute)
			other()
			for _, p := range []string{"tank.level", "fresh.litres", "fresh.flow", "air.mean", "pump.running", "fresh.pulses"} {
				a, b := still.now(p), moved.now(p)
				a.Point, b.Point = 0, 0
				if a.Value != b.Value || a.Quality != b.Quality || a.Detail != b.Detail {
					t.Errorf("after %d reloads %s is %+v, would be %+v", reloads, p, b, a)
				}
			}
		}
		alarms := []string{"air-high", "tank-low", "pump-fault", "water-much", "pump-often"}
		want, got := still.story(alarms...), moved.story(alarms...)
		if !slices.Equal(got, want) || len(want) < 6 {
			t.Errorf("alarms:\n%s\nwould be\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		for _, name := range alarms {
			a, b := still.alarm(name), moved.alarm(name)
			if a.State != b.State || a.Activations != b.Activations || a.AcknowledgedBy != b.AcknowledgedBy || a.ReadingLost != b.ReadingLost || a.Started.Sub(b.Started).Abs() > 0 {
				t.Errorf("%s is %+v, would be %+v", name, b, a)
			}
		}
		va, vb := still.judge.board.View(), moved.judge.board.View() // not quite of the same moment
		a, b := va.Equipment[0], vb.Equipment[0]
		if a.RunSeconds < 2000 || b.RunSeconds-a.RunSeconds != vb.At.Sub(va.At).Seconds() || b.Starts != a.Starts || b.UnseenSeconds != a.UnseenSeconds {
			t.Errorf("the pump: %+v, would be %+v", b, a)
		}
		if n := moved.log.begun["b"]; n != 1 {
			t.Errorf("the link that never changed was begun %d times", n)
		}
		if n := moved.log.begun["a"]; n != reloads+1 {
			t.Errorf("the link that always changed was begun %d times in %d reloads", n, reloads)
		}
		for _, r := range rooms {
			if n := r.kept("tank.level", 20*time.Minute, 50*time.Minute); n != 30*60 {
				t.Errorf("%d of %d readings of half an hour are on the record", n, 30*60)
			}
		}
	})
}

// kept counts the readings of a point between two times after the begin.
func (r *linkRoom) kept(point string, from, to time.Duration) (n int) {
	r.t.Helper()
	tr, err := r.record.Trend(r.t.Context(), point)
	if err != nil {
		r.t.Fatal(err)
	}
	begin := r.lines()[0].Time
	for s, err := range tr.Readings(r.t.Context(), begin.Add(from), begin.Add(to)) {
		if err != nil {
			r.t.Fatal(err)
		}
		_ = s
		n++
	}
	return n
}

// What is gone ends with a line; what comes back goes on from what was known of it; a file that is wrong changes nothing.
func TestSiteReloadTakesAwayAndGivesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := openLinkRoom(t, threeLinks, threeRules+wellRule)
		defer r.stop()
		time.Sleep(310*time.Second + 500*time.Millisecond)
		if a := r.alarm("well-low"); a.State != rules.Unacknowledged {
			t.Fatalf("the well: %v", a.State)
		}
		run, litres := r.judge.board.View().Equipment[0].RunSeconds, r.now("fresh.litres").Value

		// nothing of these may change anything
		site := r.judge.board.View().Site
		for name, broken := range map[string]string{
			"site.yaml:9:38: points.air.pressure.link": strings.Replace(threeLinks, "link: a, unit-id: 1, holding: 10", "link: d, unit-id: 1, holding: 10", 1),
			"listen": threeLinks + "listen: 127.0.0.1:9999\n",
			"link e": strings.Replace(threeLinks, "points:\n", "  e: {modbus: 'tcp://127.0.0.1:4'}\npoints:\n  x.y: {link: e, unit-id: 1, holding: 1, type: int16, unit: bar, every: 1s}\n", 1),
		} {
			r.log.refused = "e"
			err := r.reload(broken, threeRules+wellRule)
			if err == nil || !strings.Contains(err.Error(), name) {
				t.Fatalf("%s: %v", name, err)
			}
			if v := r.judge.board.View(); v.Site != site || len(r.log.ended) != 0 || r.alarm("box-files").State != rules.Unacknowledged {
				t.Errorf("%s: links ended %v, the box's files %v", name, r.log.ended, r.alarm("box-files").State)
			}
			if !r.told("started", firstLine(err.Error())) {
				t.Errorf("%s: the journal does not say it", name)
			}
			if err := r.reload(threeLinks, threeRules+wellRule); err != nil || len(r.log.ended) != 0 {
				t.Fatalf("the file as it was: %v, links ended %v", err, r.log.ended)
			}
			if r.alarm("box-files").Active {
				t.Error("the files are right again, and the box's own alarm goes on")
			}
			site = r.judge.board.View().Site
		}

		// without the well, the pump and the water
		var bare []string
		for line := range strings.Lines(threeLinks) {
			if !strings.HasPrefix(line, "  c:") && !strings.Contains(line, "link: c,") && !strings.Contains(line, "fresh.litres") && !strings.Contains(line, "pump: {") && !strings.Contains(line, "equipment:") {
				bare = append(bare, line)
			}
		}
		fewer := strings.Join(slices.DeleteFunc(slices.Collect(strings.Lines(threeRules)), func(s string) bool { return strings.Contains(s, "water-much") }), "")
		if err := r.reload(strings.Join(bare, ""), fewer); err != nil {
			t.Fatal(err)
		}
		if !r.told(record.AlarmRemoved, "well-low") || r.log.ended["c"] != 1 || len(r.log.ended) != 1 {
			t.Errorf("the well: links ended %v", r.log.ended)
		}
		if n := len(r.judge.links.list()); n != 2 || len(r.judge.board.View().Links) != 2 || len(r.judge.board.View().Equipment) != 0 {
			t.Errorf("%d links", n)
		}
		d, err := r.record.Duty(t.Context(), "pump", time.Now().Add(-time.Hour), time.Now())
		if err != nil || math.Abs(d.Run.Seconds()-run) > 1 {
			t.Errorf("the record has %v of the pump, %v, it ran %v s", d.Run, err, run)
		}
		time.Sleep(10 * time.Second)
		if err := r.reload(threeLinks, threeRules+wellRule); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Second)
		if got := r.judge.board.View().Equipment[0].RunSeconds; got < run {
			t.Errorf("the pump that came back ran %v s, %v before", got, run)
		}
		if got := r.now("fresh.litres"); got.Value < litres+20 || got.Value > litres+40 {
			t.Errorf("the total that came back is %+v, %v before", got, litres)
		}
		if a := r.alarm("well-low"); a.State != rules.Unacknowledged || a.Activations != 1 {
			t.Errorf("the well that came back: %+v", a)
		}
	})
}

// A link that does not take its time: the judge takes what links send while it waits for them to end.
func TestReloadWhileTheQueueIsFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := openLinkRoom(t, threeLinks, threeRules+wellRule)
		defer r.stop()
		eager := &eagerLink{}
		r.judge.links.orders <- linkOrder{list: append(r.judge.links.list(), eager), done: make(chan struct{})}
		time.Sleep(2500 * time.Millisecond)
		for i := range 6 {
			site := moreOnA()
			if i%2 == 1 {
				site = threeLinks
			}
			if err := r.reload(site, threeRules); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Second)
		}
		if r.log.begun["b"] != 1 || r.now("tank.level").Value != plantAt("tank.level", 8) {
			t.Errorf("b was begun %d times and gave %+v", r.log.begun["b"], r.now("tank.level"))
		}
		if n := eager.sent.Load(); n < batchQueue {
			t.Errorf("only %d batches were sent", n)
		}
	})
}

// eagerLink fills the queue each 10 ms.
type eagerLink struct {
	sent atomic.Int64
}

func (l *eagerLink) Name() string                 { return "eager" }
func (l *eagerLink) Status() collector.LinkStatus { return collector.LinkStatus{Name: "eager"} }
func (l *eagerLink) Run(ctx context.Context, out chan<- collector.Batch) error {
	for {
		for range 2 * batchQueue {
			select {
			case out <- collector.Batch{Link: "eager"}:
				l.sent.Add(1)
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		select {
		case <-time.After(10 * time.Millisecond):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
