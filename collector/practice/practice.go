// Package practice is the practice plant: a simulated equipment room of a
// tunnel wash that speaks the real protocols on loopback. A controller serves
// Modbus TCP, three devices share a Modbus RTU line on a pseudo terminal, and a
// yard gateway publishes battery sensors over an embedded MQTT broker. What
// they tell comes from one physical model (package model), plus the noise of
// ordinary instruments. Faults of the plant, its instruments and its lines can
// be played at given times.
//
//	p, err := practice.New(practice.Options{})
//	fmt.Println(p.Addresses().PLC) // tcp://127.0.0.1:41873
//	err = p.Run(ctx)
//
// It needs no privilege and no other program. The water figures are those of
// the newest kind of tunnel, with smaller losses than were ever published: see
// package model.
package practice

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"roundsman/collector/modbus/device"
	"roundsman/collector/practice/model"
	"roundsman/collector/practice/terminal"
	"roundsman/collector/practice/terms"
)

// Baud and CharBits are the serial line's: 19 200, 8 data bits, even parity, 1 stop bit.
const (
	Baud     = 19200
	CharBits = 11
)

// Marker is what the marker register of every unit holds; MarkerOf tells where.
const Marker = 23205

// MarkerOf returns where the unit's marker register lies: holding 99 of the
// controller (unit 1), input 16 of the water I/O block (unit 5), input 18 of
// the power meter (unit 6), holding 7 of the water-quality transmitter (unit 7).
func MarkerOf(unit uint8) (device.Table, uint16) {
	switch unit {
	case waterIO:
		return device.Input, 16
	case powerMeter:
		return device.Input, 18
	case waterQuality:
		return device.Holding, 7
	}
	return device.Holding, 99
}

// Options of a plant. The zero value is a Saturday morning on free ports.
type Options struct {
	Seed  uint64
	Speed float64   // plant seconds a second; 0: 1. It quickens the physics, never the protocols
	Start time.Time // the plant's wall time at the beginning; zero: a Saturday, 10:00 in Dublin
	// Faults are played at their times after Run began, on the watcher's clock whatever the speed.
	Faults []Fault

	PLC, Yard string       // listen addresses; "": 127.0.0.1:0
	Log       *slog.Logger // for the embedded broker; nil: it keeps silent
}

// Addresses are where the plant can be read, written as a site file's links have them.
type Addresses = terms.Addresses

// Plant is a running or ready practice plant. Its methods may be called from any goroutine.
type Plant struct {
	speed     float64
	schedule  []Fault
	addresses Addresses

	plc, meters *device.Server
	instruments map[uint8][]instrument
	banks       map[uint8]*device.Bank
	listener    net.Listener // of the controller
	line        *terminal.Terminal
	lineTCP     net.Listener // in its place where there is none
	broker      *broker
	gateway     *gateway
	closed      sync.Once

	mu     sync.Mutex // guards all below
	model  *model.Model
	noise  *rand.Rand
	broken map[string]bool // points whose wire is broken
	acting map[string]func()
}

// New opens the plant's ports and sets its instruments; Run brings it to life.
// Whoever does not run it must Close it.
func New(o Options) (*Plant, error) {
	if o.Start.IsZero() {
		o.Start = saturday()
	}
	if o.Speed == 0 {
		o.Speed = 1
	}
	if !(o.Speed > 0 && o.Speed <= maxSpeed) {
		return nil, fmt.Errorf("practice plant: speed %g: want above 0, at most %d", o.Speed, maxSpeed)
	}
	for _, f := range o.Faults {
		if _, err := terms.Find(f.Name); err != nil {
			return nil, fmt.Errorf("practice plant: %w", err)
		}
	}
	p := &Plant{
		speed: o.Speed, schedule: o.Faults,
		model: model.New(model.Config{Seed: o.Seed, Start: o.Start}),
		noise: rand.New(rand.NewPCG(o.Seed, 0x6e6f6973)),
		banks: newBanks(), instruments: byUnit(instruments()), broken: map[string]bool{}, acting: map[string]func(){},
	}
	id := device.Identity{Vendor: "Practice plant", Product: "PP", Revision: "1", Name: "Practice plant"}
	p.plc = device.New(only(p.banks, controller), device.Options{Identity: id})
	p.meters = device.New(only(p.banks, waterIO, powerMeter, waterQuality), device.Options{Identity: id, Turnaround: turnaround})
	if err := p.open(o); err != nil {
		_ = p.Close()
		return nil, fmt.Errorf("practice plant: %w", err)
	}
	p.show()
	return p, nil
}

const (
	maxSpeed   = 3600
	turnaround = 3 * time.Millisecond
)

// saturday is a dry Saturday morning; where the system lacks time zones, in UTC.
func saturday() time.Time {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		zone = time.UTC
	}
	return time.Date(2026, time.June, 13, 10, 0, 0, 0, zone)
}

func (p *Plant) open(o Options) (err error) {
	if p.listener, err = listen(o.PLC); err != nil {
		return err
	}
	p.addresses.PLC = "tcp://" + p.listener.Addr().String()
	if p.line, err = terminal.Open(); err == nil {
		p.addresses.Meters = "rtu://" + p.line.Path
	} else if p.lineTCP, err = listen(""); err == nil {
		p.addresses.Meters = "rtu+tcp://" + p.lineTCP.Addr().String()
	} else {
		return err
	}
	if p.broker, err = newBroker(o.Yard, o.Log); err != nil {
		return err
	}
	p.addresses.Yard = "tcp://" + p.broker.address
	p.gateway = newGateway(p.broker.address, o.Speed, p.yard)
	return nil
}

func listen(address string) (net.Listener, error) {
	if address == "" {
		address = "127.0.0.1:0"
	}
	return net.Listen("tcp", address)
}

// Addresses returns where the plant can be read.
func (p *Plant) Addresses() Addresses { return p.addresses }

// Run plays the plant until ctx ends, then closes everything it opened, waits
// for its goroutines and returns nil. It may be called once.
func (p *Plant) Run(ctx context.Context) error {
	defer p.Close()
	if err := p.broker.start(); err != nil {
		return fmt.Errorf("practice plant: %w", err)
	}
	g, inner := errgroup.WithContext(ctx)
	g.Go(func() error { return p.plc.ServeTCP(inner, p.listener) })
	g.Go(func() error { return p.serveLine(inner) })
	g.Go(func() error { return p.gateway.run(inner) })
	g.Go(func() error { return p.live(inner) })
	err := g.Wait()
	if ctx.Err() != nil || err == nil {
		return nil
	}
	return fmt.Errorf("practice plant: %w", err)
}

// Close gives back the ports of a plant that is not running. Run closes them by itself.
func (p *Plant) Close() error {
	var errs []error
	p.closed.Do(func() {
		if p.listener != nil {
			errs = append(errs, p.listener.Close())
		}
		if p.line != nil {
			errs = append(errs, p.line.Close())
		}
		if p.lineTCP != nil {
			errs = append(errs, p.lineTCP.Close())
		}
		if p.broker != nil {
			errs = append(errs, p.broker.stop())
		}
	})
	kept := errs[:0]
	for _, err := range errs {
		if err != nil && !errors.Is(err, net.ErrClosed) {
			kept = append(kept, err)
		}
	}
	return errors.Join(kept...)
}

func (p *Plant) serveLine(ctx context.Context) error {
	if p.line == nil {
		return p.meters.ServeRTUOverTCP(ctx, p.lineTCP)
	}
	return p.meters.ServeSerial(ctx, p.line, device.Line{Baud: Baud, CharBits: CharBits})
}

// beat is how often the instruments look at the plant.
const beat = 100 * time.Millisecond

// live moves the plant and plays its faults.
func (p *Plant) live(ctx context.Context) error {
	t := time.NewTicker(beat)
	defer t.Stop()
	begin := time.Now()
	last := begin
	for {
		p.play(last.Sub(begin))
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-t.C:
		}
		now := time.Now()
		p.advance(min(now.Sub(last), time.Second)) // a suspended box does not play its night at once
		last = now
	}
}

// advance moves the plant on by a real time, and its instruments with it.
func (p *Plant) advance(d time.Duration) {
	p.mu.Lock()
	p.model.Step(time.Duration(float64(d) * p.speed))
	p.mu.Unlock()
	p.show()
}

// State returns the model's state: the truth that instruments only approach.
func (p *Plant) State() model.State {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.model.State()
}

// Truth returns the exact value of every point the plant serves, by the
// point's name, in the point's unit; states are 0 or 1.
func (p *Plant) Truth() map[string]float64 {
	s := p.State()
	out := make(map[string]float64, 80)
	for _, in := range instruments() {
		out[in.point] = in.value(&s)
	}
	for _, y := range yardPoints() {
		out[y.point] = y.value(&s)
	}
	return out
}
