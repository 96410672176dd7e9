package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	gomodbus "github.com/goburrow/modbus"
	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"golang.org/x/sys/unix"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/mqtt"
	"roundsman/collector/scaling"
	"roundsman/configs"
	"roundsman/exporter/record"
)

const (
	roomPoints = 1000
	perUnit    = 100 // registers, which one request reads
)

// processor returns the processor time that a process has used, in seconds, to the nanosecond: the kernel's clock of
// that process, clock_getcpuclockid(3).
func processor(b *testing.B, pid int) float64 {
	b.Helper()
	var ts unix.Timespec
	if err := unix.ClockGettime(int32(^pid<<3|2), &ts); err != nil {
		b.Fatalf("the processor clock of process %d: %v", pid, err)
	}
	return float64(ts.Sec) + float64(ts.Nsec)/1e9
}

// plcs serves n controllers of perLink points each, a unit for each hundred registers, whose values move.
func plcs(b *testing.B, n, perLink int) (addresses []string) {
	b.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	var all []*device.Bank
	for range n {
		banks := map[uint8]*device.Bank{}
		for u := range (perLink + perUnit - 1) / perUnit {
			bank := device.NewBank(device.Range{Table: device.Holding, First: 0, Last: perUnit - 1})
			banks[uint8(u+1)] = bank
			all = append(all, bank)
		}
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			b.Fatal(err)
		}
		work.Go(func() { _ = device.New(banks, device.Options{}).ServeTCP(ctx, l) })
		addresses = append(addresses, l.Addr().String())
	}
	move := func(second int) {
		for k, bank := range all {
			for r := range perUnit {
				bank.Set(device.Holding, uint16(r), uint16(13000+(second*37+r*11+k*7)%50))
			}
		}
	}
	move(0)
	work.Go(func() {
		for tick, second := time.NewTicker(time.Second), 1; ; second++ {
			select {
			case <-ctx.Done():
				tick.Stop()
				return
			case <-tick.C:
				move(second)
			}
		}
	})
	b.Cleanup(func() { cancel(); work.Wait() })
	return addresses
}

// modbusSite writes a site of n points over the controllers, with two limits a point if rules are wanted.
func modbusSite(b *testing.B, addresses []string, n int, rules bool) string {
	b.Helper()
	dir := b.TempDir()
	var site, list strings.Builder
	site.WriteString("site: {name: Large Wash, time-zone: Europe/Dublin}\nrecord: {path: corner.db}\n")
	if rules {
		site.WriteString("rules: [rules.yaml]\n")
	}
	site.WriteString("links:\n")
	for i, a := range addresses {
		if a == "" {
			a = fmt.Sprintf("127.0.0.1:%d", 1+i) // nobody is there
		}
		fmt.Fprintf(&site, "  plc%d: {modbus: 'tcp://%s'}\n", i, a)
	}
	site.WriteString("points:\n")
	list.WriteString("rules:\n")
	perLink := (n + len(addresses) - 1) / len(addresses)
	for p := range n {
		at := p % perLink
		fmt.Fprintf(&site, "  room.p%d: {station: room, link: plc%d, unit-id: %d, holding: %d, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}, every: 1s}\n",
			p, p/perLink, 1+at/perUnit, at%perUnit)
		fmt.Fprintf(&list, "  p%d-low: {point: room.p%d, low: 5.5 bar, deadband: 0.3 bar, on-delay: 5s, off-delay: 30s, severity: major, time-to-respond: 2m, response: Stop loading.}\n", p, p)
		fmt.Fprintf(&list, "  p%d-high: {point: room.p%d, high: 9 bar, deadband: 0.3 bar, on-delay: 5s, off-delay: 30s, severity: minor, time-to-respond: 20m, response: Look.}\n", p, p)
	}
	for name, text := range map[string]string{"site.yaml": site.String(), "rules.yaml": list.String()} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			b.Fatal(err)
		}
	}
	return filepath.Join(dir, "site.yaml")
}

// mqttSite writes a site of a thousand points, each a topic of its own with two limits, and a record.
func mqttSite(b *testing.B, address string) string {
	b.Helper()
	dir := b.TempDir()
	var site, list strings.Builder
	fmt.Fprintf(&site, "site: {name: Large Wash, time-zone: Europe/Dublin}\nrecord: {path: corner.db}\nrules: [rules.yaml]\nlinks:\n  yard: {mqtt: 'tcp://%s', qos: 0}\npoints:\n", address)
	list.WriteString("rules:\n")
	for p := range roomPoints {
		fmt.Fprintf(&site, "  room.p%d: {station: room, link: yard, topic: room/p%d, value: /level, unit: m, stale-after: 1m}\n", p, p)
		fmt.Fprintf(&list, "  p%d-low: {point: room.p%d, low: 0.5 m, deadband: 0.1 m, on-delay: 5s, off-delay: 30s, severity: major, time-to-respond: 2m, response: Stop loading.}\n", p, p)
		fmt.Fprintf(&list, "  p%d-high: {point: room.p%d, high: 3 m, deadband: 0.1 m, on-delay: 5s, off-delay: 30s, severity: minor, time-to-respond: 20m, response: Look.}\n", p, p)
	}
	for name, text := range map[string]string{"site.yaml": site.String(), "rules.yaml": list.String()} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			b.Fatal(err)
		}
	}
	return filepath.Join(dir, "site.yaml")
}

// yard is a broker with a thousand messages a second, published at quality of service 1, a lump of them at a time.
func yard(b *testing.B, lump int) string {
	b.Helper()
	s := broker.New(&broker.Options{Logger: slog.New(slog.DiscardHandler), InlineClient: true})
	if err := s.AddHook(new(auth.AllowHook), nil); err != nil {
		b.Fatal(err)
	}
	tcp := listeners.NewTCP(listeners.Config{ID: "yard", Address: "127.0.0.1:0"})
	if err := s.AddListener(tcp); err != nil {
		b.Fatal(err)
	}
	if err := s.Serve(); err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	work.Go(func() {
		begun, sent := time.Now(), 0
		tick := time.NewTicker(time.Duration(lump) * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
			for due := int(time.Since(begun)/time.Millisecond) / lump * lump; sent < due; sent++ { // a ticker of a busy machine leaves some out
				p := sent % roomPoints
				payload := fmt.Sprintf(`{"ts":1764057600,"level":%.2f,"battery":3.61}`, 1.9+float64(sent/roomPoints%20)/100)
				if err := s.Publish(fmt.Sprint("room/p", p), []byte(payload), false, 1); err != nil {
					b.Error(err)
				}
			}
		}
	})
	b.Cleanup(func() { cancel(); work.Wait(); _ = s.Close() })
	return tcp.Address()
}

// own are the processes that the benchmark compares with: the test's binary again, told by the environment what to be.
var own = map[string]func(ctx context.Context, address string) error{
	"bare-modbus": bareModbus, "link-modbus": linkModbus,
	"bare-mqtt": bareMQTT(0), "link-mqtt": linkMQTT(0), "bare-mqtt1": bareMQTT(1), "link-mqtt1": linkMQTT(1),
}

const beAs, beAt = "ROUNDSMAN_BE", "ROUNDSMAN_AT"

// beAProcess makes this program what BenchmarkBurden starts beside the daemon, if it was started as such.
func beAProcess() {
	be, ok := own[os.Getenv(beAs)]
	if !ok {
		return
	}
	ctx, stop := context.WithTimeout(context.Background(), 10*time.Minute)
	defer stop()
	if err := be(ctx, os.Getenv(beAt)); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

// bareModbus reads the thousand registers each second with the library alone and forgets them.
func bareModbus(ctx context.Context, address string) error {
	h := gomodbus.NewTCPClientHandler(address)
	h.Timeout, h.IdleTimeout = 5*time.Second, 0
	c := gomodbus.NewClient(h)
	for tick := time.NewTicker(time.Second); ; {
		for unit := range byte(roomPoints / perUnit) {
			h.SlaveId = unit + 1
			if _, err := c.ReadHoldingRegisters(0, perUnit); err != nil {
				return err
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// bareMQTT takes the messages with the library alone, at a quality of service, and parses them in place.
func bareMQTT(qos byte) func(context.Context, string) error {
	return func(ctx context.Context, address string) error {
		c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + address).SetClientID(fmt.Sprint("bare", qos)).SetProtocolVersion(4).
			SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
				_, rest, _ := bytes.Cut(m.Payload(), []byte(`"level":`))
				number, _, _ := bytes.Cut(rest, []byte(","))
				if _, err := strconv.ParseFloat(string(number), 64); err != nil {
					panic(err)
				}
			}))
		if token := c.Connect(); token.Wait() && token.Error() != nil {
			return token.Error()
		}
		if token := c.Subscribe("room/+", qos, nil); token.Wait() && token.Error() != nil {
			return token.Error()
		}
		<-ctx.Done()
		return nil
	}
}

// linkModbus reads the same with the collector: scaled, judged readings, of which nobody makes anything.
func linkModbus(ctx context.Context, address string) error {
	o := modbus.Options{Name: "plc", Transport: modbus.TCP, Address: address, Timeout: 5 * time.Second, Status: collector.NoPoint}
	var points []collector.Point
	for p := range roomPoints {
		o.Points = append(o.Points, modbus.Point{ID: collector.PointID(p), Every: time.Second,
			Scale:   scaling.Spec{Points: []scaling.Pair{{Raw: 0, Value: 0}, {Raw: 27648, Value: 16}}},
			Address: modbus.Address{Unit: uint8(1 + p/perUnit), Table: modbus.HoldingRegisters, Start: uint16(p % perUnit), Type: modbus.Int16}})
		points = append(points, collector.Point{ID: collector.PointID(p), Name: fmt.Sprint("p", p)})
	}
	l, err := modbus.New(o, points, collector.NewClock())
	if err != nil {
		return err
	}
	return drained(ctx, l.Run)
}

// linkMQTT takes the same messages with the collector.
func linkMQTT(qos byte) func(context.Context, string) error {
	return func(ctx context.Context, address string) error {
		o := mqtt.Options{Name: "yard", Broker: "tcp://" + address, ClientID: fmt.Sprint("link", qos), QoS: qos, Status: collector.NoPoint}
		var points []collector.Point
		for p := range roomPoints {
			o.Points = append(o.Points, mqtt.Point{ID: collector.PointID(p), Topic: fmt.Sprint("room/p", p), Value: "/level", StaleAfter: time.Minute})
			points = append(points, collector.Point{ID: collector.PointID(p), Name: fmt.Sprint("p", p)})
		}
		l, err := mqtt.New(o, points, collector.NewClock())
		if err != nil {
			return err
		}
		return drained(ctx, l.Run)
	}
}

func drained(ctx context.Context, run func(context.Context, chan<- collector.Batch) error) error {
	out := make(chan collector.Batch, 64)
	done := make(chan error, 1)
	go func() { done <- run(ctx, out) }()
	for {
		select {
		case <-out:
		case err := <-done:
			return err
		}
	}
}

// process is one that is measured.
type process struct {
	cmd     *exec.Cmd
	address string // of the daemon's pages
}

func startProcess(b *testing.B, cmd *exec.Cmd) *process {
	b.Helper()
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	p := &process{cmd: cmd}
	b.Cleanup(p.end)
	return p
}

func (p *process) end() {
	if p.cmd != nil {
		_ = p.cmd.Process.Kill()
		_ = p.cmd.Wait()
		p.cmd = nil
	}
}

func startOwn(b *testing.B, what, address string) *process {
	self, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), beAs+"="+what, beAt+"="+address)
	return startProcess(b, cmd)
}

// startDaemon starts the real program on a site and waits until it listens and n points are good.
func startDaemon(b *testing.B, n int, words ...string) *process {
	b.Helper()
	var said lockedBuffer
	cmd := exec.Command(words[0], words[1:]...)
	cmd.Stdout, cmd.Stderr = &said, &said
	p := startProcess(b, cmd)
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if m := addressPattern.FindStringSubmatch(said.String()); m != nil {
			p.address = m[1]
			if goodPoints(p.address) >= n {
				return p
			}
		}
	}
	b.Fatalf("%d points are good of %d after a minute:\n%.2000s", goodPoints(p.address), n, said.String())
	return nil
}

// goodPoints asks the daemon's metrics how many points have a good reading.
func goodPoints(address string) (n int) {
	text, err := fetched(address + "/metrics")
	if err != nil {
		return -1
	}
	return len(regexp.MustCompile(`(?m)^roundsman_point_good\{point="room\.p\d+".*\} 1$`).FindAllString(text, -1))
}

func fetched(url string) (string, error) {
	resp, err := http.Get(url)
	if err != nil {
		return "", err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	return string(text), err
}

// anHour leaves an hour of readings of all points on the site's record, up to now.
func anHour(b *testing.B, path string) {
	b.Helper()
	site, err := configs.LoadFile(path)
	if err != nil {
		b.Fatal(err)
	}
	clock := collector.NewClock()
	r, err := record.Open(filepath.Join(filepath.Dir(path), "corner.db"), record.Options{Clock: clock})
	if err != nil {
		b.Fatal(err)
	}
	if err := r.Follow(site.Points); err != nil {
		b.Fatal(err)
	}
	from := time.Now().Add(-time.Hour)
	readings := make([]collector.Reading, roomPoints)
	for second := range 3600 {
		now := clock.Moment(from.Add(time.Duration(second) * time.Second))
		for i := range readings {
			readings[i] = collector.Reading{Point: collector.PointID(i), Quality: collector.Good, At: now, Value: float64(13000+(second*37+i*11)%50) * 16 / 27648}
		}
		r.Take(now, readings)
		if err := r.Beat(now); err != nil {
			b.Fatal(err)
		}
	}
	up, err := record.NewUpkeep(r, record.Keep{}, nil)
	if err != nil {
		b.Fatal(err)
	}
	if err := up.Finish(b.Context(), time.Now()); err != nil { // else the daemon packs the hour while it is measured
		b.Fatal(err)
	}
	if err := errors.Join(up.Close(), r.Close()); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkBurden compares the processor time of whole processes side by side over one stretch of time, five minutes with
// ROUNDSMAN_LONG=1 and else twenty seconds. All read the same simulated plant, which is in this process and in none of
// them: a Modbus TCP controller whose thousand registers move, and a broker that publishes a thousand messages a second,
// a hundred at a time. Compared are
//
//   - the bare libraries: goburrow/modbus reading the thousand registers each second by ten requests and forgetting them
//     (bare-modbus); paho, whose handler parses the payload in place, at quality of service 0 (bare-mqtt) and 1 (bare-mqtt1);
//   - (a) the collecting alone: the collector's links for the same points, scaled and judged, of whose readings nobody
//     makes anything: modbus-x-bare, mqtt-x-bare and mqtt1-x-bare are their processor time over the bare one's;
//   - (b) the whole program as it is packaged, 'roundsman run' of such a site: a thousand points, two rules each, a record
//     on disk, pages that nobody looks at: daemon-modbus-x-bare and daemon-mqtt-x-bare (at quality 0). It was started
//     three seconds before and has an empty record.
//
// One more, %core-daemon-hour, starts with an hour of each point on its record, as after a restart; the traces of that
// hour are drawn while it is measured. The memory is its, after the hour of each point was asked for in turn.
func BenchmarkBurden(b *testing.B) {
	binary, room, station := builtDaemon(b), plcs(b, 1, roomPoints), yard(b, 100)
	withHour := modbusSite(b, room, roomPoints, true)
	anHour(b, withHour)
	stretch := 20 * time.Second
	if os.Getenv("ROUNDSMAN_LONG") == "1" {
		stretch = 5 * time.Minute
	}
	for b.Loop() {
		all := map[string]*process{}
		for what, site := range map[string]string{"daemon-modbus": modbusSite(b, room, roomPoints, true), "daemon-mqtt": mqttSite(b, station), "daemon-hour": withHour} {
			all[what] = startDaemon(b, roomPoints, binary, "run", site, "--listen", "127.0.0.1:0")
		}
		for what := range own {
			address := room[0]
			if strings.Contains(what, "mqtt") {
				address = station
			}
			all[what] = startOwn(b, what, address)
		}
		used := usedIn(b, all, 3*time.Second, stretch)
		b.ReportMetric(used["link-modbus"]/used["bare-modbus"], "modbus-x-bare")
		b.ReportMetric(used["link-mqtt"]/used["bare-mqtt"], "mqtt-x-bare")
		b.ReportMetric(used["link-mqtt1"]/used["bare-mqtt1"], "mqtt1-x-bare")
		b.ReportMetric(used["daemon-modbus"]/used["bare-modbus"], "daemon-modbus-x-bare")
		b.ReportMetric(used["daemon-mqtt"]/used["bare-mqtt"], "daemon-mqtt-x-bare")
		b.ReportMetric(100*used["bare-modbus"], "%core-bare-modbus")
		b.ReportMetric(100*used["bare-mqtt"], "%core-bare-mqtt")
		b.ReportMetric(100*used["daemon-modbus"], "%core-daemon-modbus")
		b.ReportMetric(100*used["daemon-mqtt"], "%core-daemon-mqtt")
		b.ReportMetric(100*used["daemon-hour"], "%core-daemon-hour")
		askedHours(b, all["daemon-hour"])
		m := residentOf(b, all["daemon-hour"].cmd.Process.Pid)
		b.ReportMetric(m.all, "MiB-resident")
		b.ReportMetric(m.most, "MiB-most")
		for _, p := range all {
			p.end()
		}
	}
}

// BenchmarkBurdenSpaced does the same for the collecting of messages that come one by one, each millisecond.
func BenchmarkBurdenSpaced(b *testing.B) {
	station := yard(b, 1)
	for b.Loop() {
		all := map[string]*process{}
		for _, what := range []string{"bare-mqtt", "link-mqtt", "bare-mqtt1", "link-mqtt1"} {
			all[what] = startOwn(b, what, station)
		}
		used := usedIn(b, all, 2*time.Second, 10*time.Second)
		b.ReportMetric(used["link-mqtt"]/used["bare-mqtt"], "mqtt-x-bare")
		b.ReportMetric(used["link-mqtt1"]/used["bare-mqtt1"], "mqtt1-x-bare")
		b.ReportMetric(100*used["bare-mqtt"], "%core-bare-mqtt")
		for _, p := range all {
			p.end()
		}
	}
}

// usedIn returns the share of a core that each process used in a stretch of time, after some time to settle.
func usedIn(b *testing.B, all map[string]*process, settle, length time.Duration) map[string]float64 {
	b.Helper()
	time.Sleep(settle)
	used, began := map[string]float64{}, time.Now()
	for what, p := range all {
		used[what] = -processor(b, p.cmd.Process.Pid)
	}
	time.Sleep(length)
	took := time.Since(began).Seconds()
	for what, p := range all {
		used[what] = (used[what] + processor(b, p.cmd.Process.Pid)) / took
	}
	return used
}

// askedHours asks for the hour of each of the points, and scrapes in between.
func askedHours(b *testing.B, p *process) {
	b.Helper()
	to := time.Now()
	from := to.Add(-time.Hour)
	for i := range roomPoints {
		text, err := fetched(fmt.Sprintf("%s/api/v1/points/room.p%d/readings?from=%s&to=%s&step=10s", p.address, i, from.UTC().Format(time.RFC3339), to.UTC().Format(time.RFC3339)))
		if err != nil || !strings.Contains(text, `"readings":[[`) {
			b.Fatalf("an hour of room.p%d: %v, %.200s", i, err, text)
		}
		if i%100 == 0 && goodPoints(p.address) < roomPoints*9/10 {
			b.Fatalf("only %d points are good", goodPoints(p.address))
		}
	}
}
