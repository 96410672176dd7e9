package configs_test

import (
	"strings"
	"testing"
	"time"

	"roundsman/configs"
	"roundsman/configs/strict"
	"roundsman/exporter/review/minutes"
)

// reviewed loads a site with a review section and the points that it may want.
func reviewed(t *testing.T, text string) (*configs.Site, error) {
	t.Helper()
	files := badLine{section: "equipment", text: "review:\n" + text}.files()
	files["site.yaml"] = strings.Replace(files["site.yaml"], "conditions:", `  psi: {link: plc, holding: 40, unit: psi}
  litres: {total: n.pulses, per-pulse: 10 L}
  gallons: {total: n.pulses, per-pulse: 1 gal}
  cars: {link: plc, holding: 42, type: uint32, kind: counter, unit: cars}
  cloud: {link: plc, holding: 44, unit: FNU}
  d: {leak-test: {pressure: a.pressure, loaded: a.running, while: not z, volume: 500 L}, unit: ft3/min}
conditions:`, 1)
	return site(t, files)
}

func TestReviewErrors(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"  air: {pressure: psi}", "site.yaml:22:3: review.air: loaded is missing"},
		{"  air: {pressure: litres, loaded: a.running}", "site.yaml:22:19: review.air.pressure: litres is a volume (L), wanted is a pressure (bar)"},
		{"  air: {pressure: psi, loaded: psi}", "site.yaml:22:32: review.air.loaded: psi is a number, no state"},
		{"  air: {pressure: psi, loaded: a.running, leak: psi}", "site.yaml:22:49: review.air.leak: psi is no leak test"},
		{"  air: {pressure: psi, loaded: a.running, delivery: 30 bar}", "site.yaml:22:53: review.air.delivery: 30 bar: wanted is a flow (L/s)"},
		{"  air: {pressure: psi, loaded: a.running, minimum: 0 bar}", "site.yaml:22:52: review.air.minimum: 0 bar must be above 0"},
		{"  air: {pressure: psi, loaded: a.running, energy-price: 0.2}", "site.yaml:22:43: review.air.energy-price: in which currency? give currency"},
		{"  air: {pressure: psi, loaded: a.running, energy-price: -1, currency: EUR}", "site.yaml:22:57: review.air.energy-price: -1 must be above 0"},
		{"  water: {fresh: [litres, psi]}", "site.yaml:22:27: review.water.fresh[2]: psi is a pressure (psi), wanted is a volume (L)"},
		{"  water: {tanks: {x: {volum: litres}}}", "site.yaml:22:23: review.water.tanks.x: unknown key \"volum\" (did you mean volume?)"},
		{"  water: {filters: {x: {difference: a.pressure, after: psi}}}", "site.yaml:22:56: review.water.filters.x.after: psi is a pressure (psi), wanted is a turbidity (FNU or NTU)"},
		{"  open-state: psi", "site.yaml:22:15: review.open-state: psi is a number, no state"},
	} {
		_, err := reviewed(t, c.text)
		if got := errorsOf(t, err); got != c.want {
			t.Errorf("%s\n got: %s\nwant: %s", c.text, got, c.want)
		}
	}
}

func TestReviewPlans(t *testing.T) {
	s, err := reviewed(t, `  open: {monday: '07:00-20:00'}
  vehicles: cars
  air: {pressure: psi, loaded: a.running, minimum: 80 psi, leak: d, delivery: 100 ft3/min, power: 18 kW, energy-price: 0.05, currency: USD, hours-a-year: 7000 h}
  water: {fresh: [litres, gallons], settle: 1h, tanks: {t: {volume: gallons, in: litres, unused: 10 gal}}, filters: {f: {difference: psi, after: cloud, due: 10 psi}}}`)
	if err != nil {
		t.Fatal(err)
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if d := got - want; d > 1e-9*want || d < -1e-9*want {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	a, w := s.Review.Air, s.Review.Water
	near("pressure", a.Pressure.Factor, 0.0689475729316836)
	near("minimum", a.Minimum, 80*0.0689475729316836)
	near("leak", a.Leak.Factor, 0.028316846592*1000/60)
	near("energy of a cubic metre", a.Cost.Specific, 18/(100*0.028316846592*60)) // 18 kW for 100 cfm
	near("gallons", w.Fresh[1].Factor, 3.785411784)
	near("unused", w.Tanks[0].Unused, 37.85411784)
	near("due", w.Filters[0].Due, 0.689475729316836)
	if a.Cost.Price != 0.05 || a.Cost.Currency != "USD" || a.Cost.Hours != 7000 || w.Settle != time.Hour || a.Zone != s.Zone {
		t.Errorf("%+v", a)
	}
	if w.Vehicles != (minutes.Signal{Point: "cars"}) || w.Filters[0].After.Point != "cloud" || w.Tanks[0].Out != nil || w.Open.Named() {
		t.Errorf("%+v", w)
	}
	monday := time.Date(2026, 6, 8, 12, 0, 0, 0, time.UTC)
	if !w.Hours(monday) || w.Hours(monday.Add(12*time.Hour)) || !a.Hours(monday) {
		t.Error("the opening hours are not told")
	}
}

func TestReviewRemarksOnWhatIsMissing(t *testing.T) {
	s, err := reviewed(t, `  air: {pressure: psi, loaded: a.running}
  water: {tanks: {t: {volume: litres}}, filters: {f: {difference: psi}}}`)
	if err != nil {
		t.Fatal(err)
	}
	notes := s.Notes.Of(strict.Remark).Error()
	for _, want := range []string{
		"review.air: neither review.open nor review.open-state is given: nothing is told of nights",
		"review.air: running is not given: no load factor", "review.air: minimum is not given: no time below it",
		"review.air: leak is not given: no leak tests", "review.air: energy-price is not given: no cost of leaks in money",
		"review.water: review.vehicles is not given: no litres a vehicle", "review.water: fresh is not given: no litres a vehicle, no reuse",
		"review.water.tanks.t: neither in nor out is given: no balance", "review.water.filters.f: backwash is not given: no time between backwashes",
	} {
		if !strings.Contains(notes, want) {
			t.Errorf("no %q in\n%s", want, notes)
		}
	}
	if s.Review.Air == nil || len(s.Review.Air.Missing()) != 0 || len(s.Review.Water.Missing()) != 3 {
		t.Errorf("%+v", s.Review)
	}
}

func TestDemoReviewsItsAirAndWater(t *testing.T) {
	s, err := configs.Load(configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	a, w := s.Review.Air, s.Review.Water
	if a == nil || w == nil || len(a.Missing()) != 0 || len(w.Missing()) != 0 || len(w.Tanks) != 3 || len(w.Filters) != 1 || a.Leak.Point != "air.leak.rate" {
		t.Errorf("%+v\n%+v", a, w)
	}
}
