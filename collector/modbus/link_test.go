package modbus_test

import (
	"context"
	"fmt"
	"math"
	"net"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/modbus/wire"
	"roundsman/collector/scaling"
)

// rig is a link and the device it reads, joined by pipes.
type rig struct {
	server *device.Server
	opts   modbus.Options
	points []collector.Point
	opened atomic.Int32 // connections made
	dead   atomic.Bool  // nobody listens
}

// bank returns a unit with holding registers 0 to 199, each holding its address, and as many inputs of all kinds.
func bank() *device.Bank {
	b := device.NewBank(
		device.Range{Table: device.Coils, First: 0, Last: 199}, device.Range{Table: device.Discrete, First: 0, Last: 199},
		device.Range{Table: device.Holding, First: 0, Last: 199}, device.Range{Table: device.Input, First: 0, Last: 199},
	)
	for i := range uint16(200) {
		b.Update(func(r device.Registers) {
			r.Set(device.Holding, i, i)
			r.Set(device.Input, i, 1000+i)
			r.Set(device.Coils, i, i%3%2)
		})
	}
	return b
}

func newRig(ctx context.Context, banks map[uint8]*device.Bank) *rig {
	r := &rig{server: device.New(banks, device.Options{})}
	r.opts = modbus.Options{Name: "plc", Status: collector.NoPoint, Timeout: time.Second, Open: func(context.Context) (wire.Conn, error) {
		if r.dead.Load() {
			return nil, syscall.ECONNREFUSED
		}
		r.opened.Add(1)
		near, far := net.Pipe()
		if r.opts.Transport == modbus.TCP {
			go r.server.ServeConn(ctx, far)
		} else {
			go r.server.ServeSerial(ctx, far, device.Line{Wait: func(t time.Time) { time.Sleep(time.Until(t)) }})
		}
		return near, nil
	}}
	return r
}

// add adds a register as a point read each second.
func (r *rig) add(unit uint8, t modbus.Table, start uint16) collector.PointID {
	kind := modbus.Uint16
	if t.Bits() {
		kind = modbus.Bool
	}
	return r.addPoint(modbus.Point{
		Address: modbus.Address{Unit: unit, Table: t, Start: start, Type: kind},
		Every:   time.Second,
		Scale:   scaling.Spec{Low: math.NaN(), High: math.NaN()},
	})
}

func (r *rig) addPoint(p modbus.Point) collector.PointID {
	p.ID = r.status(fmt.Sprintf("p%d.%v.%d", p.Unit, p.Table, p.Start))
	r.opts.Points = append(r.opts.Points, p)
	return p.ID
}

// status adds a point that is not read from a register.
func (r *rig) status(name string) collector.PointID {
	id := collector.PointID(len(r.points))
	r.points = append(r.points, collector.Point{ID: id, Name: name, Low: math.NaN(), High: math.NaN()})
	return id
}

func (r *rig) link(t *testing.T) *modbus.Link {
	t.Helper()
	l, err := modbus.New(r.opts, r.points, collector.NewClock())
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// start runs the link and returns the rounds it sends.
func start(ctx context.Context, t *testing.T, l *modbus.Link) <-chan collector.Batch {
	out := make(chan collector.Batch)
	go l.Run(ctx, out)
	return out
}

func byPoint(batch []collector.Reading) map[collector.PointID]collector.Reading {
	m := map[collector.PointID]collector.Reading{}
	for _, r := range batch {
		m[r.Point] = r
	}
	return m
}

// wantValue holds a reading to be good with a value.
func wantValue(t *testing.T, r collector.Reading, want float64) {
	t.Helper()
	if r.Quality != collector.Good || r.Value != want {
		t.Errorf("point %d: got %v %v (%s), want good %v", r.Point, r.Quality, r.Value, r.Reason(), want)
	}
}

// wantFault holds a reading to be bad with a fault and words.
func wantFault(t *testing.T, r collector.Reading, f collector.Fault, words string) {
	t.Helper()
	if r.Fault != f || r.Quality != collector.Bad || !strings.Contains(r.Reason(), words) {
		t.Errorf("point %d: got %v, %q, want bad with fault %q and %q", r.Point, r.Quality, r.Reason(), f, words)
	}
}

func TestRoundReadsAllTables(t *testing.T) {
	for _, transport := range []modbus.Transport{modbus.TCP, modbus.RTUOverTCP} {
		t.Run(transport.String(), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				r := newRig(ctx, map[uint8]*device.Bank{1: bank(), 7: bank()})
				r.opts.Transport = transport
				holding, input := r.add(1, modbus.HoldingRegisters, 10), r.add(7, modbus.InputRegisters, 11)
				on, off := r.add(1, modbus.Coils, 13), r.add(1, modbus.Coils, 14)
				l := r.link(t)
				got := byPoint((<-start(ctx, t, l)).Readings)
				wantValue(t, got[holding], 10)
				wantValue(t, got[input], 1011)
				wantValue(t, got[on], 1)
				wantValue(t, got[off], 0)
				if st := l.Status(); !st.Up || st.Requests[collector.Answered] != 3 || len(st.Units) != 2 || !st.Units[1].Good {
					t.Errorf("status %+v, want up, 3 answers, two good units", st)
				}
				cancel()
				synctest.Wait()
			})
		})
	}
}
