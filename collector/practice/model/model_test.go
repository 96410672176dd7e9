package model

import (
	"math"
	"testing"
	"time"
)

// opening is a Saturday's first hour.
func opening(t *testing.T) time.Time {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Logf("no time zone data (%v): UTC instead", err)
		zone = time.UTC
	}
	return time.Date(2026, time.June, 13, 6, 0, 0, 0, zone)
}

// What came in is what went out and what is there, through a Saturday of
// every upset there is.
func TestWaterBalance(t *testing.T) {
	m := New(Config{Seed: 3, Start: opening(t)})
	before := m.State().Water
	for h := range 11 {
		for u := range upsets {
			m.Set(u, u != MainsLost && h%int(upsets) == int(u) || u == MainsLost && h == 9)
		}
		m.Step(time.Hour)
		now := m.State().Water
		l, b := now.Ledger, before.Ledger
		in := l.City - b.City
		out := l.Lost + l.Sewer + l.Spilled - b.Lost - b.Sewer - b.Spilled
		close2(t, "water balance, L", before.Stored+in-out-now.Stored, 0, 1e-9*now.Stored)
	}
	if l := m.State().Water.Ledger; l.City == 0 || l.Lost == 0 {
		t.Errorf("nothing moved: %+v", l)
	}
}

// 48 L a car, 80 % back, 9.6 L lost and 9.6 L of fresh water in their place.
func TestWaterOfACar(t *testing.T) {
	m := New(Config{Seed: 5, Start: opening(t)})
	before := m.State()
	m.Step(4 * time.Hour)
	for m.State().Traffic.InTunnel > 0 {
		m.Step(Tick)
	}
	after := m.State()
	cars := float64(after.Traffic.Left - before.Traffic.Left)
	if cars < 100 || after.Traffic.InTunnel != 0 {
		t.Fatalf("%g cars, %d inside", cars, after.Traffic.InTunnel)
	}
	l := after.Water.Ledger
	close2(t, "used a car", l.Used/cars, 48, 48e-3)
	close2(t, "back from the floor", 1-l.Lost/l.Used, 0.8, 1e-9)
	close2(t, "lost a car", l.Lost/cars, 9.6, 9.6e-3)
	kept := after.Water.Stored - before.Water.Stored
	close2(t, "fresh a car, stock regarded", (l.City-kept)/cars, 9.6, 9.6e-3)
	close2(t, "surplus to sewer", l.Sewer, 0, 0)
	close2(t, "reclaimed a car", l.Supplied/cars, 40.8, 0.05)
}

func TestSameSeedSamePlant(t *testing.T) {
	start := opening(t)
	one := New(Config{Seed: 7, Start: start})
	many := New(Config{Seed: 7, Start: start})
	other := New(Config{Seed: 8, Start: start})
	const span = 80 * time.Minute // over the opening hour
	one.Step(span)
	other.Step(span)
	for left := time.Duration(span); left > 0; {
		d := min(left, 137*time.Millisecond)
		many.Step(d)
		left -= d
	}
	if one.State() != many.State() {
		t.Error("the state depends on the size of the steps")
	}
	if one.State().Traffic == other.State().Traffic {
		t.Error("the seed changes nothing")
	}
}

// Meter and loads agree: kW is the sum of U I cos phi, kWh its integral.
func TestPowerAddsUp(t *testing.T) {
	m := New(Config{Seed: 2, Start: opening(t).Add(4 * time.Hour)})
	before, sum := m.State().Power.Energy, 0.0
	for range 36000 {
		m.Step(Tick)
		p := m.State().Power
		var kW float64
		for i := range 3 {
			kW += p.Voltage[i] * p.Current[i] * powerFactor / 1000
		}
		close2(t, "total", p.Total, kW, 1)
		sum += p.Total * tick / 3600
		if t.Failed() {
			return
		}
	}
	close2(t, "energy", m.State().Power.Energy-before, sum, 1e-6)
	if sum < 25 || sum > 90 {
		t.Errorf("%g kWh in a busy hour, want 25 to 90", sum)
	}
}

// Steady loads of 30 kW of motors and 4 kW of lights read as 34 kW.
func TestMeterReadsLoads(t *testing.T) {
	p := newPower()
	for range 600 {
		p.tick(loads{motors: 30, lights: 4}, true)
	}
	close2(t, "total, kW", p.total, 34, 1e-6)
	mean := (p.voltage[0] + p.voltage[1] + p.voltage[2]) / 3
	worst := 0.0
	for _, u := range p.voltage {
		worst = max(worst, math.Abs(u-mean))
	}
	// Unbalance after NEMA MG 1: largest deviation from the mean over the mean.
	if share := worst / mean; share <= 0 || share > 0.01 {
		t.Errorf("voltage unbalance %.2f %%, want under 1 %%", 100*share)
	}
}

// A healthy Saturday stays inside the usual limits: nothing cries wolf.
func TestHealthySaturday(t *testing.T) {
	m := New(Config{Seed: 1, Start: opening(t)})
	between := func(what string, v, low, high float64) {
		if !(v >= low && v <= high) {
			t.Fatalf("%v: %s %.3f outside %g to %g", m.Now().Format("Mon 15:04:05"), what, v, low, high)
		}
	}
	var backwashes int
	washing := false
	const hours = 13
	for range hours * 3600 {
		m.Step(time.Second)
		s := m.State()
		between("header", s.Air.Header, 6.5, 8.25)
		between("dryer difference", s.Air.Header-s.Air.AfterDryer, 0, 0.5)
		between("compressor temperature", s.Air.Temperature, 10, 100)
		between("oil", s.Oil.Temperature, 8, 65)
		between("reservoir", s.Oil.Level, 75, 90)
		for _, pit := range s.Water.Pit {
			between("pit", pit, 0.9, 2)
		}
		between("reclaim tank", s.Water.Reclaim, 45, 90)
		between("fresh tank", s.Water.Fresh, 1.4, 2.2)
		between("RO tank", s.Water.Spot, 0.8, 2.2)
		between("city", s.Water.CityPressure, 3, 5)
		between("turbidity", s.Water.Turbidity, 5, 89)
		between("ORP", s.Water.ORP, 640, 760)
		between("conductivity", s.Water.Conductivity, 5, 25)
		between("power", s.Power.Total, 1, 130)
		for i := range 3 {
			between("current", s.Power.Current[i], 0, 200)
			between("voltage", s.Power.Voltage[i], 220, 240)
		}
		if s.Water.Backwash && !washing {
			backwashes++
		}
		washing = s.Water.Backwash
	}
	if backwashes < 1 || backwashes > 4 {
		t.Errorf("%d backwashes in a day", backwashes)
	}
	s := m.State()
	for i := range 2 {
		if perHour := float64(s.Water.LiftStarts[i]) / hours; perHour > 15 {
			t.Errorf("lift pump %d starts %g times an hour", i+1, perHour)
		}
	}
}

func TestUpsets(t *testing.T) {
	tests := []struct {
		upset Upset
		after time.Duration
		shows func(before, now State) bool
	}{
		{AirLeak, 20 * time.Minute, func(b, s State) bool { return s.Air.Delivered-b.Air.Delivered > 20*60*(leakHole) }},
		{HoseOff, time.Minute, func(_, s State) bool { return s.Air.Header < 5.5 && s.Air.Loaded }},
		{CompressorTrip, 2 * time.Minute, func(_, s State) bool {
			return s.Air.Fault && !s.Air.Running && s.Air.Current == 0 && s.Air.Header < 6.5
		}},
		{FloatStuck, 2 * time.Hour, func(b, s State) bool {
			return s.Water.LiftStarts == b.Water.LiftStarts && s.Water.Pit[2] > 2.1 && s.Water.HighFloat && s.Water.Reclaim < 50
		}},
		{CheckValve, time.Hour, func(b, s State) bool {
			n := s.Water.LiftStarts[0] + s.Water.LiftStarts[1] - b.Water.LiftStarts[0] - b.Water.LiftStarts[1]
			return n > 24
		}},
		{FilterBlocked, 3 * time.Minute, func(_, s State) bool { return s.Water.FilterIn-s.Water.FilterOut > 1.2 }},
		{MainsLost, 20 * time.Second, func(_, s State) bool {
			running := s.Air.Running || s.Oil.Pump[0] || s.Water.Arch || s.Traffic.Conveyor || s.Water.Lift != [2]bool{}
			return !running && !s.Mains && s.Power.Voltage == [3]float64{} && s.Power.Total == 0 && s.Oil.Pressure[0] < 1
		}},
	}
	for _, tt := range tests {
		m := New(Config{Seed: 4, Start: opening(t).Add(5 * time.Hour)})
		for m.State().Air.Header < 7 || !m.State().Water.Lift[0] {
			m.Step(Tick)
		}
		before := m.State()
		m.Set(tt.upset, true)
		m.Step(tt.after)
		if s := m.State(); !tt.shows(before, s) {
			t.Errorf("upset %d does not show after %v: %+v", tt.upset, tt.after, s)
		}
		m.Set(tt.upset, false)
		m.Step(10 * time.Minute)
		if s := m.State(); s.Air.Header < 6.5 || !s.Mains || !s.Air.Running && !s.Oil.Pump[0] {
			t.Errorf("upset %d: the plant does not recover: %+v", tt.upset, s)
		}
	}
}

// The stream of cars is a Poisson process with the profile's rates: counts
// have a variance equal to their mean, gaps are exponential.
func TestArrivalsArePoisson(t *testing.T) {
	m := New(Config{Seed: 11, Start: opening(t)})
	tr := &m.traffic
	const hours, rate = 10000, 90.0
	var sum, squares float64
	for range hours {
		before := tr.arrived
		for range 60 {
			tr.arrive(rate / 60)
		}
		n := float64(tr.arrived - before)
		sum += n
		squares += n * n
	}
	mean := sum / hours
	variance := squares/hours - mean*mean
	close2(t, "mean an hour", mean, rate, 5*math.Sqrt(rate/hours))
	close2(t, "variance over mean", variance/mean, 1, 5*math.Sqrt(2.0/hours))
}

func TestProfiles(t *testing.T) {
	day := opening(t)
	for _, tt := range []struct {
		add  int
		want float64
	}{{0, 700}, {1, 420}, {2, 350}} {
		midnight := time.Date(day.Year(), day.Month(), day.Day()+tt.add, 0, 0, 0, 0, day.Location())
		var sum, peak float64
		for h := range 24 {
			at := carsPerHour(midnight.Add(time.Duration(h) * time.Hour))
			sum, peak = sum+at, max(peak, at)
		}
		if sum != tt.want || peak > 90 {
			t.Errorf("%v: %g cars, peak %g an hour, want %g, at most 90", midnight.Weekday(), sum, peak, tt.want)
		}
	}
	for hour, want := range map[int]bool{6: false, 7: true, 19: true, 20: false} {
		at := time.Date(day.Year(), day.Month(), day.Day(), hour, 30, 0, 0, day.Location())
		if open(at) != want {
			t.Errorf("Saturday %d:30: open %v, want %v", hour, open(at), want)
		}
	}
}

// A pump's heat against Newton's cooling: T - Troom = P/UA (1 - exp(-UA t/C)), fan off.
func TestOilWarms(t *testing.T) {
	o := newOil(20)
	for range 18000 { // half an hour
		o.tick(true, 1, 20)
	}
	want := 20 + pumpLoss/tankCooling*(1-math.Exp(-tankCooling*1800/oilHeat))
	close2(t, "oil", o.temperature, want, 0.01)
}

func BenchmarkHour(b *testing.B) {
	m := New(Config{Seed: 1, Start: time.Date(2026, time.June, 13, 10, 0, 0, 0, time.UTC)})
	for b.Loop() {
		m.Step(time.Hour)
	}
}
