package main

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"roundsman/collector/modbus/device"
	"roundsman/collector/outsidetest"
)

// impatient is a listener whose connections close after their first answer, every other one with a reset; it counts them.
type impatient struct {
	net.Listener
	taken atomic.Uint64
}

func (l *impatient) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &hasty{c, l.taken.Add(1)%2 == 0}, nil
}

// hasty is a connection that answers once.
type hasty struct {
	net.Conn
	rude bool
}

func (c *hasty) Write(p []byte) (int, error) {
	n, err := c.Conn.Write(p)
	if c.rude {
		_ = c.Conn.(*net.TCPConn).SetLinger(0)
	}
	_ = c.Conn.Close()
	return n, err
}

const (
	hastyLinks = 8 // controllers, so that the ports of one do not run out
	hastySite  = `site: {name: Corner Wash, time-zone: Europe/Dublin}
record: {path: corner.db}
`
)

// hastyFiles writes a site of controllers that close each connection after one answer.
func hastyFiles(t *testing.T, addresses []string) string {
	dir := t.TempDir()
	links, points := "links:\n", "points:\n"
	for i, a := range addresses {
		links += fmt.Sprintf("  plc%d: {modbus: 'tcp://%s', timeout: 2s}\n", i, a)
		points += fmt.Sprintf("  p%d: {station: air, link: plc%d, unit-id: 1, holding: 0, type: int16, unit: kPa, every: 20ms}\n", i, i)
	}
	write(t, dir, "site.yaml", hastySite+links+points)
	return filepath.Join(dir, "site.yaml")
}

// Real sockets that are opened anew for each answer, by a process of its own: it reads on, and holds no more after
// thousands of them. ROUNDSMAN_LONG=1 makes it 100,000.
func TestHeavyReconnects(t *testing.T) {
	want := uint64(2000)
	if long() {
		want = 100_000
	}
	bank := device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 0})
	server := device.New(map[uint8]*device.Bank{1: bank}, device.Options{})
	ctx, cancel := context.WithCancel(t.Context())
	var work sync.WaitGroup
	defer work.Wait()
	defer cancel()
	var doors []*impatient
	var addresses []string
	for range hastyLinks {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		door := &impatient{Listener: l}
		doors, addresses = append(doors, door), append(addresses, l.Addr().String())
		work.Go(func() { _ = server.ServeTCP(ctx, door) })
	}
	taken := func() (n uint64) {
		for _, d := range doors {
			n += d.taken.Load()
		}
		return n
	}
	w := newWatch(t, hastyFiles(t, addresses))
	w.start()
	began := time.Now()
	reach := func(n uint64) footprint {
		for last, at := taken(), time.Now(); taken() < n; time.Sleep(20 * time.Millisecond) {
			if now := taken(); now > last {
				last, at = now, time.Now()
			} else if time.Since(at) > 30*time.Second {
				t.Fatalf("no connection for half a minute after %d\n%s", now, w.quiet())
			}
		}
		return w.holds()
	}
	early := reach(want / 4)
	late := reach(want)
	took := time.Since(began)
	_ = bank.Set(device.Holding, 0, 777)
	for i := range hastyLinks {
		w.until("the new value", func() bool { return w.reads(fmt.Sprint("p", i), 777) })
	}
	said := strings.Count(w.said.String(), "\n")
	w.stop()
	const more = hastyLinks + 2 // a line is open at one look and shut at the other
	t.Logf("%d openings in %v: %v", taken(), took.Round(time.Second), []footprint{early, late})
	if late.resident > early.resident+24 || late.goroutines > early.goroutines+more || late.files > early.files+more {
		t.Errorf("after a quarter and all of the openings: %v", []footprint{early, late})
	}
	if said > 60 {
		t.Errorf("%d lines in the log:\n%s", said, w.quiet())
	}
	w.onlyValues("p1", 0, 777)
}

var (
	goroutinesPattern = regexp.MustCompile(`(?m)^go_goroutines (\d+)`)
	heapPattern       = regexp.MustCompile(`(?m)^go_memstats_heap_alloc_bytes (\S+)`)
)

// holds is what the program holds, as the kernel and its own metrics have it.
func (w *watch) holds() (f footprint) {
	w.Helper()
	var err error
	if f.resident, f.files, _, err = usage(w.cmd.Process.Pid); err != nil {
		outsidetest.Lacking(w.T, "%v", err)
	}
	resp, err := http.Get(w.address + "/metrics")
	if err != nil {
		w.Fatal(err)
	}
	defer resp.Body.Close()
	var text strings.Builder
	if err := resp.Write(&text); err != nil {
		w.Fatal(err)
	}
	m := goroutinesPattern.FindStringSubmatch(text.String())
	if m == nil {
		w.Fatal("the metrics do not tell the goroutines")
	}
	f.goroutines, _ = strconv.Atoi(m[1])
	if m := heapPattern.FindStringSubmatch(text.String()); m != nil {
		bytes, _ := strconv.ParseFloat(m[1], 64)
		f.heap = bytes / (1 << 20)
	}
	return f
}
