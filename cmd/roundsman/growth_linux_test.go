package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/metrics"
)

// BenchmarkGrowth is a second of sites of 100 to 10,000 points with two rules each, per point: the judge's step with its
// record (median, and the mean, which holds the windows that are written every ten seconds), the view that pages and
// scrapes read, the metrics page, and the memory in use.
func BenchmarkGrowth(b *testing.B) {
	for _, n := range []int{100, 1000, 10000} {
		b.Run(fmt.Sprintf("points=%d", n), func(b *testing.B) { growTo(b, n) })
	}
}

func growTo(b *testing.B, n int) {
	before := heapInUse()
	d := siteOf(b, n)
	page := metrics.New(d.board, metrics.Build{Version: "bench"}).Handler()
	now := d.clock.Now()
	second := 0
	var step, view, scrape []float64
	timed := func(list *[]float64, do func()) {
		began := time.Now()
		do()
		*list = append(*list, float64(time.Since(began).Nanoseconds())/float64(n))
	}
	turn := func() {
		now, second = now.Add(time.Second), second+1
		for p := range n {
			d.judge.readings = append(d.judge.readings, collector.Reading{Point: collector.PointID(p), Quality: collector.Good, At: now,
				Value: float64(13000+(second*37+p*11)%50) * 16 / 27648})
		}
		timed(&step, func() { d.judge.step(context.Background(), now) })
		timed(&view, func() { d.judge.publish(now) })
		timed(&scrape, func() {
			page.ServeHTTP(nowhere{http.Header{}}, httptest.NewRequest(http.MethodGet, "/metrics", nil))
		})
	}
	turn()
	step, view, scrape = nil, nil, nil
	for b.Loop() {
		turn()
	}
	held := float64(heapInUse()-before) / float64(n)
	b.ReportMetric(mean(step), "ns/point-judged-mean")
	b.ReportMetric(median(step), "ns/point-judged")
	b.ReportMetric(median(view), "ns/point-viewed")
	b.ReportMetric(median(scrape), "ns/point-scraped")
	b.ReportMetric(held, "B/point")
	if err := d.Close(); err != nil {
		b.Fatal(err)
	}
}

// siteOf is a daemon of n points that no link feeds, with its record.
func siteOf(b *testing.B, n int) *daemon {
	b.Helper()
	path := modbusSite(b, make([]string, (n+roomPoints-1)/roomPoints), n, true)
	site, err := configs.LoadFile(path)
	if err != nil {
		b.Fatal(err)
	}
	d, err := newDaemon(site, settings{log: slog.New(slog.DiscardHandler), record: filepath.Join(filepath.Dir(path), "corner.db")})
	if err != nil {
		b.Fatal(err)
	}
	return d
}

// nowhere is a response that nobody reads.
type nowhere struct{ h http.Header }

func (w nowhere) Header() http.Header         { return w.h }
func (w nowhere) Write(b []byte) (int, error) { return io.Discard.Write(b) }
func (w nowhere) WriteHeader(int)             {}

func heapInUse() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

func median(list []float64) float64 {
	list = slices.Sorted(slices.Values(list))
	return list[len(list)/2]
}

func mean(list []float64) (sum float64) {
	for _, v := range list {
		sum += v
	}
	return sum / float64(len(list))
}

const (
	smallBox = 256 // MiB
	fullest  = 80  // % of its one core: the rest is for pages, reviews and the system
)

// steps are the sites tried; the last has as many alarms as a site may have.
var steps = []int{1000, 2000, 4000, 8000, 10000}

// BenchmarkSmallBox looks for the biggest site that a box of one core and 256 MiB carries at a second: the real program,
// two rules a point and its record, bound to one core by taskset(1) and GOMAXPROCS, told of the memory by GOMEMLIMIT and
// held against the most that it had resident. It tries larger and larger sites until one does not fit.
func BenchmarkSmallBox(b *testing.B) {
	binary := builtDaemon(b)
	for b.Loop() {
		carried, share, most := 0, 0.0, 0.0
		for _, n := range steps {
			s, m, why := onSmallBox(b, binary, n)
			b.Logf("%d points: %.1f %% of the core, %.0f MiB %s", n, s, m, why)
			if why != "" {
				break
			}
			carried, share, most = n, s, m
		}
		b.ReportMetric(float64(carried), "points")
		b.ReportMetric(share, "%core")
		b.ReportMetric(most, "MiB-most")
	}
}

// onSmallBox runs n points for a while; why says what does not fit.
func onSmallBox(b *testing.B, binary string, n int) (share, most float64, why string) {
	b.Helper()
	words := []string{"env", "GOMAXPROCS=1", "GOMEMLIMIT=200MiB"}
	if _, err := exec.LookPath("taskset"); err == nil {
		words = append(words, "taskset", "-c", "0")
	}
	site := modbusSite(b, plcs(b, (n+roomPoints-1)/roomPoints, min(n, roomPoints)), n, true)
	p := startDaemon(b, n, append(words, binary, "run", site, "--listen", "127.0.0.1:0")...)
	defer p.end()
	share = 100 * usedIn(b, map[string]*process{"": p}, 3*time.Second, 12*time.Second)[""]
	good := goodPoints(p.address)
	most = residentOf(b, p.cmd.Process.Pid).most
	switch {
	case share > fullest:
		why = fmt.Sprintf("is more than %d %%", fullest)
	case most > smallBox:
		why = fmt.Sprintf("is more than %d MiB", smallBox)
	case good < n:
		why = fmt.Sprintf("but only %d points were good", good)
	}
	return share, most, why
}
