package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"roundsman/collector"
	"roundsman/collector/practice/model"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/panel"
	"roundsman/exporter/record"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/water"
)

const plantSite = smallSite + `  air.loaded: {link: plc, unit-id: 1, discrete: 1, type: bool, every: 1s}
  wash.open: {link: plc, unit-id: 1, discrete: 2, type: bool, every: 1s}
  conveyor.running: {link: plc, unit-id: 1, discrete: 3, type: bool, every: 1s}
  fresh.pulses: {link: plc, unit-id: 1, holding: 20, type: uint32, kind: counter, unit: pulses, every: 1s}
  reclaim.pulses: {link: plc, unit-id: 1, holding: 22, type: uint32, kind: counter, unit: pulses, every: 1s}
  cars: {link: plc, unit-id: 1, holding: 24, type: uint32, kind: counter, unit: cars, every: 1s}
  tank.volume: {link: plc, unit-id: 1, holding: 26, unit: L, every: 1s}
  fresh: {total: fresh.pulses, per-pulse: 10 L}
  reclaim: {total: reclaim.pulses, per-pulse: 50 L}
  leak: {leak-test: {pressure: air.pressure, loaded: air.loaded, while: [not wash.open, not conveyor.running], volume: 500 L, delivery: 30 L/s}, digits: 3}
review:
  open-state: wash.open
  vehicles: cars
  air: {pressure: air.pressure, minimum: 5.5 bar, loaded: air.loaded, running: air.running, leak: leak, delivery: 30 L/s, power: 11.4 kW, energy-price: 0.28, currency: EUR}
  water: {fresh: fresh, reclaim: reclaim, tanks: {plant: {volume: tank.volume, in: fresh}}}
`

// plantRecord plays the practice plant through the judge into a record: an hour before closing, and the hours after.
func plantRecord(t *testing.T, length time.Duration) (dir string, cars float64) {
	t.Helper()
	dir = writeSite(t, smallRules)
	write(t, dir, "site.yaml", plantSite)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		m := model.New(model.Config{Seed: 9, Start: time.Date(2026, 6, 13, 19, 0, 0, 0, time.UTC)})
		before := m.State()
		const step = 4 * time.Second
		for range int(length / step) {
			s, now := m.State(), r.judge.clock.Now()
			var batch []collector.Reading
			for i, v := range []float64{math.Round(1000*s.Air.Header) / 1000, contact(s.Air.Running), contact(s.Air.Loaded), contact(s.Traffic.Open),
				contact(s.Traffic.Conveyor), math.Floor(s.Water.Ledger.City / 10), math.Floor(s.Water.Ledger.Supplied / 50), float64(s.Traffic.Left), s.Water.Stored} {
				batch = append(batch, collector.Reading{Point: collector.PointID(i), Value: v, Quality: collector.Good, At: now})
			}
			r.judge.in <- collector.Batch{Link: "plc", Readings: batch}
			time.Sleep(step)
			m.Step(step)
		}
		synctest.Wait()
		cars = float64(m.State().Traffic.Left - before.Traffic.Left)
		r.stop()
	})
	return dir, cars
}

func TestHeavyPlantReviewsFromTheRecord(t *testing.T) {
	dir, cars := plantRecord(t, 115*time.Minute)
	site := filepath.Join(dir, "site.yaml")
	told := func(code int, args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		args = append([]string{args[0], site, "--from", "2000-01-01T00:00:00Z", "--to", "2000-01-01T02:30:00Z"}, args[1:]...)
		if got := run(context.Background(), args, nil, &out, &errs); got != code {
			t.Fatalf("%v: exit %d: %s%s", args, got, &out, &errs)
		}
		return out.String() + errs.String()
	}
	var a air.Figures
	if err := json.Unmarshal([]byte(told(exitGood, "air", "--json")), &a); err != nil {
		t.Fatal(err)
	}
	if len(a.Leak.Tests) == 0 || math.Abs(float64(a.Leak.Latest)-0.6) > 0.02 || !strings.HasPrefix(a.Leak.Tests[0].Words, "bleed-down from ") || !a.Leak.Cost.Is() {
		t.Errorf("leak %+v", a.Leak)
	}
	if f := a.Load.Factor; !(f > 0.05 && f < 0.9) || a.Pressure.Min < 6.5 || a.Pressure.Max > 8.3 || a.Pressure.OpenSeconds < 3500 || a.Pressure.OpenSeconds > 3700 {
		t.Errorf("load %+v, pressure %+v", a.Load, a.Pressure)
	}
	var w water.Figures
	if err := json.Unmarshal([]byte(told(exitGood, "water", "--json")), &w); err != nil {
		t.Fatal(err)
	}
	if math.Abs(float64(w.Use.Vehicles)-cars) > 1 || math.Abs(float64(w.Use.Reclaim)/cars-40.8) > 8 || len(w.Tanks) != 1 || !w.Use.Reuse.Is() {
		t.Errorf("use %+v of %g cars", w.Use, cars)
	}
	for _, part := range []string{"air", "water"} {
		for line := range strings.Lines(told(exitGood, part)) {
			if utf8.RuneCountInString(line) > 81 {
				t.Errorf("more than 80 columns: %s", line)
			}
		}
		rows, err := csv.NewReader(strings.NewReader(told(exitGood, part, "--csv"))).ReadAll()
		if err != nil || len(rows) < 10 || rows[0][3] != "value" {
			t.Errorf("csv %q, %v", rows, err)
		}
		told(exitUsage, part, "--csv", "--json")
	}
	t.Run("http", func(t *testing.T) { plantsOverHTTP(t, dir) })
}

func plantsOverHTTP(t *testing.T, dir string) {
	site, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	r, err := record.Read(filepath.Join(dir, "corner.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	clock := collector.NewClock()
	view := &exporter.View{Site: &exporter.Site{Name: site.Name, Zone: site.Zone, Points: site.Points}, At: clock.Now()}
	handler := func(p exporter.Plants) http.Handler {
		return panel.New(exporter.NewBoard(clock, view), panel.Options{Plants: p}).Handler()
	}
	get := func(h http.Handler, path string, code int) string {
		t.Helper()
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
		if w.Code != code {
			t.Errorf("%s: %d, want %d: %s", path, w.Code, code, w.Body)
		}
		return w.Body.String()
	}
	h := handler(newPlantAnswers(newReviewing(clock), r, site))
	const span = "?from=2000-01-01T00:00:00Z&to=2000-01-01T02:30:00Z"
	var a air.Figures
	if err := json.Unmarshal([]byte(get(h, "/api/v1/air"+span, 200)), &a); err != nil || math.Abs(float64(a.Leak.Latest)-0.6) > 0.02 {
		t.Errorf("%+v, %v", a.Leak, err)
	}
	var w water.Figures
	if err := json.Unmarshal([]byte(get(h, "/api/v1/water"+span, 200)), &w); err != nil || !w.Use.Reuse.Is() {
		t.Errorf("%+v, %v", w.Use, err)
	}
	get(h, "/api/v1/air?from=2000-01-02&to=2000-01-01", 400)
	get(h, "/api/v1/air?since=2000-01-02", 400)
	get(handler(nil), "/api/v1/water", 503)
	site.Review.Air = nil
	if body := get(handler(newPlantAnswers(newReviewing(clock), r, site)), "/api/v1/air"+span, 404); !strings.Contains(body, "review.air is missing in it") {
		t.Errorf("%s", body)
	}
	busy := newPlantAnswers(newReviewing(clock), r, site)
	for range mostReviewing {
		busy.places <- struct{}{}
	}
	get(handler(busy), "/api/v1/water"+span, 503)
}

func TestPlantReviewsWithoutAPlan(t *testing.T) {
	dir := writeSite(t, smallRules)
	write(t, dir, "site.yaml", smallSite)
	synctest.Test(t, func(t *testing.T) { openRoom(t, dir).stop() })
	for part, want := range map[string]string{
		"air": "the site file does not say which points to review: review.air is missing in it", "water": "review.water is missing in it",
	} {
		var out, errs bytes.Buffer
		if code := run(context.Background(), []string{part, filepath.Join(dir, "site.yaml")}, nil, &out, &errs); code != exitWrong || !strings.Contains(errs.String(), want) {
			t.Errorf("%s: exit %d: %s", part, code, &errs)
		}
	}
}
