package record_test

import (
	"database/sql"
	"encoding/json"
	"errors"
	"io/fs"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
	"roundsman/rules"
)

// path returns a file name that is hard on anything that takes it for a URL.
func path(t testing.TB) string {
	t.Helper()
	folder := filepath.Join(t.TempDir(), "the box? 100%#1")
	if err := os.Mkdir(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(folder, "roundsman.db")
}

// machine is a box whose boots are given. It lives in a bubble of fake time.
type machine struct {
	t     *testing.T
	path  string
	boot  string
	since time.Time // of the boot
	clock *collector.Clock
}

func newMachine(t *testing.T) *machine {
	return &machine{t: t, path: path(t), boot: "boot-1", since: time.Now().Add(-time.Hour)}
}

func (m *machine) options() record.Options {
	m.clock = collector.NewClock()
	id, since := m.boot, m.since
	return record.Options{
		Clock: m.clock, Version: "1.2.3", Reserve: -1,
		Boot: func() record.Boot { return record.Boot{ID: id, Up: time.Since(since)} },
	}
}

func (m *machine) open() *record.Record {
	m.t.Helper()
	r, err := record.Open(m.path, m.options())
	if err != nil {
		m.t.Fatal(err)
	}
	return r
}

func (m *machine) reboot() { m.boot, m.since = m.boot+"'", time.Now() }

func (m *machine) restored(r *record.Record) record.State {
	m.t.Helper()
	s, err := r.Restore()
	if err != nil {
		m.t.Fatal(err)
	}
	return s
}

func commit(t testing.TB, r *record.Record, c record.Change) {
	t.Helper()
	if err := r.Commit(&c); err != nil {
		t.Fatal(err)
	}
}

func closed(t testing.TB, r *record.Record, path string) {
	t.Helper()
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	recordtest.Check(t, path)
}

// A delay goes on by the real time that passed, a shelve keeps its end, counters their counts: after a kill in the same
// boot, after a reboot, after a planned stop.
func TestRestoreGoesOnByRealTime(t *testing.T) {
	ends := []struct {
		name   string
		end    func(m *machine, r *record.Record) error
		reboot bool
		kinds  string
		gap    time.Duration
	}{
		{"killed", func(_ *machine, r *record.Record) error { return r.Abandon() }, false, "outage, box started", 90 * time.Second},
		{"power cut", func(_ *machine, r *record.Record) error { return r.Abandon() }, true, "outage, box started", 90 * time.Second},
		{"stopped", func(_ *machine, r *record.Record) error { return r.Close() }, false, "box stopped, box started", 90 * time.Second},
	}
	for _, tt := range ends {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := newMachine(t)
				r := m.open()
				time.Sleep(time.Minute)
				now := m.clock.Now()
				model := recordtest.NewModel()
				change := record.Change{
					Alarms: map[string]rules.AlarmMemory{
						"air-low":  {Kind: rules.Low, Delay: rules.Wait{Running: true, First: now.Add(-2 * time.Second)}, HasValue: true, Value: 5.3},
						"dew-high": {Kind: rules.High, State: rules.Shelved, Since: now, Until: now.Add(8 * time.Hour), By: "Maeve", Why: "dryer swap"},
					},
					Conditions: map[string]rules.ConditionMemory{"filling": {Truth: true, Known: true, Latched: true, Began: now}},
					Duty:       map[string]duty.Kept{"pump": {Run: time.Hour, Seen: 2 * time.Hour, Starts: 3, Runs: 4, Looked: true, At: now, HourStarts: []collector.Moment{now.Add(-time.Minute)}}},
					Counts:     map[string]compute.Count{"fresh.litres": {Point: collector.NoPoint, Pulses: 4711, Last: 12, At: now}},
				}
				model.Apply(&change)
				commit(t, r, change)
				before := m.clock
				if err := tt.end(m, r); err != nil {
					t.Fatal(err)
				}
				time.Sleep(90 * time.Second)
				if tt.reboot {
					m.reboot()
				}
				r = m.open()
				defer func() { closed(t, r, m.path) }()
				s := m.restored(r)
				// Both clocks follow the same time in the bubble, so moments must come back as they were.
				if diff := model.SameState(&s); diff != "" {
					t.Errorf("restored (-want +got):\n%s", diff)
				}
				if s.Gap != tt.gap || !s.GapKnown || s.Planned != (tt.name == "stopped") || s.First {
					t.Errorf("state is %+v, want a gap of %v", s, tt.gap)
				}
				if got := m.clock.Now().Sub(now); got != 90*time.Second || before == m.clock {
					t.Fatalf("the test's own clock says %v", got)
				}
				var kinds []string
				lines := recordtest.Lines(t, r.Reader, record.Query{After: 1})
				for _, l := range lines {
					kinds = append(kinds, string(l.Kind))
				}
				if got := strings.Join(kinds, ", "); got != tt.kinds {
					t.Errorf("the journal has %s, want %s", got, tt.kinds)
				}
				if l := lines[len(lines)-1]; l.Length != 0 && tt.name != "stopped" || l.Run != 2 || l.Boot != m.boot || l.Why != "1.2.3" {
					t.Errorf("the start is %+v", l)
				}
			})
		})
	}
}

// A wall clock that steps between two runs of one boot moves nothing; over a reboot a clock that is not set or went
// back makes the gap unknown and the record's time stand still.
func TestRestoreWithWrongClock(t *testing.T) {
	tests := []struct {
		name   string
		edit   string // of the latest sign of life: the same as if the clock had been stepped since
		reboot bool
		gap    time.Duration
		known  bool
	}{
		{"stepped ahead", "UPDATE alive SET time = time - 3600000", false, time.Minute, true},
		{"stepped back", "UPDATE alive SET time = time + 3600000", false, time.Minute, true},
		{"stepped back and rebooted", "UPDATE alive SET time = time + 3600000", true, 0, false},
		{"was not set and rebooted", "UPDATE alive SET time = 5000", true, 0, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				m := newMachine(t)
				r := m.open()
				delay := rules.Wait{Running: true, First: m.clock.Now()}
				time.Sleep(10 * time.Second)
				commit(t, r, record.Change{Alarms: map[string]rules.AlarmMemory{"a": {Delay: delay}}})
				if err := errors.Join(r.Exec(tt.edit), r.Abandon()); err != nil {
					t.Fatal(err)
				}
				time.Sleep(time.Minute)
				if tt.reboot {
					m.reboot()
				}
				o := m.options()
				o.NotBefore = time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC) // the bubble's time begins in 2000
				r, err := record.Open(m.path, o)
				if err != nil {
					t.Fatal(err)
				}
				defer r.Close()
				s := m.restored(r)
				if s.Gap != tt.gap || s.GapKnown != tt.known {
					t.Errorf("gap %v, known %v, want %v, %v", s.Gap, s.GapKnown, tt.gap, tt.known)
				}
				if got, want := m.clock.Now().Sub(s.Memory.Alarms["a"].Delay.First), 10*time.Second+tt.gap; got != want {
					t.Errorf("the delay has run for %v, want %v", got, want)
				}
				lines := recordtest.Lines(t, r.Reader, record.Query{Newest: true, Limit: 2})
				if l := lines[1]; l.Kind != record.Outage || l.Length != tt.gap || (l.Why != "") == tt.known {
					t.Errorf("the outage is %+v", l)
				}
			})
		})
	}
}

// The box was alive when it wrote its last line, though its last beat is older.
func TestOutageIsSinceTheLastLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMachine(t)
		r := m.open()
		time.Sleep(3 * time.Second)
		commit(t, r, record.Change{Lines: []record.Line{{Kind: record.Remark}}})
		if err := r.Abandon(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		r = m.open()
		defer func() { closed(t, r, m.path) }()
		if s := m.restored(r); s.Gap != time.Minute || time.Since(s.Alive) != time.Minute {
			t.Errorf("the gap is %v since %v, want a minute", s.Gap, s.Alive)
		}
	})
}

func TestLineAsJSON(t *testing.T) {
	at := time.Date(2026, 4, 18, 6, 10, 4, 250e6, time.UTC)
	tests := []struct {
		name string
		line record.Line
		want string
	}{
		{"shelved", record.Line{
			Seq: 7, Time: at, Steady: 1_500_000_000, Run: 2, Boot: "b", Kind: "shelved", Alarm: "air-low", Point: "air.header.pressure",
			From: rules.Unacknowledged, To: rules.Shelved, Value: 5.31 + 4e-16*5, Limit: 5.5, Unit: "bar", Quality: collector.Good, Priority: rules.HighPriority,
			Who: "Maeve", Why: "hose change", Until: at.Add(time.Hour),
		}, `{"seq":7,"time":"2026-04-18T06:10:04.250Z","steady":1500,"run":2,"boot":"b","event":"shelved","alarm":"air-low","point":"air.header.pressure",` +
			`"from":"unacknowledged","to":"shelved","value":5.31,"limit":5.5,"unit":"bar","quality":"good","priority":"high","who":"Maeve","why":"hose change",` +
			`"until":"2026-04-18T07:10:04.250Z","seconds":null}`},
		{"no number", record.Line{Time: at, Kind: "started", Alarm: "a", Value: math.NaN(), Limit: math.Inf(1), Quality: collector.Bad},
			`{"seq":0,"time":"2026-04-18T06:10:04.250Z","steady":0,"run":0,"boot":"","event":"started","alarm":"a","point":"","from":"normal","to":"normal",` +
				`"value":null,"limit":null,"unit":"","quality":"bad","priority":"","who":"","why":"","until":null,"seconds":null}`},
		{"outage", record.Line{Time: at, Kind: record.Outage, Length: 90 * time.Second},
			`{"seq":0,"time":"2026-04-18T06:10:04.250Z","steady":0,"run":0,"boot":"","event":"outage","alarm":"","point":"","from":null,"to":null,` +
				`"value":null,"limit":null,"unit":"","quality":"","priority":"","who":"","why":"","until":null,"seconds":90}`},
	}
	for _, tt := range tests {
		got, err := json.Marshal(tt.line)
		if err != nil || string(got) != tt.want {
			t.Errorf("%s: got %v\n%s\nwant\n%s", tt.name, err, got, tt.want)
		}
	}
}

// The line of an event has all the event has.
func TestEventLine(t *testing.T) {
	clock := collector.NewClock()
	now := clock.Now()
	points := []collector.Point{{Name: "x"}, {Name: "air.header.pressure"}}
	list := []rules.Rule{{}, {Name: "air-low", Point: 1, Unit: "bar", Priority: rules.HighPriority}}
	e := rules.Event{At: now, Rule: 1, Kind: rules.EventShelved, From: rules.Acknowledged, To: rules.Shelved, Value: 5.1, Limit: 5.5,
		Quality: collector.Uncertain, Who: "Maeve", Why: "hose", Until: now.Add(time.Hour)}
	got := record.Event(clock, points, list, &e)
	want := record.Line{At: now, Time: clock.Time(now), Kind: "shelved", Alarm: "air-low", Point: "air.header.pressure", From: rules.Acknowledged,
		To: rules.Shelved, Value: 5.1, Limit: 5.5, Unit: "bar", Quality: collector.Uncertain, Priority: rules.HighPriority, Who: "Maeve", Why: "hose", Until: clock.Time(now.Add(time.Hour))}
	if got != want {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
}

func TestOpenRefuses(t *testing.T) {
	o := func() record.Options { return record.Options{Clock: collector.NewClock(), Reserve: -1} }
	tests := []struct {
		name string
		make func(t *testing.T, path string)
		is   error
		says string
	}{
		{"no database", func(t *testing.T, path string) { write(t, path, strings.Repeat("this is a shopping list\n", 500)) }, record.ErrNotRecord, "not a record of Roundsman: no database"},
		{"a folder", func(t *testing.T, path string) {
			if err := os.Mkdir(path, 0o755); err != nil {
				t.Fatal(err)
			}
		}, record.ErrNotRecord, "not a file"},
		{"another program's", func(t *testing.T, path string) {
			foreign(t, path, "CREATE TABLE songs (title TEXT)", "PRAGMA user_version = 3")
		}, record.ErrNotRecord, "another program's database"},
		{"newer", func(t *testing.T, path string) {
			r, err := record.Open(path, o())
			if err != nil {
				t.Fatal(err)
			}
			closed(t, r, path)
			foreign(t, path, "PRAGMA user_version = 99")
		}, record.ErrNewer, "schema 99, this one knows "},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := path(t)
			tt.make(t, p)
			before := content(t, p)
			r, err := record.Open(p, o())
			if err == nil {
				t.Fatal("opened", r.Close())
			}
			if !errors.Is(err, tt.is) || !strings.Contains(err.Error(), tt.says) || !strings.HasPrefix(err.Error(), "record "+p+": open: ") {
				t.Errorf("got %q, want it to say %q", err, tt.says)
			}
			if content(t, p) != before {
				t.Error("the file was changed")
			}
		})
	}
	t.Run("no folder", func(t *testing.T) {
		_, err := record.Open(filepath.Join(t.TempDir(), "none", "roundsman.db"), o())
		if !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "its folder") {
			t.Errorf("got %q", err)
		}
	})
	t.Run("two daemons", func(t *testing.T) {
		p := path(t)
		first := recordtest.Open(t, p, o())
		_, err := record.Open(p, o())
		if !errors.Is(err, record.ErrInUse) || !strings.Contains(err.Error(), "in use by another process ") {
			t.Errorf("got %q", err)
		}
		closed(t, first, p)
		closed(t, recordtest.Open(t, p, o()), p)
	})
	t.Run("nothing to read", func(t *testing.T) {
		if _, err := record.Read(path(t)); err == nil || !strings.Contains(err.Error(), "there is no record yet") {
			t.Errorf("got %v", err)
		}
	})
	t.Run("no clock", func(t *testing.T) {
		if _, err := record.Open(path(t), record.Options{}); err == nil {
			t.Error("opened without a clock")
		}
	})
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// content returns a file's bytes, "" for a folder.
func content(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil && !strings.Contains(err.Error(), "is a directory") {
		t.Fatal(err)
	}
	return string(text)
}

// foreign runs statements on a database with the driver alone.
func foreign(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: path}).EscapedPath())
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, s := range statements {
		if _, err := db.Exec(s); err != nil {
			t.Fatal(err)
		}
	}
}

// A kill in the middle of making the file, before it has a log, leaves a journal of the old kind beside it.
func TestKilledWhileMaking(t *testing.T) {
	p := path(t)
	hot := p + ".hot"
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: p}).EscapedPath())
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	// Spilled to the file in the middle of a transaction, which is then copied with its journal.
	for _, s := range []string{"VACUUM", "PRAGMA cache_size = 1", "BEGIN IMMEDIATE", "CREATE TABLE t (x)",
		"WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 2000) INSERT INTO t SELECT randomblob(900) FROM n"} {
		if _, err := db.Exec(s); err != nil {
			t.Fatal(err)
		}
	}
	copyFile(t, p, hot)
	copyFile(t, p+"-journal", hot+"-journal")
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	closed(t, recordtest.Open(t, hot, record.Options{Clock: collector.NewClock(), Reserve: -1}), hot)
}
