package main

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/record"
	"roundsman/rules"
)

const smallSite = `site: {name: Corner Wash, time-zone: Europe/Dublin}
rules: [rules.yaml]
record: {path: corner.db}
links:
  plc: {modbus: 'tcp://127.0.0.1:1'}
points:
  air.pressure: {station: air, link: plc, unit-id: 1, holding: 10, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}, every: 1s}
  air.running: {station: air, link: plc, unit-id: 1, discrete: 0, type: bool, every: 1s}
`

const smallRules = `rules:
  air-low: {point: air.pressure, low: 5.5 bar, deadband: 0.3 bar, on-delay: 5s, off-delay: 30s, severity: major, time-to-respond: 2m, response: Stop loading.}
  air-high: {point: air.pressure, high: 9 bar, deadband: 0.3 bar, on-delay: 5s, off-delay: 30s, severity: minor, time-to-respond: 20m, response: Look.}
`

// fakeRoom is a judge in fake time, fed by the test instead of links, with a record on disk and its site's files.
type fakeRoom struct {
	t        *testing.T
	dir      string
	judge    *judge
	record   *record.Record
	reloader *reloader
	stop     func()
}

func openRoom(t *testing.T, dir string) *fakeRoom {
	t.Helper()
	site, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return roomOn(t, dir, site, collector.NewClock())
}

// roomOn is openRoom with a site and a clock.
func roomOn(t *testing.T, dir string, site *configs.Site, clock *collector.Clock) *fakeRoom {
	t.Helper()
	rec, err := record.Open(filepath.Join(dir, "corner.db"), record.Options{Clock: clock, Boot: func() record.Boot { return record.Boot{} }}) // the machine's running time is not the fake one
	if err != nil {
		t.Fatal(err)
	}
	return runRoom(t, dir, site, clock, rec, settings{log: slog.New(slog.DiscardHandler)})
}

// runRoom is roomOn with a record that is open.
func runRoom(t *testing.T, dir string, site *configs.Site, clock *collector.Clock, rec *record.Record, set settings) *fakeRoom {
	t.Helper()
	j, err := newJudge(site, nil, clock, rec, set)
	if err != nil {
		t.Fatal(err)
	}
	if err := rec.Follow(site.Points); err != nil { // before anybody takes readings, as the daemon does
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- j.run(ctx) }()
	return &fakeRoom{t: t, dir: dir, judge: j, record: rec, reloader: &reloader{path: filepath.Join(dir, "site.yaml"), judge: j}, stop: func() {
		cancel()
		<-done
		if err := rec.Check(context.Background()); err != nil {
			t.Errorf("the record's own laws: %v", err)
		}
		if err := rec.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	}}
}

// feed gives the header pressure once a second for so long.
func (r *fakeRoom) feed(bar float64, length time.Duration) {
	for range int(length / time.Second) {
		now := r.judge.clock.Now()
		r.judge.in <- collector.Batch{Link: "plc", Readings: []collector.Reading{
			{Point: 0, Value: bar, Quality: collector.Good, At: now},
			{Point: 1, Value: 1, Quality: collector.Good, At: now},
		}}
		time.Sleep(time.Second)
	}
	synctest.Wait()
}

func (r *fakeRoom) alarm(name string) rules.Status {
	r.t.Helper()
	v := r.judge.board.View()
	for i := range v.Site.Rules {
		if v.Site.Rules[i].Name == name {
			return v.Alarms[i]
		}
	}
	r.t.Fatalf("no alarm %s", name)
	return rules.Status{}
}

func (r *fakeRoom) lines() []record.Line {
	r.t.Helper()
	var out []record.Line
	for l, err := range r.record.Journal(context.Background(), record.Query{}) {
		if err != nil {
			r.t.Fatal(err)
		}
		out = append(out, l)
	}
	return out
}

func (r *fakeRoom) told(kind record.Kind, words string) bool {
	r.t.Helper()
	for _, l := range r.lines() {
		if l.Kind == kind && strings.Contains(l.Alarm+" "+l.Why+" "+l.Who, words) {
			return true
		}
	}
	return false
}

func writeSite(t *testing.T, rules string) string {
	t.Helper()
	dir := t.TempDir()
	write(t, dir, "site.yaml", smallSite)
	write(t, dir, "rules.yaml", rules)
	return dir
}

func write(t testing.TB, dir, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// An alarm, who acknowledged it, and a shelve's end are the same after a restart.
func TestRestartGoesOn(t *testing.T) {
	dir := writeSite(t, smallRules)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		r.feed(5.0, 10*time.Second)
		if a := r.alarm("air-low"); a.State != rules.Unacknowledged {
			t.Fatalf("low air for 10 s: %v", a.State)
		}
		if err := r.judge.Act(t.Context(), "air-low", rules.Act{Kind: rules.ActAcknowledge, Who: "N. Quill"}); err != nil {
			t.Fatal(err)
		}
		if err := r.judge.Act(t.Context(), "air-high", rules.Act{Kind: rules.ActShelve, Who: "N. Quill", Why: "filter change", For: time.Hour}); err != nil {
			t.Fatal(err)
		}
		until := r.judge.clock.Time(r.alarm("air-high").Until)
		r.stop()

		time.Sleep(10 * time.Minute)
		r = openRoom(t, dir)
		defer r.stop()
		r.feed(5.0, 2*time.Second)
		if a := r.alarm("air-low"); a.State != rules.Acknowledged || a.AcknowledgedBy != "N. Quill" || a.Activations != 1 {
			t.Errorf("after the restart: %v by %q, %d activations", a.State, a.AcknowledgedBy, a.Activations)
		}
		if a := r.alarm("air-high"); a.State != rules.Shelved || r.judge.clock.Time(a.Until).Sub(until).Abs() > time.Second {
			t.Errorf("after the restart: %v until %v, want until %v", a.State, r.judge.clock.Time(a.Until), until)
		}
		if !r.told(record.Kind(rules.EventAcknowledged.String()), "N. Quill") {
			t.Error("the journal does not say who acknowledged")
		}
	})
}

func TestActsAreRefusedWithTheirReason(t *testing.T) {
	dir := writeSite(t, smallRules)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		defer r.stop()
		r.feed(7, 2*time.Second)
		for _, tt := range []struct {
			alarm string
			act   rules.Act
			want  error
		}{
			{"air-lo", rules.Act{Kind: rules.ActAcknowledge, Who: "N. Quill"}, rules.ErrNoAlarm},
			{"air-low", rules.Act{Kind: rules.ActShelve, Who: "N. Quill", Why: "x"}, rules.ErrIncomplete},
			{"air-low", rules.Act{Kind: rules.ActShelve, Who: "N. Quill", For: time.Hour}, rules.ErrIncomplete},
			{"air-low", rules.Act{Kind: rules.ActShelve, Why: "x", For: time.Hour}, rules.ErrIncomplete},
			{"air-low", rules.Act{Kind: rules.ActUnshelve, Who: "N. Quill"}, rules.ErrNotNow},
		} {
			if err := r.judge.Act(t.Context(), tt.alarm, tt.act); !errors.Is(err, tt.want) {
				t.Errorf("%+v on %s: %v, want %v", tt.act, tt.alarm, err, tt.want)
			}
		}
	})
}

// New rules take over without a restart; what is unchanged keeps its state, what is gone ends with a line, and a broken
// file changes nothing but rings, naming its place.
func TestReload(t *testing.T) {
	dir := writeSite(t, smallRules)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		defer r.stop()
		r.feed(5.0, 10*time.Second)
		since := r.alarm("air-low").Started
		if err := r.judge.Act(t.Context(), "air-high", rules.Act{Kind: rules.ActShelve, Who: "N. Quill", Why: "filter change", For: time.Hour}); err != nil {
			t.Fatal(err)
		}

		write(t, dir, "rules.yaml", strings.Replace(smallRules, "9 bar", "9 L", 1))
		err := r.reloader.reload(t.Context(), "test")
		if err == nil || !strings.Contains(err.Error(), "rules.yaml:3:") {
			t.Fatalf("a broken file: %v", err)
		}
		synctest.Wait()
		if a := r.alarm("box-files"); a.State != rules.Unacknowledged {
			t.Errorf("the box's own alarm: %v", a.State)
		}
		if !r.told("started", "rules.yaml:3:") {
			t.Error("the journal does not name the broken file's place")
		}
		r.feed(5.0, 2*time.Second)
		if a := r.alarm("air-low"); a.State != rules.Unacknowledged || a.Started != since {
			t.Errorf("the last good rules do not go on: %v", a.State)
		}

		low, _, _ := strings.Cut(smallRules, "  air-high")
		write(t, dir, "rules.yaml", low+"  air-sinking: {point: air.pressure, low: 6 bar, on-delay: 0s, severity: minor, time-to-respond: 20m}\n")
		if err := r.reloader.reload(t.Context(), "test"); err != nil {
			t.Fatal(err)
		}
		r.feed(5.0, 40*time.Second)
		if a := r.alarm("air-low"); a.State != rules.Unacknowledged || a.Started != since || a.Activations != 1 {
			t.Errorf("an unchanged rule's alarm: %v since %d, %d activations", a.State, a.Started-since, a.Activations)
		}
		if a := r.alarm("air-sinking"); a.State != rules.Unacknowledged {
			t.Errorf("a new rule's alarm: %v", a.State)
		}
		if a := r.alarm("box-files"); a.Active {
			t.Error("the files are right again, and the box's own alarm goes on")
		}
		for _, l := range r.lines() {
			if l.Kind == record.AlarmRemoved && (l.From != rules.Shelved || l.To != rules.Normal || l.Value == l.Value || l.Priority != rules.LowPriority) {
				t.Errorf("the removed alarm was shelved: %+v", l)
			}
		}
		if !r.told(record.AlarmRemoved, "air-high") || !r.told(record.RulesReloaded, "test") {
			t.Errorf("the journal lacks the removed rule or the reload: %v", r.lines())
		}

		write(t, dir, "site.yaml", strings.Replace(smallSite, "record: {path", "listen: 127.0.0.1:9999\nrecord: {path", 1))
		if err := r.reloader.reload(t.Context(), "test"); !errors.Is(err, errRestart) || !strings.HasPrefix(err.Error(), "listen: ") {
			t.Errorf("another address to listen on in the site file: %v", err)
		}
	})
}

// What the judge tells is on the record already.
func TestKeptBeforeTold(t *testing.T) {
	dir := writeSite(t, smallRules)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		told := 0
		r.judge.onEvents = func(_ context.Context, events []rules.Event) {
			for _, e := range events {
				told++
				if name := r.judge.site.Rules[e.Rule].Name; !r.told(record.Kind(e.Kind.String()), name) {
					t.Errorf("%s %v was told before it was kept", name, e.Kind)
				}
			}
		}
		r.feed(5.0, 10*time.Second)
		r.feed(7.0, 40*time.Second)
		r.stop()
		if told != 2 {
			t.Errorf("%d events told, want start and return", told)
		}
	})
}

// The wall clock cannot be stepped in fake time, nor a disk filled: that the box's points follow its record is tested here,
// the record's own troubles in its package.
func TestSelfWatchWithoutRecord(t *testing.T) {
	k := newKeeper(nil, collector.NewClock(), slog.New(slog.DiscardHandler))
	s := newSelfWatch(configs.Box{Record: 0, Disk: 1, Clock: 2, Files: 3}, k.clock)
	s.files = "rules.yaml:3:1: broken"
	got := s.readings(k.status(), 5, nil)
	if r := got[0]; r.Value != 0 || !strings.Contains(r.Detail, "nothing is recorded") || !r.Quality.Usable() {
		t.Errorf("record: %+v", r)
	}
	if r := got[1]; r.Quality != collector.Unread {
		t.Errorf("disk: %+v", r)
	}
	if r := got[3]; r.Value != 0 || r.Detail != "rules.yaml:3:1: broken" {
		t.Errorf("files: %+v", r)
	}
	s.files = ""
	got = s.readings(record.Status{Free: 5, Size: 50, FreeKnown: true}, 6, nil)
	if got[0].Value != 1 || got[1].Value != 10 || got[3].Value != 1 {
		t.Errorf("a healthy box with a disk nearly full: %+v", got)
	}
}

var _ exporter.Acts = (*judge)(nil)
