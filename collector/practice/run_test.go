package practice_test

import (
	"context"
	"encoding/json"
	"errors"
	"net"
	"os"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/goburrow/modbus"

	"roundsman/collector/outsidetest"
	"roundsman/collector/practice"
)

// start runs a plant until the test ends and checks that nothing is left of it.
func start(t *testing.T, o practice.Options) *practice.Plant {
	t.Helper()
	p, err := practice.New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("Run ended with %v, want nil after its context", err)
			}
		case <-time.After(10 * time.Second):
			t.Error("Run does not end")
		}
	})
	return p
}

// eventually polls until the thing is so.
func eventually(t *testing.T, what string, so func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); {
		if so() {
			return
		}
		wait(20 * time.Millisecond)
	}
	t.Fatalf("not within 10 s: %s", what)
}

func wait(d time.Duration) { <-time.After(d) }

func plc(t *testing.T, p *practice.Plant) modbus.Client {
	t.Helper()
	h := modbus.NewTCPClientHandler(strings.TrimPrefix(p.Addresses().PLC, "tcp://"))
	h.SlaveId, h.Timeout = 1, 3*time.Second
	t.Cleanup(func() { h.Close() })
	return modbus.NewClient(h)
}

func word(t *testing.T, c modbus.Client, address uint16) int {
	t.Helper()
	b, err := c.ReadHoldingRegisters(address, 1)
	if err != nil {
		t.Fatal(err)
	}
	return int(b[0])<<8 | int(b[1])
}

// yard subscribes to everything and remembers the last payload of each topic.
type yard struct {
	mu   sync.Mutex
	last map[string]string
}

func (y *yard) get(topic string) string {
	y.mu.Lock()
	defer y.mu.Unlock()
	return y.last[topic]
}

func subscribe(t *testing.T, p *practice.Plant) *yard {
	t.Helper()
	y := &yard{last: map[string]string{}}
	o := paho.NewClientOptions().AddBroker(p.Addresses().Yard).SetClientID("test").SetProtocolVersion(4).
		SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond).SetMaxReconnectInterval(100 * time.Millisecond)
	o.SetOnConnectHandler(func(c paho.Client) {
		c.Subscribe("yard/#", 1, func(_ paho.Client, m paho.Message) {
			y.mu.Lock()
			defer y.mu.Unlock()
			y.last[m.Topic()] = string(m.Payload())
		})
	})
	c := paho.NewClient(o)
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatalf("no connection to the broker: %v", tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(50) })
	return y
}

// All three protocols at once, each read by an independent client.
func TestPlantSpeaksItsProtocols(t *testing.T) {
	p := start(t, practice.Options{Seed: 1})
	y := subscribe(t, p)
	c := plc(t, p)
	if got := word(t, c, 99); got != practice.Marker {
		t.Errorf("controller's marker is %d, want %d", got, practice.Marker)
	}
	bar := (float64(word(t, c, 10))/1000 - 4) / 16 * 16
	if truth := p.Truth()["air.header.pressure"]; bar < truth-0.1 || bar > truth+0.1 {
		t.Errorf("header reads %g bar, truth %g", bar, truth)
	}
	readMeters(t, p)

	eventually(t, "yard sensors published", func() bool {
		return y.get("yard/gateway/state") == "online" && y.get("yard/ro/status") != "" && y.get("yard/drum/presoak/mass") != ""
	})
	var tank struct {
		Level, Battery float64
		TS             time.Time
	}
	if err := json.Unmarshal([]byte(y.get("yard/fresh/status")), &tank); err != nil {
		t.Fatalf("%q: %v", y.get("yard/fresh/status"), err)
	}
	truth := p.Truth()
	if d := tank.Level - truth["fresh.tank.level"]; d > 0.02 || d < -0.02 || time.Since(tank.TS).Abs() > time.Minute || tank.Battery < 2.5 {
		t.Errorf("fresh tank says %+v, truth %g m", tank, truth["fresh.tank.level"])
	}
	if got := y.get("yard/drum/presoak/mass"); !strings.HasSuffix(got, " kg") {
		t.Errorf("presoak drum says %q, want kg written behind", got)
	}
}

func readMeters(t *testing.T, p *practice.Plant) {
	t.Helper()
	path, serial := strings.CutPrefix(p.Addresses().Meters, "rtu://")
	if !serial {
		t.Logf("no pseudo terminal here: meters at %s not read", p.Addresses().Meters)
		return
	}
	h := modbus.NewRTUClientHandler(path)
	h.BaudRate, h.Parity, h.StopBits, h.Timeout = practice.Baud, "E", 1, time.Second
	defer h.Close()
	for _, unit := range []byte{5, 6, 7} {
		h.SlaveId = unit
		read := modbus.NewClient(h).ReadInputRegisters
		if unit == 7 {
			read = modbus.NewClient(h).ReadHoldingRegisters
		}
		_, address := practice.MarkerOf(unit)
		b, err := read(address, 1)
		if err != nil || int(b[0])<<8|int(b[1]) != practice.Marker {
			t.Errorf("unit %d: marker % X, %v, want %X", unit, b, err, practice.Marker)
		}
	}
}

func TestLineFaults(t *testing.T) {
	p := start(t, practice.Options{Seed: 1})
	c := plc(t, p)
	begin := func(name string) {
		if err := p.Begin(name); err != nil {
			t.Fatal(err)
		}
	}
	begin("map-shift")
	if got := word(t, c, 99); got == practice.Marker {
		t.Error("map-shift: the marker still reads right")
	}
	p.End("map-shift")
	if got := word(t, c, 99); got != practice.Marker {
		t.Errorf("map-shift ended: marker %d", got)
	}

	begin("register-frozen")
	frozen := word(t, c, 10)
	seen := map[int]bool{}
	eventually(t, "the register beside it moves", func() bool { seen[word(t, c, 11)] = true; return len(seen) > 3 })
	if got := word(t, c, 10); got != frozen {
		t.Errorf("register-frozen: %d became %d", frozen, got)
	}
	p.End("register-frozen")

	begin("plc-reboot")
	if _, err := c.ReadHoldingRegisters(99, 1); err == nil {
		t.Error("plc-reboot: the connection lived on")
	}
	c = plc(t, p)
	if got := word(t, c, 99); got != 0 {
		t.Errorf("plc-reboot: marker %d, want 0", got)
	}
	p.End("plc-reboot")

	begin("late-replies")
	h := modbus.NewTCPClientHandler(strings.TrimPrefix(p.Addresses().PLC, "tcp://"))
	h.SlaveId, h.Timeout = 1, 100*time.Millisecond
	defer h.Close()
	var timeout net.Error
	if _, err := modbus.NewClient(h).ReadHoldingRegisters(99, 1); !errors.As(err, &timeout) || !timeout.Timeout() {
		t.Errorf("late-replies: %v, want a time-out", err)
	}
	p.End("late-replies")
}

// A gateway without power is offline by its will; a broker that was down has
// everything again when it is back.
func TestYardFaults(t *testing.T) {
	p := start(t, practice.Options{Seed: 1})
	y := subscribe(t, p)
	online := func() bool { return y.get("yard/gateway/state") == "online" }
	eventually(t, "gateway online", online)
	if err := p.Begin("gateway-off"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the will says offline", func() bool { return y.get("yard/gateway/state") == "offline" })
	p.End("gateway-off")
	eventually(t, "gateway back", online)

	if err := p.Begin("broker-down"); err != nil {
		t.Fatal(err)
	}
	if c, err := net.Dial("tcp", strings.TrimPrefix(p.Addresses().Yard, "tcp://")); err == nil {
		c.Close()
		t.Error("broker-down: the port still answers")
	}
	y.mu.Lock()
	clear(y.last)
	y.mu.Unlock()
	p.End("broker-down")
	eventually(t, "all published again", func() bool { return online() && y.get("yard/fresh/status") != "" })
}

func TestSameID(t *testing.T) {
	p := start(t, practice.Options{Seed: 1})
	path, serial := strings.CutPrefix(p.Addresses().Meters, "rtu://")
	if !serial {
		outsidetest.Lacking(t, "no pseudo terminal")
	}
	h := modbus.NewRTUClientHandler(path)
	h.BaudRate, h.Parity, h.StopBits, h.Timeout, h.SlaveId = practice.Baud, "E", 1, time.Second, 7
	defer h.Close()
	if err := p.Begin("same-id"); err != nil {
		t.Fatal(err)
	}
	var seen [4]string
	for i := range seen {
		b, err := modbus.NewClient(h).ReadHoldingRegisters(0, 2)
		if err != nil {
			t.Fatal(err)
		}
		seen[i] = string(b)
	}
	if seen[1] != seen[3] || seen[0] == seen[1] || seen[2] == seen[1] {
		t.Errorf("turbidity reads %X, want the spare transmitter every other time", seen)
	}
}

// Many plants come and go without leaving a goroutine or an open file.
func TestNothingIsLeft(t *testing.T) {
	once := func() {
		p, err := practice.New(practice.Options{})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(context.Background(), 60*time.Millisecond)
		defer cancel()
		if err := p.Run(ctx); err != nil {
			t.Fatal(err)
		}
		if err := p.Close(); err != nil {
			t.Errorf("a second close: %v", err)
		}
	}
	once()
	goroutines, files := runtime.NumGoroutine(), openFiles()
	for range 5 {
		once()
	}
	eventually(t, "goroutines and files given back", func() bool {
		return runtime.NumGoroutine() <= goroutines && openFiles() <= files
	})
}

// openFiles counts this process's descriptors where the system tells.
func openFiles() int {
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		return 0
	}
	return len(entries)
}
