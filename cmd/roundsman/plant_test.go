package main

import (
	"context"
	"log/slog"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"roundsman/collector"
	"roundsman/collector/practice"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/rules"
)

// bench is a practice plant with the whole daemon reading it over its real protocols.
type bench struct {
	t     *testing.T
	plant *practice.Plant
	d     *daemon
	site  *configs.Site
}

func startBench(t *testing.T) *bench {
	t.Helper()
	plant, err := practice.New(practice.Options{Seed: 7})
	if err != nil {
		t.Fatal(err)
	}
	fsys, name := configs.Demo()
	site, err := configs.Load(fsys, name)
	if err != nil {
		t.Fatal(err)
	}
	if err := readPlant(site, plant.Addresses()); err != nil {
		t.Fatal(err)
	}
	d, err := newDaemon(site, settings{log: slog.New(slog.DiscardHandler), record: filepath.Join(t.TempDir(), "bench.db"), demo: true})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return plant.Run(ctx) })
	g.Go(func() error { return d.Run(ctx) })
	t.Cleanup(func() {
		cancel()
		if err := g.Wait(); err != nil {
			t.Errorf("end of plant and daemon: %v", err)
		}
		b := d.record.Reader
		if err := b.Check(context.WithoutCancel(ctx)); err != nil {
			t.Errorf("the record's own laws: %v", err)
		}
		if err := d.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return &bench{t: t, plant: plant, d: d, site: site}
}

// until waits for a view in which ok holds and returns it; it fails the test after the limit.
func (b *bench) until(what string, limit time.Duration, ok func(*exporter.View) bool) *exporter.View {
	b.t.Helper()
	late := time.After(limit)
	for {
		changed := b.d.board.Changed()
		v := b.d.board.View()
		if ok(v) {
			return v
		}
		select {
		case <-changed:
		case <-late:
			b.t.Fatalf("%s: not within %v; %s", what, limit, b.notGood(v))
		}
	}
}

func (b *bench) notGood(v *exporter.View) string {
	var words []string
	for id, r := range v.Readings {
		if r.Quality != collector.Good && len(words) < 12 {
			words = append(words, v.Site.Points[id].Name+" "+r.Quality.String()+" ("+r.Reason()+")")
		}
	}
	return "not good: " + strings.Join(words, "; ")
}

func (b *bench) reading(v *exporter.View, point string) collector.Reading {
	b.t.Helper()
	p, ok := b.site.Point(point)
	if !ok {
		b.t.Fatalf("no point %s in the demo site", point)
	}
	return v.Readings[p.ID]
}

func (b *bench) alarm(v *exporter.View, name string) rules.Status {
	b.t.Helper()
	for i := range v.Site.Rules {
		if v.Site.Rules[i].Name == name {
			return v.Alarms[i]
		}
	}
	b.t.Fatalf("no rule %s in the demo site", name)
	return rules.Status{}
}

// tolerance is the share of the instrument's range by which a reading may miss the model: noise, resolution and
// the plant's movement while the round is read.
const tolerance = 0.02

// Every point of the plant reads what the model says, in its unit, over three protocols.
func TestEveryPointReadsTheTruth(t *testing.T) {
	b := startBench(t)
	truth := b.plant.Truth()
	truth["yard.gateway.online"] = 1
	if len(truth) < 70 {
		t.Fatalf("the plant serves %d points, want the 70 of the point list", len(truth))
	}
	v := b.until("all points of the plant good", 20*time.Second, func(v *exporter.View) bool {
		for name := range truth {
			if b.reading(v, name).Quality != collector.Good {
				return false
			}
		}
		return true
	})
	truth = b.plant.Truth()
	truth["yard.gateway.online"] = 1
	for name, want := range truth {
		p, _ := b.site.Point(name)
		span := math.Max(math.Abs(want), 1)
		if !math.IsNaN(p.Low) && !math.IsNaN(p.High) {
			span = p.High - p.Low
		}
		got := b.reading(v, name).Value
		if p.Kind == collector.Counter {
			span = 1e6 // counters go on while we look; a wrong word order is off by far more
		}
		if math.Abs(got-want) > tolerance*span && p.Kind != collector.State {
			t.Errorf("%s: read %v %s, the model says %v", name, got, p.Unit, want)
		}
	}
}

// Each fault is named as what it is, rings no wrong alarm, and the room comes back by itself.
func TestFaultsAreNamed(t *testing.T) {
	tests := []struct {
		fault string
		seen  func(*bench, *exporter.View) bool
		quiet []string // alarms that must not have started
	}{
		{"wire-break", func(b *bench, v *exporter.View) bool {
			r := b.reading(v, "air.header.pressure")
			return r.Quality == collector.Bad && r.Fault == collector.SignalLow && strings.Contains(r.Detail, "mA")
		}, []string{"air-low", "air-low-low", "air-falling"}},
		{"plc-reboot", mapMoved, []string{"air-low", "air-low-low", "mains-lost", "city-low"}},
		{"map-shift", mapMoved, []string{"air-low", "air-low-low", "mains-lost", "city-low"}},
		{"late-replies", func(b *bench, v *exporter.View) bool {
			return b.reading(v, "air.header.pressure").Fault == collector.NoAnswer &&
				b.reading(v, "pit.3.level").Fault == collector.NoAnswer
		}, []string{"air-low", "pit-3-low"}},
		{"broker-down", func(b *bench, v *exporter.View) bool {
			return b.reading(v, "link.yard.up").Value == 0
		}, []string{"fresh-low"}},
		{"gateway-off", func(b *bench, v *exporter.View) bool {
			return b.reading(v, "fresh.tank.level").Fault == collector.DeviceOffline
		}, []string{"fresh-low"}},
		{"compressor-trip", func(b *bench, v *exporter.View) bool {
			return b.alarm(v, "compressor-fault").State == rules.Unacknowledged
		}, nil},
		{"mains-lost", func(b *bench, v *exporter.View) bool {
			return b.alarm(v, "mains-lost").State == rules.Unacknowledged
		}, nil},
		{"hose-off", func(b *bench, v *exporter.View) bool {
			// the compressor may just be loading: then the fall is slower and the limit rings first
			return b.alarm(v, "air-falling").State == rules.Unacknowledged || b.alarm(v, "air-low").State == rules.Unacknowledged
		}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.fault, func(t *testing.T) {
			t.Parallel()
			b := startBench(t)
			b.until("header pressure good", 20*time.Second, func(v *exporter.View) bool {
				return b.reading(v, "air.header.pressure").Quality == collector.Good &&
					b.reading(v, "pit.3.level").Quality == collector.Good &&
					b.reading(v, "fresh.tank.level").Quality == collector.Good
			})
			if err := b.plant.Begin(tt.fault); err != nil {
				t.Fatal(err)
			}
			v := b.until("the fault seen", 40*time.Second, func(v *exporter.View) bool { return tt.seen(b, v) })
			for _, name := range tt.quiet {
				if a := b.alarm(v, name); a.Activations > 0 {
					t.Errorf("%s: alarm %s started", tt.fault, name)
				}
			}
			b.plant.End(tt.fault)
			b.until("the signals back by themselves", 60*time.Second, func(v *exporter.View) bool {
				return b.reading(v, "air.header.pressure").Quality == collector.Good &&
					b.reading(v, "pit.3.level").Quality == collector.Good &&
					b.reading(v, "link.yard.up").Value == 1 &&
					b.reading(v, "fresh.tank.level").Quality == collector.Good
			})
		})
	}
}

// mapMoved: every point of the controller is bad for one reason, and one point of the box says so.
func mapMoved(b *bench, v *exporter.View) bool {
	return b.reading(v, "air.header.pressure").Fault == collector.MapMoved &&
		b.reading(v, "wash.open").Fault == collector.MapMoved &&
		b.reading(v, "link.plc.unit.1.good").Value == 0 &&
		b.reading(v, "pit.3.level").Quality == collector.Good
}
