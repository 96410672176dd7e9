package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus/device"
	"roundsman/collector/modbus/wire"
	"roundsman/collector/outsidetest"
	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
	"roundsman/rules"
)

// aged is the whole daemon in fake time: real links over pipes to a simulated controller, judge, record, housework.
type aged struct {
	*testing.T
	d     *daemon
	site  *configs.Site
	bank  *device.Bank
	log   *lockedBuffer
	down  atomic.Bool   // who opens a line finds it closed at once
	opens atomic.Uint64 // lines opened
	mu    sync.Mutex
	far   []net.Conn // the controller's ends
	stop  func()
}

// hangUp closes all lines, and each that is opened from now on.
func (a *aged) hangUp() {
	a.down.Store(true)
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, c := range a.far {
		c.Close()
	}
	a.far = nil
}

const agedSite = `site: {name: Corner Wash, time-zone: Europe/Dublin}
rules: [rules.yaml]
record: {path: corner.db, keep: {readings: 10d}}
links:
  plc: {modbus: 'tcp://127.0.0.1:1'}
  yard: {mqtt: 'tcp://127.0.0.1:1'}
equipment:
  compressor: {run: air.running, rated: 11 kW}
points:
  air.pressure: {station: air, link: plc, unit-id: 1, holding: 10, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}, every: EVERY}
  air.running: {station: air, link: plc, unit-id: 1, discrete: 0, type: bool, every: EVERY}
  yard.level: {station: yard, link: yard, topic: yard/level, unit: '%'}
`

// newAged must be called in a bubble. folder is made outside of it.
func newAged(t *testing.T, folder, every string) *aged {
	t.Helper()
	write(t, folder, "site.yaml", strings.ReplaceAll(agedSite, "EVERY", every))
	write(t, folder, "rules.yaml", smallRules)
	a := &aged{T: t, log: &lockedBuffer{}, bank: device.NewBank(device.Range{Table: device.Holding, First: 10, Last: 10}, device.Range{Table: device.Discrete, First: 0, Last: 0})}
	var err error
	if a.site, err = configs.LoadFile(filepath.Join(folder, "site.yaml")); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	server := device.New(map[uint8]*device.Bank{1: a.bank}, device.Options{})
	var work sync.WaitGroup
	open := func() (net.Conn, error) {
		a.opens.Add(1)
		near, far := net.Pipe()
		if a.down.Load() {
			far.Close()
			return near, nil
		}
		a.mu.Lock()
		a.far = append(a.far, far)
		a.mu.Unlock()
		work.Go(func() { server.ServeConn(ctx, far) })
		return near, nil
	}
	a.site.Modbus[0].Open = func(context.Context) (wire.Conn, error) { return open() }
	a.site.MQTT[0].Dial = func(context.Context, string, string) (net.Conn, error) {
		a.opens.Add(1)
		near, far := net.Pipe()
		far.Close() // there is no broker at all
		return near, nil
	}
	began := time.Now()
	a.d, err = newDaemon(a.site, settings{log: slog.New(slog.NewTextHandler(a.log, nil)), record: beside(filepath.Join(folder, "site.yaml"), a.site.Record.Path),
		boot: func() record.Boot { return record.Boot{ID: "boot", Up: time.Since(began) + time.Hour} }})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- a.d.Run(ctx) }()
	a.stop = func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("the daemon ended: %v", err)
		}
		work.Wait() // no line is opened any more
		if err := errors.Join(a.d.record.Check(context.Background()), a.d.Close()); err != nil {
			t.Errorf("the record: %v", err)
		}
	}
	a.set(7, false)
	return a
}

// set gives the header's pressure and whether the compressor runs.
func (a *aged) set(bar float64, running bool) {
	err := errors.Join(a.bank.Set(device.Holding, 10, uint16(math.Round(bar/16*27648))), a.bank.Set(device.Discrete, 0, map[bool]uint16{true: 1}[running]))
	if err != nil {
		a.Fatal(err)
	}
}

func (a *aged) reading(point string) collector.Reading {
	p, ok := a.site.Point(point)
	if !ok {
		a.Fatalf("no point %s", point)
	}
	return a.d.board.View().Readings[p.ID]
}

// footprint is what a process holds.
type footprint struct {
	heap       float64 // MiB that are in use after a collection
	resident   float64 // MiB, with what SQLite has
	goroutines int
	files      int
}

func (f footprint) String() string {
	return fmt.Sprintf("%.1f MiB of heap, %.0f MiB resident, %d goroutines, %d files", f.heap, f.resident, f.goroutines, f.files)
}

func holds(t *testing.T) (f footprint) {
	t.Helper()
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	resident, files, _, err := usage(os.Getpid())
	if err != nil {
		outsidetest.Lacking(t, "%v", err)
	}
	return footprint{float64(m.HeapAlloc) / (1 << 20), resident, runtime.NumGoroutine(), files}
}

// flat holds a later footprint against an earlier one. The journal grows on disk; what is in memory must not.
func flat(t *testing.T, what string, early, late footprint) {
	t.Helper()
	t.Logf("%s: %v, then %v", what, early, late)
	if late.heap > early.heap+3 || late.resident > early.resident+24 || late.goroutines > early.goroutines+2 || late.files > early.files+2 {
		t.Errorf("%s: %v, then %v", what, early, late)
	}
}

// A controller that slams each connection, and a broker that is not there, the whole night: the box rings once about each,
// keeps quiet otherwise, holds no more than before, and reads again within half a minute of the morning.
// ROUNDSMAN_LONG=1 goes on until the lines were opened 100,000 times.
func TestHeavyNightWithoutLines(t *testing.T) {
	folder, opens := quick(t), uint64(1200)
	if long() {
		opens = 100_000
	}
	if testing.Short() {
		opens = 500
	}
	synctest.Test(t, func(t *testing.T) {
		a := newAged(t, folder, "1s")
		time.Sleep(time.Minute)
		if r := a.reading("air.pressure"); r.Quality != collector.Good {
			t.Fatalf("in the evening: %v", r)
		}
		began := time.Now()
		a.hangUp()
		time.Sleep(10 * time.Minute)
		early := holds(t)
		for a.opens.Load() < opens {
			time.Sleep(10 * time.Minute)
		}
		night := time.Since(began)
		if r := a.reading("air.pressure"); r.Quality != collector.Bad || a.reading("link.plc.up").Value != 0 || a.reading("link.yard.up").Value != 0 {
			t.Errorf("in the night: %v %v", r.Value, r.Quality)
		}
		late := holds(t)
		lines := recordtest.Lines(t, a.d.record.Reader, record.Query{})
		a.set(7, false)
		a.down.Store(false)
		time.Sleep(30 * time.Second)
		if r := a.reading("air.pressure"); r.Quality != collector.Good || math.Abs(r.Value-7) > 0.01 {
			t.Errorf("in the morning: %v %v", r.Value, r.Quality)
		}
		a.stop()
		flat(t, fmt.Sprintf("%d openings in %v", a.opens.Load(), night.Round(time.Minute)), early, late)
		if said := strings.Count(a.log.String(), "\n"); said > 60 || len(lines) > 30 {
			t.Errorf("%d lines in the log, %d in the journal:\n%s", said, len(lines), a.log)
		}
	})
}

// The whole daemon for many days, with a room that works: shifts, a compressor that loads and unloads, an alarm now and
// then. ROUNDSMAN_LONG=1 makes it thirty days with a round every ten seconds, about
// twenty minutes: give -timeout 1h.
func TestHeavyManyDaysHoldNoMore(t *testing.T) {
	folder, hours, every := quick(t), 4, "5s"
	if long() {
		hours, every = 30*24, "10s"
	}
	if testing.Short() {
		hours = 6
	}
	synctest.Test(t, func(t *testing.T) {
		a := newAged(t, folder, every)
		var early footprint
		for minute := range hours * 60 {
			bar := 7 + math.Sin(float64(minute)/3)
			if minute%97 == 0 {
				bar = 5
			}
			a.set(bar, minute%9 < 4)
			time.Sleep(time.Minute)
			if minute == hours*60/6 {
				early = holds(t)
			}
		}
		late := holds(t)
		r := a.d.record
		d, err := r.Duty(t.Context(), "compressor", time.Time{}.AddDate(1999, 0, 0), time.Now())
		if err != nil {
			t.Error(err)
		}
		lines := recordtest.Lines(t, r.Reader, record.Query{Alarm: "air-low"})
		a.stop()
		flat(t, fmt.Sprintf("%d hours", hours), early, late)
		ran, slack := time.Duration(hours)*time.Hour*4/9, 15*time.Minute
		if (d.Run-ran).Abs() > slack || d.Unseen > time.Minute || d.Starts < hours*60/9-2 {
			t.Errorf("the compressor ran %v with %d starts, %v unseen; in truth %v and %d", d.Run, d.Starts, d.Unseen, ran, hours*60/9)
		}
		if want := hours * 60 / 97; len(lines) < 2*want-2 {
			t.Errorf("%d lines about low air, which there was %d times", len(lines), want+1)
		}
	})
}

// The wall clock is set on or back by a year or an hour while an alarm is shelved, a delay runs and the compressor
// works: no delay, no shelf, no run time and no order of lines changes; the steps are journalled.
func TestWallClockSteps(t *testing.T) {
	for _, tt := range []struct {
		name string
		step time.Duration
	}{
		{"a year on", 365 * 24 * time.Hour},
		{"a year back", -365 * 24 * time.Hour},
		{"summer time told as UTC", time.Hour},
		{"and back", -time.Hour},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := writeSite(t, smallRules)
			write(t, dir, "site.yaml", smallSite+"equipment:\n  compressor: {run: air.running, rated: 11 kW}\n")
			site, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
			if err != nil {
				t.Fatal(err)
			}
			synctest.Test(t, func(t *testing.T) {
				var off atomic.Int64
				r := roomOn(t, dir, site, collector.NewClockFrom(func() time.Time { return time.Now().Add(time.Duration(off.Load())) }))
				defer r.stop()
				r.feed(7, 10*time.Second)
				act := rules.Act{Kind: rules.ActShelve, Who: "N. Quill", Why: "filter change", For: 2 * time.Minute}
				if err := r.judge.Act(t.Context(), "air-high", act); err != nil {
					t.Fatal(err)
				}
				r.feed(5, 3*time.Second) // of the five of the on-delay
				off.Store(int64(tt.step))
				r.feed(5, time.Second)
				r.expect("air-low", rules.Normal, "four of five seconds low")
				r.feed(5, 3*time.Second)
				r.expect("air-low", rules.Unacknowledged, "seven seconds low")
				r.feed(5, 90*time.Second)
				r.expect("air-high", rules.Shelved, "a minute and a half of two")
				r.feed(5, 30*time.Second)
				r.expect("air-high", rules.Normal, "the two minutes are over")
				if got := r.judge.board.View().Equipment[0].RunSeconds; math.Abs(got-137) > 2 {
					t.Errorf("the compressor ran %v s of 137", got)
				}
				steps, last := 0, collector.Moment(0)
				for _, l := range r.lines() {
					if l.Kind == record.ClockStepped {
						steps++
						if (l.Length - tt.step).Abs() > time.Second {
							t.Errorf("a step of %v is told as %v", tt.step, l.Length)
						}
					}
					if l.Steady < last {
						t.Errorf("line %d, %s, stands before its time", l.Seq, l.Kind)
					}
					last = l.Steady
				}
				if steps != 1 {
					t.Errorf("%d steps journalled", steps)
				}
			})
		})
	}
}

// A time service smears a leap second over a day, 11.6 us each second (common practice): that is no step, and the journal's
// times stay those of the clock. Three hours of it, or the whole day with ROUNDSMAN_LONG=1.
func TestHeavyLeapSecondSmear(t *testing.T) {
	dir, length := writeSite(t, smallRules), 3*time.Hour
	if long() {
		length = 25 * time.Hour
	}
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		site, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		clock := collector.NewClockFrom(func() time.Time {
			passed := time.Since(began)
			return time.Now().Add(-min(passed, 24*time.Hour) / 86400)
		})
		r := roomOn(t, dir, site, clock)
		defer r.stop()
		time.Sleep(length)
		r.feed(5, 10*time.Second)
		r.expect("air-low", rules.Unacknowledged, "low for ten seconds")
		for _, l := range r.lines() {
			if l.Kind == record.ClockStepped {
				t.Errorf("the smear is journalled as a step of %v", l.Length)
			}
			if l.Alarm == "air-low" {
				told := began.Add(length + 5*time.Second - min(length, 24*time.Hour)/86400)
				if (l.Time.Sub(told)).Abs() > 20*time.Millisecond {
					t.Errorf("the line is of %v, the clock told %v", l.Time, told)
				}
			}
		}
	})
}

// Hours on the two days on which Dublin's clocks change: the wash opens at seven by the clock on the wall, and a shelf and
// a delay over the change last as long as they were told.
func TestDaylightSaving(t *testing.T) {
	for _, tt := range []struct {
		name  string
		start time.Time // shortly before the change, UTC
		opens time.Time // 07:00 Irish time of that day
	}{
		{"spring", time.Date(2026, 3, 29, 0, 30, 0, 0, time.UTC), time.Date(2026, 3, 29, 6, 0, 0, 0, time.UTC)},
		{"autumn", time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC), time.Date(2026, 10, 25, 7, 0, 0, 0, time.UTC)},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := writeSite(t, hoursRules)
			write(t, dir, "site.yaml", smallSite+"conditions:\n  wash.open: {hours: {daily: 07:00-20:00}}\n  wash.closed: not wash.open\n")
			site, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
			if err != nil {
				t.Fatal(err)
			}
			synctest.Test(t, func(t *testing.T) {
				time.Sleep(time.Until(tt.start))
				r := roomOn(t, dir, site, collector.NewClock())
				defer r.stop()
				r.feed(5, 10*time.Second)
				r.expect("air-low", rules.SuppressedByDesign, "at night")
				act := rules.Act{Kind: rules.ActShelve, Who: "N. Quill", Why: "filter change", For: time.Hour}
				if err := r.judge.Act(t.Context(), "air-at-night", act); err != nil {
					t.Fatal(err)
				}
				shelved := time.Now()
				time.Sleep(time.Until(shelved.Add(time.Hour - 10*time.Second)))
				r.expect("air-at-night", rules.Shelved, "over the change, ten seconds before the hour is over")
				time.Sleep(20 * time.Second)
				if a := r.alarm("air-at-night"); a.State == rules.Shelved {
					t.Error("shelved for longer than an hour over the change")
				}
				time.Sleep(time.Until(tt.opens.Add(-30 * time.Second)))
				r.feed(5, 10*time.Second)
				r.expect("air-low", rules.SuppressedByDesign, "half a minute before seven")
				time.Sleep(time.Until(tt.opens.Add(time.Second)))
				r.feed(5, 10*time.Second)
				r.expect("air-low", rules.Unacknowledged, "the wash is open")
			})
		})
	}
}
