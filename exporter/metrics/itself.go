package metrics

import (
	"math"
	"runtime"
	runtimemetrics "runtime/metrics"
)

// itself is the ready families of the program's own process and of the Go
// runtime, under the names that client libraries of the format agree on. A few
// figures, read without a search through /proc: a full set costs more than a
// thousand points.
type itself struct {
	families []*family
	usage    func() usage
	figures  []figure
	samples  []runtimemetrics.Sample // of the Go runtime, one for each of its series
	runtime  []*series

	goroutines *series // not a sample: that one counts the runtime's own, too, which come and go with its collections
}

// figure is one of the process's own and where it is shown.
type figure struct {
	series *series
	value  func(*usage) float64
}

// usage is what the process takes now. NaN is a figure that this system does not give.
type usage struct {
	cpu               float64 // seconds of all its threads, in user and system mode
	resident, virtual float64 // bytes
	open, most        float64 // file descriptors
	start             float64 // seconds since 1970 UTC
}

func unknownUsage() usage {
	nan := math.NaN()
	return usage{cpu: nan, resident: nan, virtual: nan, open: nan, most: nan, start: nan}
}

// runtimeFigures are the Go runtime's own figures (package runtime/metrics) by their names on the page.
var runtimeFigures = [...]struct{ key, name, unit, help string }{
	{"/memory/classes/heap/objects:bytes", "go_memstats_heap_alloc_bytes", "bytes", "Heap taken by objects, dead ones that were not swept yet included."},
	{"/gc/heap/goal:bytes", "go_memstats_next_gc_bytes", "bytes", "Heap size at which the next collection is to end."},
	{"/memory/classes/total:bytes", "go_memstats_sys_bytes", "bytes", "Memory that the Go runtime has mapped."},
}

// newItself opens what is read at each scrape; it stays open as long as it is referred to.
func newItself() *itself {
	b := newBuilder()
	s := &itself{usage: openProcess().usage}
	b.gauge("go_info", "", "The Go version that built the program; the value is always 1.").
		add(&b, "version", runtime.Version()).set(1)
	s.goroutines = b.gauge("go_goroutines", "", "Goroutines that live now.").add(&b)
	for _, f := range runtimeFigures {
		s.samples = append(s.samples, runtimemetrics.Sample{Name: f.key})
		s.runtime = append(s.runtime, b.gauge(f.name, f.unit, f.help).add(&b))
	}
	show := func(f *family, value func(*usage) float64) { s.figures = append(s.figures, figure{f.add(&b), value}) }
	show(b.counter("process_cpu_seconds_total", "seconds", "Processor time taken, in user and system mode."), func(u *usage) float64 { return u.cpu })
	show(b.gauge("process_max_fds", "", "File descriptors that may be open at once."), func(u *usage) float64 { return u.most })
	show(b.gauge("process_open_fds", "", "File descriptors that are open."), func(u *usage) float64 { return u.open })
	show(b.gauge("process_resident_memory_bytes", "bytes", "Memory that lies in RAM."), func(u *usage) float64 { return u.resident })
	show(b.gauge("process_start_time_seconds", "seconds", "When the process began, since 1970 UTC."), func(u *usage) float64 { return u.start })
	show(b.gauge("process_virtual_memory_bytes", "bytes", "Address space that is mapped."), func(u *usage) float64 { return u.virtual })
	s.families = b.sorted()
	return s
}

// fill sets all series. What the system does not give is not shown.
func (s *itself) fill() {
	s.goroutines.set(float64(runtime.NumGoroutine()))
	runtimemetrics.Read(s.samples)
	for i, sample := range s.samples {
		s.runtime[i].shown = false
		if sample.Value.Kind() == runtimemetrics.KindUint64 {
			s.runtime[i].set(float64(sample.Value.Uint64()))
		}
	}
	u := s.usage()
	for _, f := range s.figures {
		f.series.shown = false
		if v := f.value(&u); !math.IsNaN(v) {
			f.series.set(v)
		}
	}
}

// steady returns the moment of the start to tell after was told before. It is
// worked out anew at each look, so that it follows a wall clock that is set
// late; but the rounding of two clocks must not look like one restart after another.
func steady(was, is float64) float64 {
	const least = 1 // seconds
	if math.Abs(is-was) < least {
		return was
	}
	return is
}
