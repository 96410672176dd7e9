package record_test

import (
	"database/sql"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record"
)

const benchPoints = 1000

// benchRoom makes rounds of a large room: pressures of 27,648 counts with noise, contacts, slow levels, counters. Its
// rounds come from a stock, so that making them costs the benchmark nothing.
type benchRoom struct {
	clock  *collector.Clock
	points []collector.Point
	stock  [][]collector.Reading
	at     time.Time
}

func newBenchRoom() *benchRoom {
	r := &benchRoom{clock: collector.NewClock(), at: time.Date(2026, 11, 28, 6, 0, 0, 0, time.UTC)}
	random, last := rand.New(rand.NewPCG(1, 2)), make([]float64, benchPoints)
	for i := range benchPoints {
		p := collector.Point{ID: collector.PointID(i), Name: fmt.Sprintf("point.%d", i), Unit: "bar", Low: 0, High: 16, Resolution: 16.0 / 27648}
		switch i % 4 {
		case 1:
			p = collector.Point{ID: p.ID, Name: p.Name, Kind: collector.State, Low: math.NaN(), High: math.NaN()}
		case 2:
			p.Unit, p.High, p.Resolution = "%", 100, 0.1
		case 3:
			p.Kind, p.Unit, p.High, p.Resolution = collector.Counter, "L", math.NaN(), 1
		}
		r.points = append(r.points, p)
		last[i] = 7.5
	}
	for n := range 60 {
		round := make([]collector.Reading, benchPoints)
		for i := range round {
			switch v := &last[i]; i % 4 {
			case 0:
				*v = min(16, max(0, *v+random.NormFloat64()*0.01))
			case 1:
				*v = float64((n + i) / 90 % 2)
			case 2:
				*v = 50 + 40*math.Sin(float64(n+i)/300) + random.NormFloat64()*0.05
			case 3:
				*v += float64(random.IntN(3))
			}
			round[i] = collector.Reading{Point: collector.PointID(i), Value: last[i], Quality: collector.Good}
		}
		r.stock = append(r.stock, round)
	}
	return r
}

// second gives the record one round; its time jitters as that of a poll does.
func (r *benchRoom) second(b *testing.B, rec *record.Record, n int) {
	now := r.clock.Moment(r.at.Add(time.Duration(n*7919%5) * time.Millisecond))
	rec.Take(now, r.stock[n%len(r.stock)])
	if err := rec.Beat(now); err != nil {
		b.Fatal(err)
	}
	r.at = r.at.Add(time.Second)
}

func (r *benchRoom) open(b *testing.B) (*record.Record, *record.Upkeep) {
	b.Helper()
	rec, err := record.Open(filepath.Join(b.TempDir(), "r.db"), record.Options{Clock: r.clock, Reserve: -1})
	if err != nil {
		b.Fatal(err)
	}
	if err := rec.Follow(r.points); err != nil {
		b.Fatal(err)
	}
	up, err := record.NewUpkeep(rec, record.Keep{}, nil)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		_ = up.Close()
		_ = rec.Close()
	})
	return rec, up
}

// rowTable is what a plain table does: a row a reading, to be read by point, a transaction a round.
type rowTable struct {
	path   string
	db     *sql.DB
	insert *sql.Stmt
}

func newRowTable(b *testing.B) *rowTable {
	b.Helper()
	t := &rowTable{path: filepath.Join(b.TempDir(), "rows.db")}
	var err error
	if t.db, err = sql.Open("sqlite", "file:"+t.path+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_txlock=immediate"); err != nil {
		b.Fatal(err)
	}
	t.db.SetMaxOpenConns(1)
	if _, err := t.db.Exec(`CREATE TABLE readings (point INTEGER, time INTEGER, value REAL, quality INTEGER, PRIMARY KEY (point, time)) WITHOUT ROWID`); err != nil {
		b.Fatal(err)
	}
	if t.insert, err = t.db.Prepare(`INSERT INTO readings VALUES (?, ?, ?, ?)`); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = t.db.Close() })
	return t
}

func (t *rowTable) round(b *testing.B, ms int64, readings []collector.Reading) {
	tx, err := t.db.Begin()
	if err != nil {
		b.Fatal(err)
	}
	insert := tx.Stmt(t.insert)
	for i := range readings {
		if _, err := insert.Exec(int(readings[i].Point), ms, readings[i].Value, int(readings[i].Quality)); err != nil {
			b.Fatal(err)
		}
	}
	if err := tx.Commit(); err != nil {
		b.Fatal(err)
	}
}

func sizeOf(path string) (all float64) {
	for _, beside := range []string{"", "-wal"} {
		if info, err := os.Stat(path + beside); err == nil {
			all += float64(info.Size())
		}
	}
	return all
}

// An hour of 1,000 points with the housework, beside rounds in a table of a row a reading, in turn; all per reading.
func BenchmarkReadings(b *testing.B) {
	r := newBenchRoom()
	rec, up := r.open(b)
	rows := newRowTable(b)
	var took [2]time.Duration
	var bytes [2]int64
	timed := func(i int, f func()) {
		before, _ := written()
		start := time.Now()
		f()
		took[i] += time.Since(start)
		after, _ := written()
		bytes[i] += after - before
	}
	n, k := 0, 0
	for b.Loop() {
		for range 60 { // an hour; of rows a sixtieth of it
			at := r.at
			timed(0, func() {
				for range 60 {
					r.second(b, rec, n)
					n++
				}
			})
			timed(1, func() { rows.round(b, at.UnixMilli(), r.stock[k%len(r.stock)]) })
			k++
		}
		timed(0, func() {
			if err := up.Finish(b.Context(), r.at.Add(time.Minute)); err != nil {
				b.Fatal(err)
			}
		})
	}
	per := func(i, rounds int) (seconds, written float64) {
		return took[i].Seconds() / float64(rounds*benchPoints), float64(bytes[i]) / float64(rounds*benchPoints)
	}
	ours, oursWritten := per(0, n)
	row, rowWritten := per(1, k)
	b.ReportMetric(1/ours, "readings/s")
	b.ReportMetric(1/row, "rows/s")
	b.ReportMetric(row/ours, "x-rows")
	b.ReportMetric(oursWritten, "B-written/reading")
	b.ReportMetric(rowWritten, "B-written/row")
	b.ReportMetric(oursWritten/rowWritten, "x-written")
	if _, err := rows.db.Exec(`VACUUM; PRAGMA wal_checkpoint(TRUNCATE)`); err != nil { // its pages are half empty yet
		b.Fatal(err)
	}
	b.ReportMetric(sizeOf(rec.Path())/sizeOf(rows.path)*float64(k)/float64(n), "x-size")
}

func processorTime() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// resident returns the memory of this process, in bytes.
func resident() float64 {
	text, err := os.ReadFile("/proc/self/statm")
	if fields := strings.Fields(string(text)); err == nil && len(fields) > 1 {
		pages, _ := strconv.ParseFloat(fields[1], 64)
		return pages * float64(os.Getpagesize())
	}
	return 0
}

// Hours of 1,000 points at a second, with the housework: the share of a core, what is written and kept, the memory with
// an hour of one point read, and the longest that a round waited for the record.
func BenchmarkHour(b *testing.B) {
	r := newBenchRoom()
	rec, up := r.open(b)
	debug.FreeOSMemory()
	base := resident()
	var busy, longest, step time.Duration
	var bytes int64
	hours, n := 0, 0
	for b.Loop() {
		before, _ := written()
		start := processorTime()
		for range 3600 {
			began := time.Now()
			r.second(b, rec, n)
			longest = max(longest, time.Since(began))
			n++
		}
		for more := true; more; {
			began := time.Now()
			var err error
			if more, err = up.Step(b.Context(), r.at); err != nil {
				b.Fatal(err)
			}
			step = max(step, time.Since(began))
		}
		busy += processorTime() - start
		after, _ := written()
		bytes += after - before
		hours++
	}
	tr, err := rec.Trend(b.Context(), "point.0")
	if err != nil {
		b.Fatal(err)
	}
	read := 0
	start := time.Now()
	for _, err := range tr.Readings(b.Context(), r.at.Add(-time.Hour), r.at) {
		if err != nil {
			b.Fatal(err)
		}
		read++
	}
	took := time.Since(start)
	readings := float64(n * benchPoints)
	b.ReportMetric(100*busy.Seconds()/float64(hours)/3600, "%-of-a-core")
	b.ReportMetric(float64(bytes)/readings, "B-written/reading")
	b.ReportMetric(sizeOf(rec.Path())/readings, "B-kept/reading")
	b.ReportMetric((resident()-base)/(1<<20), "MiB-more")
	b.ReportMetric(float64(longest.Microseconds())/1000, "ms-longest-round")
	b.ReportMetric(float64(step.Microseconds())/1000, "ms-longest-step")
	b.ReportMetric(float64(took.Microseconds())/1000, "ms-to-read-an-hour")
	b.ReportMetric(float64(read), "readings-in-it")
}

// A year of one point: its days, beside SQL over a table of a row a minute, in turn; and the year in 1,000 steps.
func BenchmarkYear(b *testing.B) {
	r := newBenchRoom()
	rec, up := r.open(b)
	from := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	to := from.AddDate(1, 0, 0)
	rows := yearOfRows(b, from, to)
	if err := record.FillYear(rec, from, to); err != nil {
		b.Fatal(err)
	}
	if err := up.Finish(b.Context(), to.Add(time.Hour)); err != nil {
		b.Fatal(err)
	}
	tr, err := rec.Trend(b.Context(), "year")
	if err != nil {
		b.Fatal(err)
	}
	var took [3]time.Duration
	timed := func(i int, f func() (int, error), want int) {
		start := time.Now()
		n, err := f()
		took[i] += time.Since(start)
		if err != nil || n != want {
			b.Fatal(i, n, want, err)
		}
	}
	n := 0
	for ; b.Loop(); n++ {
		timed(0, func() (int, error) {
			days, err := tr.Days(b.Context(), from, to)
			return len(days), err
		}, 365)
		timed(1, func() (int, error) { return daysInSQL(rows) }, 365)
		timed(2, func() (int, error) {
			steps, err := tr.Steps(b.Context(), from, to, to.Sub(from)/1000)
			return len(steps), err
		}, 1000)
	}
	ms := func(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 / float64(n) }
	b.ReportMetric(ms(took[0]), "ms-days")
	b.ReportMetric(ms(took[1]), "ms-sql")
	b.ReportMetric(float64(took[0])/float64(took[1]), "x-sql")
	b.ReportMetric(ms(took[2]), "ms-1000-steps")
}

func yearOfRows(b *testing.B, from, to time.Time) *sql.DB {
	b.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(b.TempDir(), "minutes.db")+"?_pragma=journal_mode(WAL)")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = db.Close() })
	db.SetMaxOpenConns(1)
	if _, err := db.Exec(`CREATE TABLE minutes (point INTEGER, time INTEGER, min REAL, mean REAL, max REAL, last REAL, good REAL, PRIMARY KEY (point, time)) WITHOUT ROWID;
		WITH RECURSIVE n(t) AS (SELECT ` + strconv.FormatInt(from.Unix(), 10) + ` UNION ALL SELECT t + 60 FROM n WHERE t + 60 < ` + strconv.FormatInt(to.Unix(), 10) + `)
		INSERT INTO minutes SELECT 1, t, t % 97 / 10.0, t % 97 / 10.0 + 0.2, t % 97 / 10.0 + 0.5, t % 97 / 10.0 + 0.1, 1 FROM n`); err != nil {
		b.Fatal(err)
	}
	return db
}

func daysInSQL(db *sql.DB) (n int, err error) {
	rows, err := db.Query(`SELECT time / 86400, min(min), avg(mean), max(max) FROM minutes WHERE point = 1 GROUP BY 1`)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	for rows.Next() {
		var day int64
		var low, mean, high float64
		if err := rows.Scan(&day, &low, &mean, &high); err != nil {
			return n, err
		}
		n++
	}
	return n, rows.Err()
}
