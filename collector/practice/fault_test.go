package practice

import (
	"errors"
	"io"
	"net"
	"strings"
	"syscall"
	"testing"
	"time"

	"roundsman/collector/modbus/device"
	"roundsman/collector/practice/terms"
)

// Each fault that is on offer can be played, and nothing else.
func TestFaultsCanBegin(t *testing.T) {
	begins := begins()
	for _, k := range terms.Faults() {
		if begins[k.Name] == nil {
			t.Errorf("fault %s: nothing begins it", k.Name)
		}
		delete(begins, k.Name)
	}
	for name := range begins {
		t.Errorf("fault %s is not on offer", name)
	}
}

func TestSchedule(t *testing.T) {
	p := plant(t, Options{Faults: []Fault{
		{Name: "wire-break", At: 30 * time.Second, For: time.Minute}, {Name: "air-leak", At: time.Minute}, {Name: "mains-lost", At: 2 * time.Hour, For: time.Second},
	}})
	for _, step := range []struct {
		at   time.Duration
		want string
	}{{0, ""}, {29 * time.Second, ""}, {30 * time.Second, "wire-break"}, {70 * time.Second, "air-leak wire-break"},
		{90 * time.Second, "air-leak"}, {time.Hour, "air-leak"}, {3 * time.Hour, "air-leak"}} {
		p.play(step.at)
		if got := strings.Join(p.Acting(), " "); got != step.want {
			t.Errorf("after %v: %q, want %q", step.at, got, step.want)
		}
	}
}

func TestUnknownFaultIsRefused(t *testing.T) {
	if _, err := New(Options{Faults: []Fault{{Name: "nonsense"}}}); err == nil || !strings.Contains(err.Error(), `unknown fault "nonsense"`) {
		t.Errorf("New: %v", err)
	}
	if _, err := New(Options{Speed: -1}); err == nil {
		t.Error("New took a negative speed")
	}
	p := plant(t, Options{})
	if err := p.Begin("nonsense"); err == nil {
		t.Error("Begin took an unknown fault")
	}
}

// Upsets of the plant reach the model, and end.
func TestPlantFaults(t *testing.T) {
	for _, tt := range []struct {
		name  string
		shows func(*Plant) bool
	}{
		{"compressor-trip", func(p *Plant) bool { return p.State().Air.Fault }},
		{"mains-lost", func(p *Plant) bool { return !p.State().Mains }},
		{"hose-off", func(p *Plant) bool { s := p.State(); return s.Air.Header < 6.5 }},
		{"air-leak", func(p *Plant) bool { return p.Truth()["air.compressor.loaded"] == 1 }},
		{"filter-blocked", func(p *Plant) bool {
			return p.Truth()["reclaim.filter.in"]-p.Truth()["reclaim.filter.out"] > 1.2
		}},
		{"wire-break", func(p *Plant) bool {
			w, err := p.banks[controller].Get(device.Holding, 10, 1)
			return err == nil && w[0] == 0
		}},
	} {
		p := plant(t, Options{Seed: 4, Speed: 10})
		if tt.shows(p) && tt.name != "air-leak" {
			t.Errorf("%s shows before it began", tt.name)
		}
		if err := p.Begin(tt.name); err != nil {
			t.Fatal(err)
		}
		seen := false
		for range 600 {
			p.advance(100 * time.Millisecond)
			seen = seen || tt.shows(p)
		}
		if !seen {
			t.Errorf("%s does not show in 10 minutes", tt.name)
		}
		p.End(tt.name)
		p.advance(100 * time.Millisecond)
		p.advance(60 * time.Second)
		if tt.name != "air-leak" && tt.shows(p) {
			t.Errorf("%s does not end", tt.name)
		}
	}
}

func TestSpeed(t *testing.T) {
	p := plant(t, Options{Speed: 60})
	before := p.State().Time
	p.advance(2 * time.Second)
	if got := p.State().Time.Sub(before); got != 2*time.Minute {
		t.Errorf("2 s at speed 60 moved the plant by %v", got)
	}
	if p.gateway.tank != time.Second || p.gateway.drum != 5*time.Second {
		t.Errorf("the yard publishes every %v and %v, want 1 s at the quickest", p.gateway.tank, p.gateway.drum)
	}
}

// Whoever was let in is thrown out, even if nobody served him.
func TestPortHangsUp(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &port{Listener: l, open: map[net.Conn]struct{}{}}
	c, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := p.Accept(); err != nil {
		t.Fatal(err)
	}
	p.hangUp()
	_ = c.SetReadDeadline(time.Now().Add(5 * time.Second))
	if _, err := c.Read(make([]byte, 1)); !errors.Is(err, io.EOF) && !errors.Is(err, syscall.ECONNRESET) {
		t.Errorf("read: %v, want the end", err)
	}
	if _, err := p.Accept(); err == nil {
		t.Error("the port still lets in")
	}
}
