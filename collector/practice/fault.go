package practice

import (
	"fmt"
	"strings"
	"time"

	"roundsman/collector/modbus/device"
	"roundsman/collector/practice/model"
)

// Fault is one fault and when it is played.
type Fault struct {
	Name string
	At   time.Duration // after the plant began to run
	For  time.Duration // 0: to the end
}

// Kind is a fault that the plant can play.
type Kind struct {
	Name, About string
	begin       func(*Plant) (end func())
}

// Faults returns the faults the plant can play, each with a line of explanation.
func Faults() []Kind {
	return []Kind{
		{"air-leak", "a new leak of 8 L/s: the compressor loads longer and more often", upset(model.AirLeak)},
		{"hose-off", "an air hose came off: the header falls faster than full use can explain", upset(model.HoseOff)},
		{"compressor-trip", "the compressor stops with its fault contact", upset(model.CompressorTrip)},
		{"wire-break", "the header pressure transmitter's wire is broken: no current", breakWire("air.header.pressure")},
		{"float-stuck", "the floats that start the lift pumps hang down: pit 3 rises", upset(model.FloatStuck)},
		{"check-valve", "the lift pumps' check valve leaks back: many short runs", upset(model.CheckValve)},
		{"filter-blocked", "the reclaim filter is blinded: high difference, little flow", upset(model.FilterBlocked)},
		{"plc-reboot", "the controller restarts and its registers read zero", rebootPLC},
		{"map-shift", "the controller's holding registers moved up by one address", shiftMap},
		{"late-replies", "every Modbus device answers later than the usual time-out", delayReplies},
		{"same-id", "a second water-quality transmitter answers to unit 7 every other time", twinUnit},
		{"broker-down", "the yard's MQTT broker is down", (*Plant).stopBroker},
		{"gateway-off", "the yard gateway lost its power: its will says offline", (*Plant).stopGateway},
		{"mains-lost", "no mains: motors stop, controls live on their battery", upset(model.MainsLost)},
		{"register-frozen", "the header pressure register keeps its value", freezeRegister},
	}
}

// ParseFault reads 'name', 'name@30s' or 'name@30s+2m': what, when, for how long.
func ParseFault(text string) (Fault, error) {
	name, when, timed := strings.Cut(text, "@")
	f := Fault{Name: name}
	if _, err := find(name); err != nil {
		return Fault{}, err
	}
	if !timed {
		return f, nil
	}
	at, length, limited := strings.Cut(when, "+")
	var err error
	if f.At, err = duration(at); err != nil {
		return Fault{}, fmt.Errorf("fault %q: time: %w", text, err)
	}
	if limited {
		if f.For, err = duration(length); err != nil {
			return Fault{}, fmt.Errorf("fault %q: length: %w", text, err)
		}
		if f.For == 0 {
			return Fault{}, fmt.Errorf("fault %q: length: is nothing", text)
		}
	}
	return f, nil
}

func duration(text string) (time.Duration, error) {
	d, err := time.ParseDuration(text)
	if err != nil {
		return 0, fmt.Errorf("%q is not a time such as 30s or 2m", text)
	}
	if d < 0 {
		return 0, fmt.Errorf("%q is before the beginning", text)
	}
	return d, nil
}

func find(name string) (Kind, error) {
	names := make([]string, 0, 16)
	for _, k := range Faults() {
		if k.Name == name {
			return k, nil
		}
		names = append(names, k.Name)
	}
	return Kind{}, fmt.Errorf("unknown fault %q: one of %s", name, strings.Join(names, ", "))
}

// String writes the fault as ParseFault reads it.
func (f Fault) String() string {
	text := f.Name + "@" + f.At.String()
	if f.For > 0 {
		text += "+" + f.For.String()
	}
	return text
}

// Begin plays a fault from now on. One that is playing already goes on.
func (p *Plant) Begin(name string) error {
	k, err := find(name)
	if err != nil {
		return err
	}
	p.mu.Lock()
	_, playing := p.acting[name]
	if !playing {
		p.acting[name] = func() {}
	}
	p.mu.Unlock()
	if playing {
		return nil
	}
	end := k.begin(p)
	p.mu.Lock()
	p.acting[name] = end
	p.mu.Unlock()
	p.show()
	return nil
}

// End ends a fault; one that is not playing is no error.
func (p *Plant) End(name string) {
	p.mu.Lock()
	end := p.acting[name]
	delete(p.acting, name)
	p.mu.Unlock()
	if end != nil {
		end()
		p.show()
	}
}

// Acting returns the names of the faults being played, in the order of Faults.
func (p *Plant) Acting() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	var names []string
	for _, k := range Faults() {
		if _, on := p.acting[k.Name]; on {
			names = append(names, k.Name)
		}
	}
	return names
}

// play begins and ends what the schedule has up to now, counted from the start of Run.
func (p *Plant) play(now time.Duration) {
	left := p.schedule[:0:0]
	for _, f := range p.schedule {
		switch {
		case now < f.At:
			left = append(left, f)
		case f.For == 0:
			_ = p.Begin(f.Name) // the names were checked by New
		case now < f.At+f.For:
			_ = p.Begin(f.Name)
			left = append(left, f)
		default:
			p.End(f.Name)
		}
	}
	p.schedule = left
}

func upset(u model.Upset) func(*Plant) func() {
	return func(p *Plant) func() {
		p.set(u, true)
		return func() { p.set(u, false) }
	}
}

func (p *Plant) set(u model.Upset, on bool) {
	p.mu.Lock()
	p.model.Set(u, on)
	p.mu.Unlock()
}

func breakWire(point string) func(*Plant) func() {
	return func(p *Plant) func() {
		p.cut(point, true)
		return func() { p.cut(point, false) }
	}
}

func (p *Plant) cut(point string, broken bool) {
	p.mu.Lock()
	p.broken[point] = broken
	p.mu.Unlock()
}

// rebootPLC breaks the connections once, then all is zero.
func rebootPLC(p *Plant) func() {
	p.plc.Inject(device.Fault{Kind: device.Reset, Times: 1})
	return p.plc.Inject(device.Fault{Kind: device.Zeros})
}

func shiftMap(p *Plant) func() {
	return p.plc.Inject(device.Fault{Kind: device.Shifted, Where: device.Range{Table: device.Holding, Last: 0xFFFF}})
}

// The usual time-outs are 1 s on TCP and 300 ms on a serial line.
const (
	lateTCP    = 1300 * time.Millisecond
	lateSerial = 420 * time.Millisecond
)

func delayReplies(p *Plant) func() {
	plc := p.plc.Inject(device.Fault{Kind: device.Late, Delay: lateTCP})
	meters := p.meters.Inject(device.Fault{Kind: device.Late, Delay: lateSerial})
	return func() { plc(); meters() }
}

// twinUnit sets a spare transmitter, standing in a bucket, beside the right one.
func twinUnit(p *Plant) func() {
	spare := newBanks()[waterQuality]
	spare.Update(func(r device.Registers) {
		_ = r.Set(device.Holding, 0, float(true)(212.5)...)
		_ = r.Set(device.Holding, 2, float(true)(184)...)
		table, address := MarkerOf(waterQuality)
		_ = r.Set(table, address, Marker)
	})
	return p.meters.Inject(device.Fault{Kind: device.Twin, Unit: waterQuality, Bank: spare})
}

func freezeRegister(p *Plant) func() {
	return p.plc.Inject(device.Fault{Kind: device.Frozen, Where: device.Range{Table: device.Holding, First: 10, Last: 10}})
}

func (p *Plant) stopBroker() func() {
	p.broker.pause()
	return p.broker.resume
}

func (p *Plant) stopGateway() func() {
	p.gateway.setPower(false)
	return func() { p.gateway.setPower(true) }
}
