package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// memory is what a process has resident, in MiB (proc(5)): all, what no file stands behind, what the program's file is, and
// the most that all ever was.
type memory struct{ all, anon, file, most float64 }

func (m memory) String() string {
	return fmt.Sprintf("%.1f MiB: %.1f of its own, %.1f of its file; at most %.1f", m.all, m.anon, m.file, m.most)
}

func residentOf(b *testing.B, pid int) memory {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	read := func(name string) float64 {
		m := regexp.MustCompile(name + `:\s+(\d+) kB`).FindSubmatch(text)
		if m == nil {
			b.Fatalf("no %s in\n%s", name, text)
		}
		kib, _ := strconv.ParseFloat(string(m[1]), 64)
		return kib / 1024
	}
	return memory{read("VmRSS"), read("RssAnon"), read("RssFile"), read("VmHWM")}
}

// watched follows what a process has resident until the test's end of the stretch, and keeps the most.
type watched struct {
	stop func()
	most memory
}

func watchResident(b *testing.B, pid int) *watched {
	ctx, cancel := context.WithCancel(b.Context())
	w := &watched{}
	var done sync.WaitGroup
	done.Go(func() {
		tick := time.NewTicker(25 * time.Millisecond)
		defer tick.Stop()
		for ctx.Err() == nil {
			if m := residentOf(b, pid); m.all > w.most.all {
				w.most = m
			}
			select {
			case <-tick.C:
			case <-ctx.Done():
			}
		}
	})
	w.stop = func() { cancel(); done.Wait() }
	return w
}

// pagesOfUse are opened once each; the reports of a whole month are measured by BenchmarkReport.
var pagesOfUse = []string{"/", "/alarms", "/pumps", "/air", "/water", "/points/room.p1", "/metrics", "/health", "/api/v1/points", "/api/v1/alarms"}

// open fetches a page as a browser does, packed, and drops it.
func open(b *testing.B, url string) {
	b.Helper()
	resp, err := http.Get(url)
	if err != nil {
		b.Fatal(err)
	}
	defer resp.Body.Close()
	if n, err := io.Copy(io.Discard, resp.Body); err != nil || n == 0 || resp.StatusCode != http.StatusOK {
		b.Fatalf("%s: %s, %d bytes, %v", url, resp.Status, n, err)
	}
}

// streamed keeps the live stream of three pages open for a while.
func streamed(b *testing.B, address string, length time.Duration) {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.Context(), length)
	defer cancel()
	var open sync.WaitGroup
	for range 3 {
		open.Go(func() {
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, address+"/api/v1/stream", nil)
			if err != nil {
				b.Error(err)
				return
			}
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				b.Error(err)
				return
			}
			defer resp.Body.Close()
			events := 0
			for r := bufio.NewReader(resp.Body); ; {
				line, err := r.ReadString('\n')
				if strings.HasPrefix(line, "event: change") {
					events++
				}
				if err != nil {
					break
				}
			}
			if events < 2 {
				b.Errorf("%d events came in %s", events, length)
			}
		})
	}
	open.Wait()
}

// used does with the daemon what a day's people do: the hour of each point, each page, three pages live.
func used(b *testing.B, p *process) {
	b.Helper()
	askedHours(b, p)
	for _, page := range pagesOfUse {
		open(b, p.address+page)
	}
	streamed(b, p.address, 5*time.Second)
}

// BenchmarkResident measures what the real program, built as for the packages, has resident at 1,000 points a second with
// 2,000 rules and its record, on which the last hour of each point was put before the start: after the start; right after
// each hour was asked for, each page opened and three held live; the most that was seen during that; and when it was left
// alone for long enough to give back what it does not need.
func BenchmarkResident(b *testing.B) {
	binary, room := builtDaemon(b), plcs(b, 1, roomPoints)
	site := modbusSite(b, room, roomPoints, true)
	anHour(b, site)
	for b.Loop() {
		p := startDaemon(b, roomPoints, binary, "run", site, "--listen", "127.0.0.1:0")
		pid := p.cmd.Process.Pid
		b.Logf("listening: %v", residentOf(b, pid))
		time.Sleep(20 * time.Second)
		b.Logf("20 s later: %v", residentOf(b, pid))
		w := watchResident(b, pid)
		used(b, p)
		w.stop()
		after := residentOf(b, pid)
		b.Logf("most while used: %v", w.most)
		b.Logf("after use: %v", after)
		time.Sleep(2 * returnLook)
		b.Logf("%s later: %v", 2*returnLook, residentOf(b, pid))
		time.Sleep(returnLast)
		rested := residentOf(b, pid)
		b.Logf("left alone: %v", rested)
		b.ReportMetric(after.all, "MiB-resident")
		b.ReportMetric(after.anon, "MiB-anon")
		b.ReportMetric(after.file, "MiB-file")
		b.ReportMetric(w.most.all, "MiB-busiest")
		b.ReportMetric(rested.all, "MiB-rested")
		b.ReportMetric(after.most, "MiB-most")
		p.end()
	}
}

// BenchmarkResidentGrowth is what a point takes of the real program's own memory, with two rules and its record but without
// an hour before the start, at 100 to 10,000 points.
func BenchmarkResidentGrowth(b *testing.B) {
	binary := builtDaemon(b)
	for _, n := range []int{100, 1000, 5000, 10000} {
		b.Run(fmt.Sprintf("points=%d", n), func(b *testing.B) {
			site := modbusSite(b, plcs(b, (n+roomPoints-1)/roomPoints, min(n, roomPoints)), n, true)
			for b.Loop() {
				p := startDaemon(b, n, binary, "run", site, "--listen", "127.0.0.1:0")
				time.Sleep(20 * time.Second)
				m := residentOf(b, p.cmd.Process.Pid)
				b.Logf("%v", m)
				b.ReportMetric(m.all, "MiB-resident")
				b.ReportMetric(1024*m.anon/float64(n), "KiB-anon/point")
				p.end()
			}
		})
	}
}
