package modbus_test

import (
	"context"
	"os"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/modbus/serial"
	"roundsman/collector/modbus/wire"
	"roundsman/collector/outsidetest"
	"roundsman/collector/practice/terminal"
)

// cpuTime is what this process has used of the processor.
func cpuTime(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// plug is a serial device that can be pulled out and put in again under the same name.
type plug struct {
	mu   sync.Mutex
	path string
	out  func()
}

func (p *plug) in(t *testing.T, s *device.Server) {
	t.Helper()
	pty, err := terminal.Open()
	if err != nil {
		outsidetest.Lacking(t, "no pseudo terminal: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { s.ServeSerial(ctx, pty, device.Line{Baud: 115200}) })
	p.mu.Lock()
	defer p.mu.Unlock()
	p.path, p.out = pty.Path, func() { cancel(); wg.Wait() }
}

func (p *plug) open(context.Context) (wire.Conn, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.path == "" {
		return nil, os.ErrNotExist
	}
	return serial.Open(p.path, serial.Mode{Baud: 115200, Parity: 'E', StopBits: 1})
}

func (p *plug) pull() {
	p.out()
	p.mu.Lock()
	p.path = ""
	p.mu.Unlock()
}

// An adapter that is pulled out during a request ends it at once, keeps no processor busy, and is read
// again when it is back.
func TestUnpluggedAdapter(t *testing.T) {
	server := device.New(map[uint8]*device.Bank{1: bank()}, device.Options{})
	var p plug
	p.in(t, server)
	opts := modbus.Options{Name: "rs485", Transport: modbus.RTU, Address: "usb", Baud: 115200, Status: collector.NoPoint, Timeout: 100 * time.Millisecond, Open: p.open,
		Points: []modbus.Point{{Every: 50 * time.Millisecond, Address: modbus.Address{Unit: 1, Table: modbus.HoldingRegisters, Start: 7, Type: modbus.Int16}}}}
	l, err := modbus.New(opts, []collector.Point{{Name: "p"}}, collector.NewClock())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	out := make(chan collector.Batch)
	var wg sync.WaitGroup
	wg.Go(func() { l.Run(ctx, out) })
	defer wg.Wait()
	defer cancel()
	wantValue(t, byPoint((<-out).Readings)[0], 7)

	var asked atomic.Bool
	remove := server.Inject(device.Fault{Kind: device.Silent})
	wg.Go(func() {
		for !asked.Load() {
			time.Sleep(time.Millisecond)
		}
		p.pull()
	})
	requests := server.Requests()
	for server.Requests() == requests { // until a request is on its way
		select {
		case <-out:
		case <-time.After(time.Millisecond):
		}
	}
	asked.Store(true)
	begin, used := time.Now(), cpuTime(t)
	for r := range out {
		if f := r.Readings[0].Fault; f == collector.LinkLost {
			break
		} else if time.Since(begin) > 10*time.Second {
			t.Fatalf("after 10 s the point still says %v", r.Readings[0].Reason())
		}
	}
	for range 10 {
		wantFault(t, (<-out).Readings[0], collector.LinkLost, "link rs485: ")
	}
	if busy, wall := cpuTime(t)-used, time.Since(begin); busy > wall/2 {
		t.Errorf("%v of processor in %v", busy, wall)
	}
	remove()
	p.in(t, server)
	defer p.pull()
	waitFor(t, "the adapter's return", func() bool { return (<-out).Readings[0].Quality == collector.Good })
}
