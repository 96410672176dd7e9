package record_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

const trendKillPoints = 40

// trendKillRoom are the points of the child, whose readings parent and child both know.
func trendKillRoom() []collector.Point {
	points := make([]collector.Point, trendKillPoints)
	for i := range points {
		points[i] = collector.Point{ID: collector.PointID(i), Name: fmt.Sprintf("p%d", i), Unit: "bar", Resolution: 0.01, Low: 0, High: 100}
	}
	return points
}

// killReading is what a point reads at a second: a function of both, so that nobody need tell it.
func killReading(i int, second int64) collector.Reading {
	r := rand.New(rand.NewPCG(uint64(i), uint64(second)))
	out := collector.Reading{Point: collector.PointID(i), Quality: collector.Good, Value: float64(r.IntN(10000)) / 100}
	if r.IntN(50) == 0 {
		return collector.Fail(out.Point, collector.NoAnswer, 0, 0, "")
	}
	return out
}

// takeUntilKilled is the child: it records a room second by second, as fast as it can, beside the housework. It tells
// each second before it takes its readings.
func takeUntilKilled() error {
	second, err := strconv.ParseInt(os.Args[2], 10, 64)
	if err != nil {
		return err
	}
	clock := collector.NewClock()
	rec, err := record.Open(os.Args[1], record.Options{Clock: clock, Reserve: -1})
	if err != nil {
		return err
	}
	if err := rec.Follow(trendKillRoom()); err != nil {
		return err
	}
	up, err := record.NewUpkeep(rec, record.Keep{}, nil)
	if err != nil {
		return err
	}
	var shown atomic.Int64
	shown.Store(second)
	go func() { // ends with the process, which is killed
		for range time.Tick(2 * time.Millisecond) {
			if _, err := up.Step(context.Background(), time.Unix(shown.Load(), 0)); err != nil {
				fmt.Fprintln(os.Stderr, err)
			}
		}
	}()
	out := bufio.NewWriterSize(os.Stdout, 0)
	readings := make([]collector.Reading, trendKillPoints)
	for ; ; second++ {
		now := clock.Moment(time.Unix(second, 0))
		for i := range readings {
			readings[i] = killReading(i, second)
		}
		fmt.Fprintln(out, second)
		if err := out.Flush(); err != nil {
			return err
		}
		rec.Take(now, readings)
		shown.Store(second)
		if err := rec.Beat(now); err != nil {
			return err
		}
	}
}

// killedRun is one life of the child: the seconds it told.
type killedRun struct{ from, to int64 }

// trendKill lets the child live for a while and kills it.
func trendKill(t *testing.T, p string, from int64, life time.Duration) killedRun {
	t.Helper()
	cmd := childCommand(t.Context(), "trend", p, strconv.FormatInt(from, 10))
	told, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewReader(told)
	run, limit := killedRun{from, from - 1}, time.AfterFunc(time.Minute, func() { _ = cmd.Process.Kill() })
	defer limit.Stop()
	for {
		text, err := lines.ReadString('\n')
		if err != nil && err != io.EOF {
			t.Fatal(err)
		}
		if err == io.EOF {
			break
		}
		if run.to < from { // it works: its time begins
			time.AfterFunc(life, func() { _ = cmd.Process.Kill() })
		}
		if run.to, err = strconv.ParseInt(text[:len(text)-1], 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	_ = cmd.Wait() // killed
	return run
}

// TestKillLosesTenSeconds kills a box that records, at random instants: what is left of each life is its beginning, at
// most ten seconds of it are lost, the time between two lives is a gap, and minutes agree with readings.
func TestKillLosesTenSeconds(t *testing.T) {
	p := path(t)
	random := rand.New(rand.NewPCG(20, 26))
	kills, from := 20/fewer, int64(1_750_000_000)
	if testing.Short() {
		kills = 8
	}
	var runs []killedRun
	for range kills {
		run := trendKill(t, p, from, time.Duration(random.IntN(150_000))*time.Microsecond)
		runs = append(runs, run)
		from = run.to + 60 + random.Int64N(1200)
	}
	recordtest.Check(t, p)
	checkKilled(t, p, runs, "as they were killed")

	rec, err := record.Open(p, record.Options{Clock: collector.NewClock(), Reserve: -1})
	if err != nil {
		t.Fatal(err)
	}
	up, err := record.NewUpkeep(rec, record.Keep{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := up.Finish(t.Context(), time.Unix(from, 0).Add(24*time.Hour)); err != nil {
		t.Error(err)
	}
	_ = up.Close()
	if err := rec.Close(); err != nil {
		t.Error(err)
	}
	lost := checkKilled(t, p, runs, "packed")
	t.Logf("%d kills over %v of the room's time; %d seconds lost, at most %d at once", kills, time.Duration(from-1_750_000_000)*time.Second, lost.all, lost.most)
}

type lostSeconds struct{ all, most int64 }

func checkKilled(t *testing.T, p string, runs []killedRun, when string) (lost lostSeconds) {
	t.Helper()
	rd, err := record.Read(p)
	if err != nil {
		t.Fatal(err)
	}
	defer rd.Close()
	for i := 0; i < trendKillPoints; i += 13 {
		tr, err := rd.Trend(t.Context(), fmt.Sprintf("p%d", i))
		if err != nil {
			t.Fatal(err)
		}
		var got []record.Sample
		for s, err := range tr.Readings(t.Context(), time.Time{}, time.Time{}) {
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, s)
		}
		for _, run := range runs {
			kept := int64(0)
			for len(got) > 0 && got[0].Milli <= run.to*1000 {
				second := run.from + kept
				want := killReading(i, second)
				if got[0].Milli != second*1000 || got[0].Quality != want.Quality || want.Quality.Usable() && math.Abs(got[0].Value-want.Value) > 1e-9 {
					t.Fatalf("%s: point %d: got %+v, want %+v at %d of the life from %d to %d", when, i, got[0], want, second, run.from, run.to)
				}
				got = got[1:]
				kept++
			}
			gone := run.to - run.from + 1 - kept
			if gone > 10 {
				t.Errorf("%s: point %d: %d seconds are lost of the life from %d to %d", when, i, gone, run.from, run.to)
			}
			if i == 0 {
				lost.all, lost.most = lost.all+gone, max(lost.most, gone)
			}
		}
		if len(got) > 0 {
			t.Errorf("%s: point %d: %d readings that nobody took, the first %+v", when, i, len(got), got[0])
		}
		compareMinutes(t, rd, tr.Point, 0.01, time.Unix(runs[0].from, 0).Truncate(time.Minute), time.Unix(runs[len(runs)-1].to+3600, 0))
	}
	return lost
}
