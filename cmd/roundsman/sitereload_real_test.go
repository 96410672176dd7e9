package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus/device"
	"roundsman/collector/outsidetest"
	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// countedDevice is a Modbus server that counts who connects and counts on in its holding register 0 at each look at it.
type countedDevice struct {
	address  string
	accepted atomic.Int32
	looks    atomic.Uint32
	requests func() uint64
}

// countedListener counts connections.
type countedListener struct {
	net.Listener
	n *atomic.Int32
}

func (l countedListener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err == nil {
		l.n.Add(1)
	}
	return c, err
}

func startCounted(t *testing.T) *countedDevice {
	t.Helper()
	d := &countedDevice{}
	bank := device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 9}, device.Range{Table: device.Discrete, First: 0, Last: 9})
	if err := bank.Set(device.Holding, 1, 60, 13824, 200); err != nil {
		t.Fatal(err)
	}
	if err := bank.Set(device.Discrete, 0, 1, 1); err != nil {
		t.Fatal(err)
	}
	server := device.New(map[uint8]*device.Bank{1: bank}, device.Options{Observe: func(_ uint8, pdu []byte) {
		if pdu[0] == 3 {
			_ = bank.Set(device.Holding, 0, uint16(d.looks.Add(1)))
		}
	}})
	d.requests = server.Requests
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	d.address = l.Addr().String()
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	work.Go(func() { _ = server.ServeTCP(ctx, countedListener{l, &d.accepted}) })
	t.Cleanup(func() { cancel(); work.Wait() })
	return d
}

// startBroker runs mosquitto and a client that tells a level ten times a second. It returns the broker's address, and what it has
// said so far.
func startBroker(t *testing.T) (address string, said func() string) {
	t.Helper()
	program, teller := outsidetest.Program(t, "mosquitto", "mosquitto"), outsidetest.Program(t, "mosquitto_pub", "mosquitto-clients")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address = l.Addr().String()
	l.Close()
	_, port, _ := net.SplitHostPort(address)
	dir := t.TempDir()
	write(t, dir, "broker.conf", "listener "+port+" 127.0.0.1\nallow_anonymous true\nuser root\nlog_dest file "+filepath.Join(dir, "broker.log")+"\n")
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	t.Cleanup(func() { cancel(); work.Wait() })
	broker := exec.CommandContext(ctx, program, "-c", filepath.Join(dir, "broker.conf"))
	if err := broker.Start(); err != nil {
		t.Fatal(err)
	}
	work.Go(func() { _ = broker.Wait() })
	eventually(t, "the broker answers", func() bool {
		c, err := net.Dial("tcp", address)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
	pub := exec.CommandContext(ctx, teller, "-h", "127.0.0.1", "-p", port, "-t", "yard/level", "-l")
	in, err := pub.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := pub.Start(); err != nil {
		t.Fatal(err)
	}
	work.Go(func() {
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for n := 0; ctx.Err() == nil; n++ {
			fmt.Fprintln(in, 40+n%2)
			select {
			case <-tick.C:
			case <-ctx.Done():
			}
		}
		_ = pub.Wait()
	})
	return address, func() string {
		log, _ := os.ReadFile(filepath.Join(dir, "broker.log"))
		return string(log)
	}
}

// eventually looks again and again until something is so.
func eventually(t *testing.T, what string, so func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !so(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("after 30 s not yet: %s", what)
		}
	}
}

// Under a real daemon, with real devices, a real broker and somebody who asks for pages, fifty reloads disturb nothing that did not
// change: no connection, no reading, no delay, no alarm, no run time; and nothing is left behind.
func TestReloadStorm(t *testing.T) {
	a, b := startCounted(t), startCounted(t)
	broker, brokerSaid := startBroker(t)
	dir := t.TempDir()
	site := `site: {name: Corner Wash, time-zone: Europe/Dublin}
rules: [rules.yaml]
record: {path: corner.db}
links:
  a: {modbus: 'tcp://` + a.address + `'}
  b: {modbus: 'tcp://` + b.address + `'}
  yard: {mqtt: 'tcp://` + broker + `', client-id: the-box}
points:
  air.pressure: {station: air, link: a, unit-id: 1, holding: 2, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}, every: 100ms}
  tank.looks: {station: tank, link: b, unit-id: 1, holding: 0, type: uint16, kind: counter, unit: pulses, every: 100ms}
  tank.level: {station: tank, link: b, unit-id: 1, holding: 1, type: int16, unit: '%', range: [0 %, 100 %], every: 100ms}
  pump.running: {station: tank, link: b, unit-id: 1, discrete: 0, type: bool, every: 2s}
  pump.fault: {station: tank, link: b, unit-id: 1, discrete: 1, type: bool, every: 2s}
  tank.total: {station: tank, total: tank.looks, per-pulse: 1 L}
  yard.level: {station: yard, link: yard, topic: yard/level, unit: '%', stale-after: 1m}
equipment:
  pump: {run: pump.running, rated: 4 kW}
`
	more := strings.Replace(site, "points:\n", "points:\n  air.dew.point: {station: air, link: a, unit-id: 1, holding: 3, type: int16, scale: 0.1 degC, range: [-40 degC, 40 degC], every: 100ms}\n", 1)
	more = strings.Replace(more, "[0 bar, 16 bar]", "[0 bar, 10 bar]", 1)
	write(t, dir, "site.yaml", site)
	write(t, dir, "rules.yaml", `rules:
  tank-high: {point: tank.level, high: 50 %, deadband: 2 %, on-delay: 3s, severity: major, time-to-respond: 2m, response: Look.}
  pump-fault: {point: pump.fault, equals: 1, on-delay: 0s, severity: major, time-to-respond: 2m, response: Look.}
`)
	d, reload, stop := runReal(t, filepath.Join(dir, "site.yaml"))
	reading := func(point string) (value float64, good bool) {
		v := d.board.View()
		i := slices.IndexFunc(v.Site.Points, func(p collector.Point) bool { return p.Name == point })
		return v.Readings[max(i, 0)].Value, i >= 0 && v.Readings[i].Quality.Usable()
	}
	state := func(alarm string) rules.Status {
		v := d.board.View()
		return v.Alarms[slices.IndexFunc(v.Site.Rules, func(r rules.Rule) bool { return r.Name == alarm })]
	}
	eventually(t, "the fault rings", func() bool { return state("pump-fault").Active })
	if err := d.judge.Act(t.Context(), "pump-fault", rules.Act{Kind: rules.ActAcknowledge, Who: "N. Quill"}); err != nil {
		t.Fatal(err)
	}
	fault := state("pump-fault")

	begun, goroutines, n, took := time.Now(), 0, 0, time.Duration(0)
	for ; n < 50 || time.Since(begun) < 6*time.Second; n++ {
		text, bar := more, 5.0
		if n%2 == 1 {
			text, bar = site, 8.0
		}
		write(t, dir, "site.yaml", text)
		asked := time.Now()
		if err := reload(t.Context(), "test"); err != nil {
			t.Fatal(err)
		}
		took += time.Since(asked)
		eventually(t, "a reads by the new file", func() bool { v, good := reading("air.pressure"); return good && v == bar })
		if n == 3 {
			goroutines = runtime.NumGoroutine()
		}
	}
	if !state("tank-high").Active {
		t.Errorf("%d reloads in %s kept a delay of 3 s from ending", n, time.Since(begun))
	}
	if s := state("pump-fault"); s.State != rules.Acknowledged || s.Started != fault.Started || s.AcknowledgedBy != "N. Quill" || s.Activations != 1 {
		t.Errorf("the acknowledged alarm: %+v, was %+v", s, fault)
	}
	eventually(t, "no goroutine is left behind", func() bool { return runtime.NumGoroutine() <= goroutines+3 }) // connections of who asks come and go
	if got := b.accepted.Load(); got != 1 {
		t.Errorf("b was connected to %d times", got)
	}
	if got := a.accepted.Load(); int(got) != n+1 {
		t.Errorf("a was connected to %d times in %d reloads", got, n)
	}
	if got := strings.Count(brokerSaid(), "as the-box"); got != 1 {
		t.Errorf("the broker saw the box connect %d times", got)
	}
	if e := d.board.View().Equipment[0]; e.UnseenSeconds != 0 || e.RunSeconds < time.Since(begun).Seconds()-1 {
		t.Errorf("the pump that ran all the time: %+v in %s", e, time.Since(begun))
	}
	links := d.judge.links.list()
	stop()
	for _, l := range links {
		s := l.Status()
		unheard := b.requests() - s.Requests[collector.Answered] // the stop may come between request and answer
		if l.Name() == "b" && (s.Dropped != 0 || unheard > 1 || s.Requests[collector.TimedOut] != 0) {
			t.Errorf("b answered %d requests, and of its link are told %+v", b.requests(), s)
		}
	}
	keptAll(t, filepath.Join(dir, "corner.db"), n)
	t.Logf("%d reloads in %s under load, each %s; %d looks at b", n, time.Since(begun).Round(10*time.Millisecond), (took / time.Duration(n)).Round(time.Millisecond), b.looks.Load())
}

// keptAll holds the record against the device: each of its looks counts on, and the total made of them ends where they do. The
// record keeps one reading of a point for each judgement; on a machine that is held up, a judgement takes several.
func keptAll(t *testing.T, path string, reloads int) {
	t.Helper()
	rec, err := record.Open(path, record.Options{Clock: collector.NewClock()})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	if err := rec.Check(t.Context()); err != nil {
		t.Errorf("the record's own laws: %v", err)
	}
	told := 0
	for l, err := range rec.Journal(t.Context(), record.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		if l.Kind == record.RulesReloaded {
			told++
			if want := []string{"points +1 -0, 1 changed; links changed: a", "points +0 -1, 1 changed; links changed: a"}[(told-1)%2]; !strings.HasSuffix(l.Why, want) || l.Who != "test" {
				t.Errorf("reload %d: the journal says %q by %q", told, l.Why, l.Who)
			}
		}
	}
	if told != reloads {
		t.Errorf("the journal tells of %d reloads, there were %d", told, reloads)
	}
	looks, total := readingsOf(t, rec, "tank.looks"), readingsOf(t, rec, "tank.total")
	for i := 1; i < len(looks); i++ {
		if looks[i] <= looks[i-1] {
			t.Fatalf("after look %g of b comes %g", looks[i-1], looks[i])
		}
	}
	if len(looks) < 30 || len(total) != len(looks) || total[len(total)-1] != looks[len(looks)-1]-looks[0] {
		t.Errorf("%d looks and %d totals; the last are %v and %v", len(looks), len(total), looks[len(looks)-1:], total[len(total)-1:])
	}
}

// readingsOf returns all kept readings of a point.
func readingsOf(t *testing.T, rec *record.Record, point string) (out []float64) {
	t.Helper()
	tr, err := rec.Trend(t.Context(), point)
	if err != nil {
		t.Fatal(err)
	}
	for s, err := range tr.Readings(t.Context(), time.Now().Add(-time.Hour), time.Now().Add(time.Hour)) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, s.Value)
	}
	return out
}

// runReal runs the daemon as 'run' does, and somebody who asks for its pages all the time.
func runReal(t *testing.T, path string) (d *daemon, reload func(context.Context, string) error, stop func()) {
	t.Helper()
	site, err := configs.LoadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	if d, err = newDaemon(site, settings{log: slog.New(slog.NewTextHandler(&log, nil)), record: beside(path, site.Record.Path)}); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &reloader{path: path, judge: d.judge}
	d.serve(l, path, r.reload)
	r.people = d.people
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	work.Go(func() {
		if err := d.Run(ctx); err != nil {
			t.Errorf("the daemon ended: %v\n%s", err, log.String())
		}
	})
	work.Go(func() { askPages(ctx, t, "http://"+l.Addr().String()) })
	return d, r.reload, func() {
		cancel()
		work.Wait()
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	}
}

// askPages asks for one page after the other until ctx ends.
func askPages(ctx context.Context, t *testing.T, address string) {
	c := &http.Client{}
	defer c.CloseIdleConnections()
	for ctx.Err() == nil {
		for _, page := range []string{"/", "/metrics", "/api/v1/points", "/health", "/pumps", "/points/tank.level", "/alarms"} {
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, address+page, nil)
			if err != nil {
				t.Error(err)
				return
			}
			resp, err := c.Do(req)
			if err != nil {
				continue // it stops
			}
			_, _ = io.Copy(io.Discard, resp.Body)
			resp.Body.Close()
			if resp.StatusCode != http.StatusOK {
				t.Errorf("%s: %s", page, resp.Status)
			}
		}
		select {
		case <-ctx.Done():
		case <-time.After(20 * time.Millisecond):
		}
	}
}
