package practice

import (
	"time"

	"roundsman/collector/modbus/device"
	"roundsman/collector/practice/model"
	"roundsman/collector/practice/terms"
)

// Fault is one fault and when it is played.
type Fault = terms.Fault

// begins returns what begins each of the faults in terms.Faults, and gives what ends it.
func begins() map[string]func(*Plant) (end func()) {
	return map[string]func(*Plant) (end func()){
		"air-leak":        upset(model.AirLeak),
		"hose-off":        upset(model.HoseOff),
		"compressor-trip": upset(model.CompressorTrip),
		"wire-break":      breakWire("air.header.pressure"),
		"float-stuck":     upset(model.FloatStuck),
		"check-valve":     upset(model.CheckValve),
		"filter-blocked":  upset(model.FilterBlocked),
		"plc-reboot":      rebootPLC,
		"map-shift":       shiftMap,
		"late-replies":    delayReplies,
		"same-id":         twinUnit,
		"broker-down":     (*Plant).stopBroker,
		"gateway-off":     (*Plant).stopGateway,
		"mains-lost":      upset(model.MainsLost),
		"register-frozen": freezeRegister,
	}
}

// Begin plays a fault from now on. One that is playing already goes on.
func (p *Plant) Begin(name string) error {
	if _, err := terms.Find(name); err != nil {
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
	end := begins()[name](p)
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

// Acting returns the names of the faults being played, in the order of terms.Faults.
func (p *Plant) Acting() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	var names []string
	for _, k := range terms.Faults() {
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
