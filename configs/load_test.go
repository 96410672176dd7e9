package configs_test

import (
	"math"
	"testing"
	"testing/fstest"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/configs"
	"roundsman/rules"
)

// handbook is the site file of the design, as a person would write it.
const handbook = `site: {name: Ardenmoor Wash, time-zone: Europe/Dublin}
listen: 127.0.0.1:9480
record: {path: roundsman.db, keep: {readings: 30d, minutes: 400d, journal: forever}}
rules: [rules/*.yaml]
contacts: contacts.yaml

links:
  plc:    {modbus: tcp://10.0.4.10:502, timeout: 1s, retries: 2, gap: 0ms}
  rs485:  {modbus: rtu:///dev/ttyUSB0, baud: 19200, parity: even, stop-bits: 1, timeout: 300ms}
  gateway: {modbus: rtu+tcp://10.0.4.11:4001}
  broker: {mqtt: tcp://127.0.0.1:1883, client-id: roundsman, username: box, password-file: /run/credentials/broker}

points:
  air.header.pressure:
    station: air
    link: plc
    unit-id: 1
    holding: 10
    type: int16
    order: ABCD
    scale: {from: [0, 27648], to: [0 bar, 16 bar]}
    every: 1s
  hyd.tank.temperature: {link: rs485, unit-id: 3, input: 2, type: int16, signal: 4-20mA, scale: {from: [4 mA, 20 mA], to: [-10 degC, 110 degC]}, raw-per-mA: 1000, every: 2s}
  reclaim.tank.level: {link: broker, topic: yard/tank/7/status, value: /level, time: /ts, unit: '%', stale-after: 2m}
  air.compressor.running: {link: plc, discrete: 0}
  wash.open: {link: plc, reference: 10018}
  filter.in.pressure: {link: gateway, input: 3, type: uint16, scale: {from: [0, 27648], to: [0 bar, 6 bar]}}
  filter.out.pressure: {link: gateway, input: 4, type: uint16, scale: {from: [0, 27648], to: [0 bar, 6 bar]}}
  fresh.meter.pulses: {link: gateway, holding: 12, type: uint32, kind: counter}
  vehicles: {link: plc, holding: 60, type: uint32, order: CDAB, kind: counter, unit: cars}
  # computed points
  reclaim.tank.volume: {tank: {level: reclaim.tank.level, shape: horizontal-cylinder, diameter: 1.8 m, length: 4.2 m}}
  filter.dp:           {difference: [filter.in.pressure, filter.out.pressure]}
  fresh.flow:          {pulses: fresh.meter.pulses, per-pulse: 10 L, over: 1m}
  fresh.litres:        {total: fresh.meter.pulses, per-pulse: 10 L}
  water.per.vehicle:   {formula: 'fresh.litres / vehicles', unit: L}

conditions:
  wash.closed: not wash.open

equipment:
  compressor: {run: air.compressor.running, rated: 11 kW, starts-per-hour: 10, service: [{name: grease bearings, every: 2000 h}]}
`

const handbookRules = `rules:
  air-low:
    point: air.header.pressure
    low: 5.5 bar
    deadband: 0.3 bar
    on-delay: 5s
    off-delay: 30s
    on-total: 5m of 10m
    caused-by: [not-loading]
    priority: high
    severity: major
    time-to-respond: 3m
    consequence: Wraparounds may not retract; vehicles and staff can be struck.
    response: Stop loading. Check the compressor is running and the dryer bypass is shut.
    suppress-when: [wash.closed]
    call-out: on-call
  not-loading:
    point: air.header.pressure
    low: 80 psi
    deadband: 2 psi
    on-delay: 1s
    while: [air.compressor.running]
    severity: major
    time-to-respond: 2m
  not-up: {point: air.header.pressure, not-reached: {value: 6.8 bar, within: 4m, after: air.compressor.running}, priority: high}
  night-water: {total-above: {point: fresh.litres, value: 20 L, over: 1h}, while: wash.closed, priority: note}
`

const handbookContacts = `people:
  n.quill: {name: Niamh Quill, role: technician, key-file: /run/credentials/n.quill}
  a.lark: {name: Aoife Lark}
`

func site(t *testing.T, files map[string]string) (*configs.Site, error) {
	t.Helper()
	fsys := fstest.MapFS{}
	for name, text := range files {
		fsys[name] = &fstest.MapFile{Data: []byte(text)}
	}
	return configs.Load(fsys, "site.yaml")
}

func TestHandbook(t *testing.T) {
	s, err := site(t, map[string]string{"site.yaml": handbook, "rules/air.yaml": handbookRules, "contacts.yaml": handbookContacts})
	if err != nil {
		t.Fatal(err)
	}
	if s.Name != "Ardenmoor Wash" || s.Zone.String() != "Europe/Dublin" || s.Record.Minutes != 400*24*time.Hour || s.Record.Journal != 0 {
		t.Errorf("head: %+v %v", s, s.Zone)
	}
	p, _ := s.Point("air.header.pressure")
	if p.ID != 0 || p.Unit != "bar" || p.Low != 0 || p.High != 16 || p.Station != "air" || p.Kind != collector.Number {
		t.Errorf("air.header.pressure: %+v", p)
	}
	if got, want := p.Resolution, 16.0/27648; got != want {
		t.Errorf("resolution: got %v, want %v", got, want)
	}
	for i, p := range s.Points {
		if int(p.ID) != i {
			t.Errorf("%s has id %d at place %d", p.Name, p.ID, i)
		}
	}
	if up, ok := s.Point("link.plc.up"); !ok || up.Station != "box" || s.Modbus[0].Status != up.ID {
		t.Errorf("link.plc.up: %+v, the link says %d", up, s.Modbus[0].Status)
	}
	if good, ok := s.Point("link.rs485.unit.3.good"); !ok || s.Modbus[1].Units[3].Status != good.ID {
		t.Errorf("link.rs485.unit.3.good: %+v", good)
	}
	if wash := s.Modbus[0].Points[2]; wash.Table != modbus.DiscreteInputs || wash.Start != 17 {
		t.Errorf("wash.open: reference 10018 gave %v", wash.Address)
	}
	r := s.Rules.Rules[1]
	if want := 5.51580583; math.Abs(r.Limit-want) > 1e-8 || r.Unit != "bar" || r.Priority != rules.HighPriority {
		t.Errorf("not-loading: %+v, want a limit of %v bar and priority high", r, want)
	}
	if r := s.Rules.Rules[0]; len(r.CausedBy) != 1 || r.CausedBy[0] != 1 || len(r.SuppressWhen) != 1 || r.OnTotal != 5*time.Minute || r.OnWithin != 10*time.Minute {
		t.Errorf("air-low: %+v", r)
	}
	if _, err := rules.New(s.Points, s.Rules); err != nil {
		t.Errorf("the engine refuses the rules: %v", err)
	}
}
