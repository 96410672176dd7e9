package record_test

import (
	"database/sql"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	_ "time/tzdata" // whatever the machine has

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/exporter/record/pack"
	"roundsman/exporter/record/recordtest"
)

// kept is a room with its record and the record's housework, in fake time.
type kept struct {
	*room
	t   *testing.T
	rec *record.Record
	up  *record.Upkeep
}

func keepRoom(t *testing.T, points int, keep record.Keep) *kept {
	t.Helper()
	r := newRoom(points)
	o := record.Options{Clock: r.clock, Reserve: -1, BeatEvery: time.Hour, Boot: func() record.Boot { return record.Boot{} }}
	rec := recordtest.Open(t, filepath.Join(t.TempDir(), "r.db"), o)
	if err := rec.Follow(r.points); err != nil {
		t.Fatal(err)
	}
	up, err := record.NewUpkeep(rec, keep, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = up.Close() })
	return &kept{r, t, rec, up}
}

// sparse goes on for so long with a round every so often.
func (k *kept) sparse(long, every time.Duration) {
	k.t.Helper()
	for n := range int(long / every) {
		k.round(k.rec, n)
		if n%5 == 4 { // the record writes after ten seconds; here fewer writes will do
			time.Sleep(10 * time.Second)
			if err := k.rec.Beat(k.clock.Now()); err != nil {
				k.t.Fatal(err)
			}
			time.Sleep(every - 10*time.Second)
			continue
		}
		time.Sleep(every)
	}
}

func (k *kept) tidy() {
	k.t.Helper()
	if err := k.up.Finish(k.t.Context(), time.Now()); err != nil {
		k.t.Fatal(err)
	}
}

func (k *kept) trend(i int) *record.Trend {
	k.t.Helper()
	t, err := k.rec.Trend(k.t.Context(), k.points[i].Name)
	if err != nil {
		k.t.Fatal(err)
	}
	return t
}

// first returns the times of the oldest reading and the oldest minute of a point.
func (k *kept) first(i int) (reading, minute time.Time) {
	k.t.Helper()
	for s, err := range k.trend(i).Readings(k.t.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			k.t.Fatal(err)
		}
		reading = s.Time()
		break
	}
	for f, err := range k.trend(i).Minutes(k.t.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			k.t.Fatal(err)
		}
		minute = f.Time()
		break
	}
	return reading, minute
}

func TestHeavyOldReadingsAndMinutesGo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := keepRoom(t, 4, record.Keep{Readings: 24 * time.Hour, Minutes: 72 * time.Hour, Journal: 48 * time.Hour})
		for range 5 {
			k.sparse(24*time.Hour, 20*time.Minute)
			if err := k.rec.Commit(&record.Change{Lines: []record.Line{{Kind: record.Remark, Why: "a day more"}}}); err != nil {
				t.Fatal(err)
			}
			k.tidy()
		}
		reading, minute := k.first(2)
		if age := time.Since(reading); age < 24*time.Hour || age > 26*time.Hour {
			t.Errorf("the oldest reading is %v old, want a day", age)
		}
		if age := time.Since(minute); age < 72*time.Hour || age > 74*time.Hour {
			t.Errorf("the oldest minute is %v old, want three days", age)
		}
		days, err := k.trend(2).Days(t.Context(), time.Time{}, time.Time{})
		if err != nil || len(days) != 5 && len(days) != 4 {
			t.Errorf("%d days, %v: days stay", len(days), err)
		}
		lines := recordtest.Lines(t, k.rec.Reader, record.Query{})
		if age := time.Since(lines[0].Time); age > 48*time.Hour {
			t.Errorf("the oldest line is %v old", age)
		}
		// where the readings are gone, minutes stand for them, and days for these
		from := time.Now().Add(-120 * time.Hour)
		steps, err := k.trend(2).Steps(t.Context(), from, time.Now(), 30*time.Second)
		if err != nil || len(steps) < 200 || time.UnixMilli(steps[0].Milli).After(from.Add(25*time.Hour)) {
			t.Errorf("%d steps from %v, %v", len(steps), time.UnixMilli(steps[0].Milli), err)
		}
	})
}

// Days follow the site's zone, also where it is half an hour off, and over a change of the clock.
func TestHeavyDays(t *testing.T) {
	for _, zone := range []string{"UTC", "Europe/Dublin", "Asia/Kolkata"} {
		t.Run(zone, func(t *testing.T) {
			loc, err := time.LoadLocation(zone)
			if err != nil {
				t.Fatal(err)
			}
			synctest.Test(t, func(t *testing.T) {
				if zone == "Europe/Dublin" { // to the days when the clocks go forward
					time.Sleep(time.Until(time.Date(2000, 3, 25, 0, 0, 0, 0, time.UTC)))
				}
				k := keepRoom(t, 4, record.Keep{Zone: loc})
				k.sparse(75*time.Hour, 10*time.Minute)
				k.tidy()
				k.compareDays(loc)
			})
		})
	}
}

func (k *kept) compareDays(loc *time.Location) {
	t := k.t
	for i := range k.points {
		type sum struct{ min, max, sum, n, all float64 }
		want := map[string]*sum{}
		for ms, r := range k.told[i] {
			day := time.UnixMilli(ms).In(loc).Format(time.DateOnly)
			if want[day] == nil {
				want[day] = &sum{min: math.Inf(1), max: math.Inf(-1)}
			}
			w := want[day]
			w.all++
			if r.Quality.Usable() {
				w.min, w.max, w.sum, w.n = min(w.min, r.Value), max(w.max, r.Value), w.sum+r.Value, w.n+1
			}
		}
		days, err := k.trend(i).Days(t.Context(), time.Time{}, time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		if len(days) < 3 {
			t.Errorf("%d days", len(days))
		}
		step := pack.GridOf(&k.points[i]).Step
		for _, d := range days {
			w := want[d.Day]
			if w == nil || math.Abs(d.Min-w.min) > step || math.Abs(d.Max-w.max) > step || math.Abs(d.Mean-w.sum/w.n) > step+1e-9*w.max {
				t.Errorf("%s %s: %+v, want %+v", k.points[i].Name, d.Day, d, w)
			}
		}
	}
}

func TestHeavySizeLimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const limit = 400 << 10
		k := keepRoom(t, 20, record.Keep{Size: limit})
		for range 4 {
			k.run(t, k.rec, 3600)
			k.tidy()
		}
		info, err := os.Stat(k.rec.Path())
		if err != nil {
			t.Fatal(err)
		}
		reading, minute := k.first(0)
		if info.Size() > limit*3/2 || time.Since(reading) > 4*time.Hour || minute.After(reading) {
			t.Errorf("%d bytes, readings of the last %v, minutes of the last %v", info.Size(), time.Since(reading), time.Since(minute))
		}
	})
}

// What is let go goes back to the disk.
func TestShrink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := keepRoom(t, 10, record.Keep{})
		k.run(t, k.rec, 60)
		large := record.Change{}
		large.KeepPaper("large", record.Paper{Doc: []byte(`"` + strings.Repeat("x", 8<<20) + `"`)})
		commit(t, k.rec, large)
		small := record.Change{}
		small.KeepPaper("large", record.Paper{Doc: []byte(`""`)})
		commit(t, k.rec, small)
		k.run(t, k.rec, 60)
		k.tidy()
		info, err := os.Stat(k.rec.Path())
		if err != nil {
			t.Fatal(err)
		}
		if info.Size() > 2<<20 {
			t.Errorf("%d bytes are left of 8 MiB that were let go", info.Size())
		}
	})
}

// A stop in the middle of a piece leaves nothing behind: it is made again, the same.
func TestPieceIsMadeAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := keepRoom(t, 40, record.Keep{})
		start := time.Now()
		k.run(t, k.rec, 3700)
		for range 2 { // begun, and the first columns
			if _, err := k.up.Step(t.Context(), time.Now()); err != nil {
				t.Fatal(err)
			}
		}
		other, err := record.NewUpkeep(k.rec, record.Keep{}, nil)
		if err != nil {
			t.Fatal(err)
		}
		defer other.Close()
		if err := other.Finish(t.Context(), time.Now()); err != nil {
			t.Fatal(err)
		}
		for i := 0; i < 40; i += 13 {
			k.compare(t, k.rec.Reader, i, start, time.Now().Add(-12*time.Second))
			compareMinutes(t, k.rec.Reader, k.points[i].Name, pack.GridOf(&k.points[i]).Step, start, time.Now().Add(-time.Minute).Truncate(time.Minute))
		}
	})
}

// TestViews: plain SQL tells the same as the reader.
func TestViews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := keepRoom(t, 8, record.Keep{})
		k.run(t, k.rec, 3700)
		time.Sleep(24 * time.Hour)
		k.sparse(time.Hour, time.Minute)
		k.tidy()
		db, err := sql.Open("sqlite", "file:"+k.rec.Path()+"?mode=ro")
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		for i := range k.points {
			var want []record.Figures
			for f, err := range k.trend(i).Minutes(t.Context(), time.Time{}, time.Now().Truncate(time.Hour)) {
				if err != nil {
					t.Fatal(err)
				}
				want = append(want, f)
			}
			compareView(t, db, k.points[i].Name, k.points[i].Unit, want)
		}
		for _, view := range []string{"hour_figures", "day_figures", "journal_lines", "alarm_states", "outbox_messages"} {
			var n int
			if err := db.QueryRow(`SELECT count(*) FROM ` + view).Scan(&n); err != nil || n == 0 && strings.HasSuffix(view, "figures") {
				t.Errorf("%s: %d rows, %v", view, n, err)
			}
		}
		var at string
		if err := db.QueryRow(`SELECT time FROM journal_lines LIMIT 1`).Scan(&at); err != nil || at != "2000-01-01T00:00:00.000Z" {
			t.Errorf("the first line is of %q, %v", at, err)
		}
	})
}

func compareView(t *testing.T, db *sql.DB, point, unit string, want []record.Figures) {
	t.Helper()
	rows, err := db.Query(`SELECT time, min, mean, max, "last", share_good, unit FROM minute_figures WHERE point = ? ORDER BY time`, point)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	n := 0
	for ; rows.Next(); n++ {
		var at, of string
		var f [4]sql.NullFloat64
		var good float64
		if err := rows.Scan(&at, &f[0], &f[1], &f[2], &f[3], &good, &of); err != nil {
			t.Fatal(err)
		}
		if n >= len(want) {
			continue
		}
		w := want[n]
		for i, v := range []float64{w.Min, w.Mean, w.Max, w.Last} {
			if f[i].Valid == math.IsNaN(v) || f[i].Valid && math.Abs(f[i].Float64-v) > 1e-9*(1+math.Abs(v)) {
				t.Fatalf("%s at %s: figure %d is %v, want %v", point, at, i, f[i], v)
			}
		}
		if at != w.Time().Format(time.RFC3339) || good != w.Good || of != unit {
			t.Fatalf("%s: %s, good %v, %q; want %+v", point, at, good, of, w)
		}
	}
	if err := rows.Err(); err != nil || n != len(want) || n < 60 {
		t.Errorf("%s: %d minutes in the view, want %d; %v", point, n, len(want), err)
	}
}

// A disk that is full keeps the lines, which are few, before the readings. (The full disk itself is in disk_linux_test.go.)
func TestReadingsWaitWhileTheFileIsGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRoom(3)
		p := path(t)
		rec, err := record.Open(p, record.Options{Clock: r.clock, Boot: func() record.Boot { return record.Boot{} }})
		if err != nil {
			t.Fatal(err)
		}
		if err := rec.Follow(r.points); err != nil {
			t.Fatal(err)
		}
		r.run(t, rec, 25)
		if err := os.Rename(p, p+".away"); err != nil {
			t.Fatal(err)
		}
		for n := range 60 {
			r.round(rec, n)
			err = rec.Beat(r.clock.Now())
			time.Sleep(time.Second)
		}
		if !errors.Is(err, record.ErrGone) {
			t.Errorf("gone: %v", err)
		}
		if err := os.Rename(p+".away", p); err != nil {
			t.Fatal(err)
		}
		r.run(t, rec, 25)
		if err := rec.Close(); err != nil {
			t.Fatal(err)
		}
		rd, err := record.Read(p)
		if err != nil {
			t.Fatal(err)
		}
		defer rd.Close()
		for i := range r.points {
			r.compare(t, rd, i, time.Unix(0, 0), time.Now())
		}
	})
}

// A clock that is set back, within an hour and over hours that are packed already: times rise all the same, minutes
// agree with readings, and nothing is told twice.
func TestHeavyClockSetBack(t *testing.T) {
	clock := collector.NewClock()
	rec := recordtest.Open(t, path(t), record.Options{Clock: clock, Reserve: -1, BeatEvery: time.Hour})
	if err := rec.Follow(trendKillRoom()); err != nil {
		t.Fatal(err)
	}
	up, err := record.NewUpkeep(rec, record.Keep{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer up.Close()
	start := time.Date(2026, 11, 28, 6, 0, 0, 0, time.UTC)
	at := start
	run := func(minutes int) {
		t.Helper()
		for range minutes * 10 {
			now := clock.Moment(at)
			rec.Take(now, []collector.Reading{killReading(0, at.Unix()), killReading(1, at.Unix())})
			if err := rec.Beat(now); err != nil {
				t.Fatal(err)
			}
			at = at.Add(6 * time.Second)
		}
	}
	check := func(packed bool) {
		t.Helper()
		last := int64(0)
		tr, err := rec.Trend(t.Context(), "p1")
		if err != nil {
			t.Fatal(err)
		}
		for s, err := range tr.Readings(t.Context(), time.Time{}, time.Time{}) {
			if err != nil {
				t.Fatal(err)
			}
			if s.Milli <= last {
				t.Fatalf("%v after %v", s.Time(), time.UnixMilli(last))
			}
			last = s.Milli
		}
		if packed { // until then, the minute in which one telling goes over into the other is only in part there
			compareMinutes(t, rec.Reader, "p1", 0.01, start, start.Add(24*time.Hour))
		}
	}
	run(50)
	at = at.Add(-20 * time.Minute)
	run(40)
	check(false)
	if err := up.Finish(t.Context(), at); err != nil {
		t.Fatal(err)
	}
	check(true)
	at = at.Add(-50*time.Minute + time.Second)
	run(130)
	check(false)
	if err := up.Finish(t.Context(), at.Add(2*time.Hour)); err != nil {
		t.Fatal(err)
	}
	check(true)
}

// Where the file has no room for the readings, lines are kept all the same, and the readings come later.
func TestLinesGoBeforeReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := keepRoom(t, 400, record.Keep{})
		start := time.Now()
		k.run(t, k.rec, 30)
		if err := k.rec.Exec(`PRAGMA max_page_count = 1`); err != nil { // no more than there are
			t.Fatal(err)
		}
		for n := range 30 {
			k.round(k.rec, n)
			time.Sleep(time.Second)
			if err := k.rec.Commit(&record.Change{Lines: []record.Line{{Kind: record.Remark, Why: "x"}}}); err != nil {
				t.Fatalf("line %d: %v", n, err)
			}
		}
		s := k.rec.Status()
		if !errors.Is(s.Err, record.ErrFull) || !strings.Contains(s.Reason(), "readings") || s.Waiting != 0 {
			t.Errorf("status %+v", s)
		}
		if err := k.rec.Exec(`PRAGMA max_page_count = 1000000`); err != nil {
			t.Fatal(err)
		}
		k.run(t, k.rec, 30)
		if s := k.rec.Status(); !s.OK() {
			t.Errorf("status %+v", s)
		}
		for i := 0; i < 400; i += 99 {
			k.compare(t, k.rec.Reader, i, start, time.Now().Add(-12*time.Second))
		}
	})
}

// The record's own check finds readings and figures that cannot be.
func TestCheckFindsSpoiltReadings(t *testing.T) {
	for spoil, want := range map[string]string{
		`UPDATE windows SET hour = hour + 1 WHERE "window" = (SELECT max("window") FROM windows)`:         "is not within its hour",
		`UPDATE windows SET data = x'0102' WHERE "window" = (SELECT max("window") FROM windows)`:          "packed readings are damaged",
		`UPDATE windows SET readings = readings + 1 WHERE "window" = (SELECT max("window") FROM windows)`: "readings, and",
		`DELETE FROM clocks`:                                "has no clock",
		`DELETE FROM series WHERE series = 2`:               "has no series",
		`UPDATE chunks SET readings = readings + 1000000`:   "has more readings than its windows had",
		`UPDATE minutes SET max = min - 1 WHERE usable > 0`: "cannot be",
		`UPDATE minutes SET figures = x''`:                  "the figures of an hour in 0 bytes",
	} {
		synctest.Test(t, func(t *testing.T) {
			r := newRoom(4)
			rec, err := record.Open(path(t), record.Options{Clock: r.clock, Reserve: -1, BeatEvery: time.Hour})
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = rec.Abandon() }()
			if err := rec.Follow(r.points); err != nil {
				t.Fatal(err)
			}
			up, err := record.NewUpkeep(rec, record.Keep{}, nil)
			if err != nil {
				t.Fatal(err)
			}
			defer up.Close()
			r.run(t, rec, 30)
			time.Sleep(time.Hour)
			r.run(t, rec, 30)
			if err := up.Finish(t.Context(), time.Now()); err != nil {
				t.Fatal(err)
			}
			if err := rec.Check(t.Context()); err != nil {
				t.Fatal(err)
			}
			if err := rec.Exec(spoil); err != nil {
				t.Fatal(err)
			}
			if err := rec.Check(t.Context()); err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: got %v, want it to say %q", spoil, err, want)
			}
		})
	}
}
