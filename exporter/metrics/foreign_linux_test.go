package metrics_test

import (
	"bufio"
	"math"
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	dto "github.com/prometheus/client_model/go"
	"golang.org/x/sys/unix"

	"roundsman/collector/outsidetest"
	"roundsman/exporter/metrics"
)

func gather(t *testing.T, g prometheus.Gatherer) map[string]*dto.MetricFamily {
	t.Helper()
	list, err := g.Gather()
	if err != nil {
		t.Fatal(err)
	}
	m := map[string]*dto.MetricFamily{}
	for _, f := range list {
		m[f.GetName()] = f
	}
	return m
}

func value(f *dto.MetricFamily) float64 {
	if f.GetType() == dto.MetricType_COUNTER {
		return f.GetMetric()[0].GetCounter().GetValue()
	}
	return f.GetMetric()[0].GetGauge().GetValue()
}

// TestAgainstLibrary compares the figures of the process and the runtime with those that the
// library's own collectors give at the same time: names, types and values.
func TestAgainstLibrary(t *testing.T) {
	r := prometheus.NewRegistry()
	r.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	m := metrics.New(saturday(), metrics.Build{})
	held := make([]byte, 64<<20) // so that no figure is small beside its tolerance
	for i := range held {
		held[i] = 1
	}
	stop := make(chan bool)
	defer close(stop)
	for range 100 {
		go func() { <-stop }()
	}
	for r := (unix.Rusage{}); r.Utime.Nano() < 3e8; { // so much that user and system mode cannot be mixed up
		if err := unix.Getrusage(unix.RUSAGE_SELF, &r); err != nil {
			t.Fatal(err)
		}
		for i := range held {
			held[i]++
		}
	}
	runtime.GC()
	theirs, ours := gather(t, r), gather(t, m)
	const mib = 1 << 20
	for name, tolerance := range map[string]float64{
		"process_cpu_seconds_total":     0.1, // they count 10 ms ticks
		"process_max_fds":               0,
		"process_open_fds":              2,        // what the other has open while it looks
		"process_resident_memory_bytes": 16 * mib, // memory goes back to the system meanwhile
		"process_start_time_seconds":    1,        // they cut the moment of the boot to seconds
		"process_virtual_memory_bytes":  4 * mib,
		"go_goroutines":                 8, // the library looks with several
		"go_info":                       0,
		"go_memstats_heap_alloc_bytes":  4 * mib,
		"go_memstats_next_gc_bytes":     4 * mib,
		"go_memstats_sys_bytes":         4 * mib,
	} {
		a, b := ours[name], theirs[name]
		if a == nil || b == nil {
			t.Errorf("%s: ours %v, the library's %v", name, a, b)
			continue
		}
		if a.GetType() != b.GetType() || len(a.Metric) != 1 || len(a.Metric[0].Label) != len(b.Metric[0].Label) {
			t.Errorf("%s: ours %v, the library's %v", name, a, b)
		}
		if d := math.Abs(value(a) - value(b)); d > tolerance {
			t.Errorf("%s: %v, the library has %v", name, value(a), value(b))
		}
	}
	for name := range ours {
		if !strings.HasPrefix(name, "roundsman_") && theirs[name] == nil {
			t.Errorf("%s is no name of the library's", name)
		}
	}
	runtime.KeepAlive(held)
}

// procFigure returns the number behind a word at the beginning of a line of a file under /proc.
func procFigure(t *testing.T, file, word string) float64 {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		outsidetest.Lacking(t, "%v", err)
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		if rest, ok := strings.CutPrefix(s.Text(), word); ok {
			v, err := strconv.ParseFloat(strings.Fields(rest)[0], 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
	}
	outsidetest.Lacking(t, "%s: no line %s", file, word)
	return 0
}

// TestAgainstProc holds the figures against other files of proc(5) than they are read from.
func TestAgainstProc(t *testing.T) {
	m := metrics.New(saturday(), metrics.Build{})
	f := gather(t, m)
	for _, c := range []struct {
		name, file, word string
		factor           float64
	}{
		{"process_resident_memory_bytes", "/proc/self/status", "VmRSS:", 1024},
		{"process_virtual_memory_bytes", "/proc/self/status", "VmSize:", 1024},
		{"process_max_fds", "/proc/self/limits", "Max open files", 1},
	} {
		want := procFigure(t, c.file, c.word) * c.factor
		if got := value(f[c.name]); math.Abs(got-want) > 0.02*want {
			t.Errorf("%s: %v, %s has %v", c.name, got, c.file, want)
		}
	}
	uptime := procFigure(t, "/proc/uptime", "")
	if start := value(f["process_start_time_seconds"]); start > float64(time.Now().Unix())+1 || start < float64(time.Now().Unix())-uptime-2 {
		t.Errorf("started at %v: not between boot and now", start)
	}
}

// TestFiguresMove: each figure follows what it stands for.
func TestFiguresMove(t *testing.T) {
	m := metrics.New(saturday(), metrics.Build{})
	before := gather(t, m)
	for range 10 {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
	}
	stop := make(chan bool)
	for range 10 {
		go func() { <-stop }()
	}
	held := make([]byte, 32<<20)
	mapped, err := unix.Mmap(-1, 0, 128<<20, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANON)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Munmap(mapped)
	for i := range mapped { // takes memory and time
		mapped[i] = byte(i)
	}
	after := gather(t, m)
	close(stop)
	for name, least := range map[string]float64{
		"process_open_fds": 8, "go_goroutines": 8, "process_cpu_seconds_total": 0.001,
		"process_resident_memory_bytes": 64 << 20, "process_virtual_memory_bytes": 120 << 20,
		"go_memstats_heap_alloc_bytes": 24 << 20,
	} {
		if d := value(after[name]) - value(before[name]); d < least {
			t.Errorf("%s: %v more, want at least %v", name, d, least)
		}
	}
	if a, b := value(before["process_start_time_seconds"]), value(after["process_start_time_seconds"]); a != b {
		t.Errorf("the start moved from %v to %v", a, b)
	}
	runtime.KeepAlive(held)
}
