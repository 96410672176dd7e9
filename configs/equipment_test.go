package configs_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"roundsman/collector"
	"roundsman/collector/duty"
)

func TestEquipment(t *testing.T) {
	for _, c := range []struct {
		text string
		want duty.Spec
	}{
		{"  m: {run: a.running}", duty.Spec{Run: 1, Above: 0.5, HoldAtMost: 3 * time.Second}},
		{"  m: {run: a.pressure, above: 3 bar, below: 2 bar, poles: 2, least-run: 90s, share: 80 %, rated: 10 kW}",
			duty.Spec{Run: 0, Above: 3, Below: 2, HoldAtMost: 3 * time.Second, Poles: 2, LeastRun: 90 * time.Second, Share: 0.8, RatedKW: 10}},
		{"  m: {run: a.running, start-counter: {point: n.pulses, rolls-over-at: 1000}}",
			duty.Spec{Run: 1, Above: 0.5, HoldAtMost: 3 * time.Second, Starts: &duty.Register{Point: 2, Step: 1, Modulus: 1000}}},
		{"  m: {run: a.running, loaded: a.pressure, loaded-above: 7 bar, load-cycles-per-hour: 40, unloaded: 35 %}",
			duty.Spec{Run: 1, Above: 0.5, HoldAtMost: 3 * time.Second, Load: &duty.Load{Run: 0, Above: 7, HoldAtMost: 3 * time.Second, PerHour: 40, Unloaded: 0.35}}},
	} {
		c.want.Name, c.want.Station, c.want.Join, c.want.Energy = "m", "m", 2*time.Second, collector.NoPoint
		if c.want.Poles == 0 {
			c.want.Poles = 4
		}
		if c.want.LeastRun == 0 {
			c.want.LeastRun = time.Minute
		}
		if c.want.Share == 0 {
			c.want.Share = 1
		}
		s := with(t, "equipment", c.text)
		if diff := cmp.Diff(c.want, s.Equipment[len(s.Equipment)-1]); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.text, diff)
		}
	}
}

// An hour meter of 16 bits in tenths begins again after 6553.5 h; one in minutes where the file says so.
func TestHourMeters(t *testing.T) {
	s, err := site(t, map[string]string{"site.yaml": `site: {name: X, time-zone: UTC}
links:
  plc: {modbus: tcp://127.0.0.1:502}
points:
  m.hours: {link: plc, holding: 40, type: uint16, kind: counter, scale: 0.1 h, every: 1m}
  n.minutes: {link: plc, holding: 41, type: uint16, kind: counter, unit: min, every: 1m}
  cars: {link: plc, holding: 42, type: uint16, kind: counter}
equipment:
  m: {hour-meter: m.hours}
  n: {hour-meter: {point: n.minutes, rolls-over-at: 1000 h}}
review: {vehicles: cars, open: {daily: 07:00-20:00}}
`})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(&duty.Register{Point: 0, Unit: time.Hour, Step: 0.1, Modulus: 6553.6}, s.Equipment[0].Hours, cmpopts.EquateApprox(0, 1e-9)); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(&duty.Register{Point: 1, Unit: time.Minute, Step: 1, Modulus: 60000}, s.Equipment[1].Hours, cmpopts.EquateApprox(0, 1e-9)); diff != "" {
		t.Error(diff)
	}
	if open, _ := s.Review.Open.At(collector.At(time.Date(2026, 6, 1, 21, 0, 0, 0, time.UTC))); open || s.Review.Vehicles != 2 {
		t.Errorf("open at 21:00: %v, vehicles %d", open, s.Review.Vehicles)
	}
}
