package modbus_test

import (
	"context"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/modbus/serial"
	"roundsman/collector/outsidetest"
	"roundsman/collector/practice/terminal"
)

// serve runs a server on the far end of a socat line until the test ends.
func serve(t *testing.T, s *device.Server, port io.ReadWriteCloser) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { s.ServeSerial(ctx, port, device.Line{Baud: 115200}) })
	t.Cleanup(func() { cancel(); wg.Wait() })
}

func openFar(t *testing.T, far string) *serial.Port {
	t.Helper()
	port, err := serial.Open(far, serial.Mode{Baud: 115200, Parity: 'E', StopBits: 1})
	if err != nil {
		t.Fatal(err)
	}
	return port
}

// Each symptom over real terminals: a device with a fault of the line behind socat, asked at 115,200.
func TestSymptomsOverSocat(t *testing.T) {
	t.Parallel()
	near, far := serialPair(t)
	server := device.New(map[uint8]*device.Bank{3: bank()}, device.Options{})
	serve(t, server, openFar(t, far))
	twin := bank()
	if err := twin.Set(device.Holding, 5, 4711); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name  string
		unit  uint8
		start uint16
		fault device.Fault
		want  modbus.Symptom // 0: none
	}{
		{"healthy", 3, 5, device.Fault{}, 0},
		{"no such unit", 4, 5, device.Fault{}, modbus.Silence},
		{"now and then silent", 3, 5, device.Fault{Kind: device.Silent, Times: 1}, modbus.Silence},
		{"echo", 3, 5, device.Fault{Kind: device.Echo}, modbus.Echoes},
		{"bad CRC", 3, 5, device.Fault{Kind: device.BadCheck}, modbus.BadCRC},
		{"cut short", 3, 5, device.Fault{Kind: device.Truncated, Bytes: 4}, modbus.CutShort},
		{"garbage", 3, 5, device.Fault{Kind: device.Garbage, Bytes: 9}, modbus.FramingNoise},
		{"twin in turns", 3, 5, device.Fault{Kind: device.Twin, Bank: twin}, modbus.DoubledID},
		{"another unit", 3, 5, device.Fault{Kind: device.WrongUnit}, modbus.OtherAnswers},
		{"wrong address", 3, 5000, device.Fault{}, modbus.AllRefused},
	} {
		t.Run(tt.name, func(t *testing.T) {
			server.Heal()
			if tt.fault.Kind != 0 {
				server.Inject(tt.fault)
			}
			opts := modbus.Options{Name: "line", Transport: modbus.RTU, Address: near, Baud: 115200, Timeout: 60 * time.Millisecond}
			tally, err := modbus.Probe(t.Context(), opts, modbus.Question{Unit: tt.unit, Table: modbus.HoldingRegisters, Start: tt.start}, 8, nil)
			if err != nil {
				t.Fatal(err)
			}
			found := tally.Diagnose(false)
			switch {
			case tt.want == 0 && len(found) > 0:
				t.Errorf("a healthy line has %v", found)
			case tt.want != 0 && (len(found) == 0 || found[0].Symptom != tt.want):
				t.Errorf("found %v, want first %v; %+v", found, tt.want, *tally)
			}
		})
	}
}

// party is a line with two devices on it: both hear all that is sent, and what both say arrives together.
type party struct {
	io.ReadWriteCloser
	mu  sync.Mutex
	far [2]net.Conn
}

func newParty(line io.ReadWriteCloser) (p *party, ends [2]net.Conn) {
	p = &party{ReadWriteCloser: line}
	for i := range ends {
		p.far[i], ends[i] = net.Pipe()
	}
	return p, ends
}

// run carries the bytes until the line ends.
func (p *party) run() {
	var wg sync.WaitGroup
	for _, f := range p.far {
		wg.Go(func() {
			buf := make([]byte, 64)
			for {
				n, err := f.Read(buf)
				if err != nil {
					return
				}
				p.mu.Lock()
				p.Write(buf[:n])
				p.mu.Unlock()
			}
		})
	}
	buf := make([]byte, 64)
	for {
		n, err := p.Read(buf)
		if err != nil {
			break
		}
		for _, f := range p.far {
			f.Write(buf[:n])
		}
	}
	for _, f := range p.far {
		f.Close()
	}
	wg.Wait()
}

// Two real devices with one unit id on one line: both answer, at the same time or one after the other, and the other unit
// of the line reads well all the while.
func TestTwoDevicesWithOneUnitID(t *testing.T) {
	t.Parallel()
	for name, thinks := range map[string][2]time.Duration{"at once": {0, 0}, "one after the other": {0, 15 * time.Millisecond}} {
		t.Run(name, func(t *testing.T) {
			near, far := serialPair(t)
			p, ends := newParty(openFar(t, far))
			var wg sync.WaitGroup
			wg.Go(p.run)
			t.Cleanup(func() { p.Close(); wg.Wait() })
			other := bank()
			if err := other.Set(device.Holding, 5, 4711); err != nil {
				t.Fatal(err)
			}
			serve(t, device.New(map[uint8]*device.Bank{3: bank(), 8: bank()}, device.Options{Turnaround: thinks[0]}), ends[0])
			serve(t, device.New(map[uint8]*device.Bank{3: other}, device.Options{Turnaround: thinks[1]}), ends[1])
			opts := modbus.Options{Name: "line", Transport: modbus.RTU, Address: near, Baud: 115200, Timeout: 100 * time.Millisecond}
			for unit, want := range map[uint8]bool{3: true, 8: false} {
				tally, err := modbus.Probe(t.Context(), opts, modbus.Question{Unit: unit, Table: modbus.HoldingRegisters, Start: 5}, 8, nil)
				if err != nil {
					t.Fatal(err)
				}
				found := tally.Diagnose(true)
				if got := len(found) > 0 && found[0].Symptom == modbus.DoubledID; got != want {
					t.Errorf("unit %d: %v; %+v", unit, found, *tally)
				}
			}
		})
	}
}

// deafLine lets through only what the client sent at the device's own baud; a pseudo terminal knows no parity.
type deafLine struct {
	*terminal.Terminal
	baud int
}

func (d deafLine) Read(b []byte) (int, error) {
	for {
		n, err := d.Terminal.Read(b)
		if err != nil {
			return n, err
		}
		if baud, err := d.Baud(); err == nil && baud == d.baud {
			return n, nil
		}
	}
}

// The search opens a real terminal at one setting after the other; the devices behind it understand one rate. 9,600 with no
// parity is tried before 9,600 with even.
func TestSearchFindsTheBaud(t *testing.T) {
	t.Parallel()
	line, err := terminal.Open()
	if err != nil {
		outsidetest.Lacking(t, "no pseudo terminal: %v", err)
	}
	serve(t, device.New(map[uint8]*device.Bank{3: bank(), 5: bank()}, device.Options{}), deafLine{line, 9600})
	s := modbus.Search{
		Options: modbus.Options{Name: "line", Transport: modbus.RTU, Address: line.Path, Timeout: 100 * time.Millisecond},
		Units:   []uint8{3, 4, 5}, Settings: modbus.UsualSettings(),
	}
	longest := s.Longest()
	began := time.Now()
	found, _, err := s.Run(t.Context())
	if err != nil || len(found) != 2 || found[0].Unit != 3 || found[1].Unit != 5 {
		t.Fatalf("found %v, %v", found, err)
	}
	if want := (modbus.Settings{Baud: 9600, Parity: 'N'}); found[0].Settings != want {
		t.Errorf("at %v, want %v", found[0].Settings, want)
	}
	if took := time.Since(began); took > longest {
		t.Errorf("took %v, told at most %v", took, longest)
	}
}

// The foreign server answers for its one unit id; the survey's probe and search see the same as with our own device.
func TestProbeAndSearchOfAForeignServer(t *testing.T) {
	t.Parallel()
	python := outsidetest.Python(t, "python3-pymodbus", "pymodbus.server")
	near, far := serialPair(t)
	startForeign(t, python, "rtu", far)
	opts := modbus.Options{Name: "line", Transport: modbus.RTU, Address: near, Baud: 115200, Timeout: 300 * time.Millisecond}
	var tally *modbus.Tally
	waitFor(t, "the foreign server's answer", func() bool {
		var err error
		tally, err = modbus.Probe(t.Context(), opts, modbus.Question{Unit: 17, Table: modbus.HoldingRegisters}, 5, nil)
		return err == nil && tally.Answered == 5
	})
	if found := tally.Diagnose(false); len(found) > 0 || tally.Times().Median <= 0 || tally.Times().Lost > 0 {
		t.Errorf("found %v, times %+v", found, tally.Times())
	}
	refused, err := modbus.Probe(t.Context(), opts, modbus.Question{Unit: 17, Table: modbus.HoldingRegisters, Start: 40000}, 3, nil)
	if err != nil {
		t.Fatal(err)
	}
	if found := refused.Diagnose(false); len(found) != 1 || found[0].Symptom != modbus.AllRefused || !strings.Contains(found[0].Seen, "illegal data address") {
		t.Errorf("found %v", found)
	}
	s := modbus.Search{Options: opts, Units: []uint8{16, 17, 18}}
	found, _, err := s.Run(t.Context())
	if err != nil || len(found) != 1 || found[0].Unit != 17 {
		t.Errorf("found %v, %v", found, err)
	}
}
