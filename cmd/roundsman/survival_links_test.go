package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"roundsman/collector/modbus/device"
	"roundsman/collector/outsidetest"
	"roundsman/collector/practice/terminal"
)

// cable is the network between the box and the controller.
type cable struct {
	l    net.Listener
	far  string
	work sync.WaitGroup

	mu    sync.Mutex
	mode  cableMode
	conns map[net.Conn]bool // of the box
}

type cableMode uint8

const (
	passes   cableMode = iota
	swallows           // takes connections and requests, and no answer comes: the far end knows nothing of the connection
	halves             // the next answer comes by half, then the connection is reset and the controller away
	slams              // takes connections and closes them at once
)

func newCable(t *testing.T, far string) *cable {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cable{l: l, far: far, conns: map[net.Conn]bool{}}
	c.work.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			c.mu.Lock()
			c.conns[near] = true
			c.mu.Unlock()
			c.work.Go(func() { c.carry(near) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		c.mu.Lock()
		for near := range c.conns {
			near.Close()
		}
		c.mu.Unlock()
		c.work.Wait()
	})
	return c
}

func (c *cable) turn(m cableMode) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.mode = m
	for near := range c.conns {
		if m == slams {
			near.Close()
		}
	}
}

func (c *cable) now() cableMode {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.mode
}

func (c *cable) carry(near net.Conn) {
	defer func() {
		near.Close()
		c.mu.Lock()
		delete(c.conns, near)
		c.mu.Unlock()
	}()
	if c.now() == slams {
		return
	}
	far, err := net.Dial("tcp", c.far)
	if err != nil {
		return
	}
	defer far.Close()
	lost := false // a connection that was swallowed stays so
	c.work.Go(func() {
		answer := make([]byte, 512)
		for {
			n, err := far.Read(answer)
			if err != nil {
				near.Close()
				return
			}
			mode := c.now()
			if lost = lost || mode == swallows; lost {
				continue
			}
			if mode == halves {
				_, _ = near.Write(answer[:n/2])
				_ = near.(*net.TCPConn).SetLinger(0)
				c.turn(slams)
				return
			}
			if _, err := near.Write(answer[:n]); err != nil {
				return
			}
		}
	})
	_, _ = io.Copy(far, near)
}

// A connection of which the far end knows nothing any more, a controller that reboots in the middle of an answer, one that
// closes each connection at once: the daemon says so, shows no wrong value, and reads again by itself as soon as it can.
func TestLinesBreakUnderTheDaemon(t *testing.T) {
	t.Parallel()
	c := newControls(t)
	wire := newCable(t, c.plc)
	c.plc = wire.l.Addr().String()
	w := newWatch(t, c.files(t, t.TempDir()))
	w.start()
	w.until("the first reading", func() bool { return w.reads("p1", 7) })
	_, before, _, err := usage(w.cmd.Process.Pid)
	if err != nil {
		outsidetest.Lacking(t, "%v", err)
	}
	for _, tt := range []struct {
		name string
		mode cableMode
		then uint16 // what the register holds when the line is well again
	}{
		{"half-open", swallows, 601},
		{"reboot in mid-reply", halves, 652},
		{"slammed", slams, 703},
		{"half-open once more", swallows, 754},
	} {
		wire.turn(tt.mode)
		w.until(tt.name+": the point is bad", func() bool { return w.point("p1").Quality == "bad" })
		w.until(tt.name+": the link is down", func() bool { return w.point("link.plc.up").Value == 0.0 })
		c.set(1, tt.then)
		wire.turn(passes)
		w.until(tt.name+": reads again", func() bool { return w.reads("p1", float64(tt.then)/100) })
	}
	if _, after, _, err := usage(w.cmd.Process.Pid); err != nil || after > before+3 {
		t.Errorf("%d files open, %d before, %v", after, before, err)
	}
	if said := w.said.String(); strings.Count(said, `msg="link down"`) != 4 || strings.Count(said, "\n") > 80 {
		t.Errorf("the log tells four outages in %d lines, %d times 'link down':\n%s", strings.Count(said, "\n"), strings.Count(said, `msg="link down"`), said)
	}
	w.stop()
	w.onlyValues("p1", 7, 6.01, 6.52, 7.03, 7.54)
}

// onlyValues holds all that was kept of a point against what its register ever held.
func (w *watch) onlyValues(point string, values ...float64) {
	w.Helper()
	r := w.reader()
	defer r.Close()
	trend, err := r.Trend(w.Context(), point)
	if err != nil {
		w.Fatal(err)
	}
	n := 0
	for s, err := range trend.Readings(w.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			w.Fatal(err)
		}
		if s.Quality.Usable() {
			n++
			if !slices.ContainsFunc(values, func(v float64) bool { return v-0.006 < s.Value && s.Value < v+0.006 }) {
				w.Errorf("%s was kept as %v, which it never held", point, s.Value)
			}
		}
	}
	if n < len(values) {
		w.Errorf("%d readings of %s kept", n, point)
	}
}

const serialSite = `site: {name: Corner Wash, time-zone: Europe/Dublin}
record: {path: corner.db}
links:
  meters: {modbus: 'rtu://%s', baud: 115200, parity: none, timeout: 200ms}
points:
  p1: {station: air, link: meters, unit-id: 1, holding: 1, type: int16, scale: {from: [0, 1000], to: [0 bar, 10 bar]}, every: 200ms}
`

// A serial adapter is pulled out and put in again: its device file goes, and another device bears the name afterwards.
func TestAdapterUnplugged(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	name := filepath.Join(dir, "ttyUSB0")
	bank := device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 9})
	server := device.New(map[uint8]*device.Bank{1: bank}, device.Options{})
	plug := func(value uint16) (pull func()) {
		if err := bank.Set(device.Holding, 1, value); err != nil {
			t.Fatal(err)
		}
		line, err := terminal.Open()
		if err != nil {
			outsidetest.Lacking(t, "no pseudo terminal: %v", err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		var work sync.WaitGroup
		work.Go(func() { _ = server.ServeSerial(ctx, line, device.Line{Baud: 115200}) })
		if err := os.Symlink(line.Path, name); err != nil {
			t.Fatal(err)
		}
		return func() {
			os.Remove(name)
			cancel()
			line.Close()
			work.Wait()
		}
	}
	pull := plug(700)
	defer func() { pull() }()
	write(t, dir, "site.yaml", fmt.Sprintf(serialSite, name))
	w := newWatch(t, filepath.Join(dir, "site.yaml"))
	w.start()
	w.until("the first reading", func() bool { return w.reads("p1", 7) })
	for n := range 3 {
		pull()
		w.until("the point is bad", func() bool { return w.point("p1").Quality == "bad" })
		value := uint16(610 + n)
		pull = plug(value)
		w.until("reads the adapter that was put in again", func() bool { return w.reads("p1", float64(value)/100) })
	}
	w.stop()
	w.onlyValues("p1", 7, 6.1, 6.11, 6.12)
}

// A real broker dies, stays away, and comes back empty: the link is told as down meanwhile, and its points read again afterwards.
func TestBrokerDiesUnderTheDaemon(t *testing.T) {
	t.Parallel()
	program := outsidetest.Program(t, "mosquitto", "mosquitto")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	dir := t.TempDir()
	_, port, _ := net.SplitHostPort(address)
	write(t, dir, "broker.conf", "listener "+port+" 127.0.0.1\nallow_anonymous true\nuser root\n")
	write(t, dir, "site.yaml", `site: {name: Corner Wash, time-zone: Europe/Dublin}
record: {path: corner.db}
links:
  yard: {mqtt: 'tcp://`+address+`'}
points:
  level: {station: yard, link: yard, topic: yard/level, unit: '%', stale-after: 10m}
`)
	w := newWatch(t, filepath.Join(dir, "site.yaml"))
	broker := func() *exec.Cmd {
		cmd := exec.Command(program, "-c", filepath.Join(dir, "broker.conf"))
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return cmd
	}
	tell := func(value string) {
		o := paho.NewClientOptions().AddBroker("tcp://" + address).SetAutoReconnect(false)
		c := paho.NewClient(o)
		if token := c.Connect(); token.Wait() && token.Error() != nil {
			return // not yet
		}
		c.Publish("yard/level", 1, false, value).WaitTimeout(time.Second)
		c.Disconnect(10)
	}
	b := broker()
	defer func() { _ = b.Process.Kill(); _ = b.Wait() }()
	w.start()
	for n := range 3 {
		value := 40 + n
		w.until("a level", func() bool { tell(fmt.Sprint(value)); return w.reads("level", float64(value)) })
		_ = b.Process.Kill()
		_ = b.Wait()
		w.until("the link is down", func() bool { return w.point("link.yard.up").Value == 0.0 })
		w.until("no level is good while it is", func() bool { return w.point("level").Quality == "bad" })
		b = broker()
	}
	w.until("the last level", func() bool { tell("50"); return w.reads("level", 50) })
	w.stop()
	w.onlyValues("level", 40, 41, 42, 50)
}
