package modbus_test

import (
	"fmt"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	gomodbus "github.com/goburrow/modbus"

	"roundsman/collector"
	"roundsman/collector/modbus"
)

// BenchmarkGrowth runs rounds of 1 to 256 links at once, each of ten requests to a server of its own, beside bare loops of
// the same: the time a round of one link takes then, the ratio, and the memory of a link.
func BenchmarkGrowth(b *testing.B) {
	for _, n := range []int{1, 16, 64, 256} {
		b.Run(fmt.Sprintf("links=%d", n), func(b *testing.B) { manyLinks(b, n) })
	}
}

func manyLinks(b *testing.B, n int) {
	var addresses []string
	for range n {
		addresses = append(addresses, serveTCP(b))
	}
	var ours, bare []func()
	before := inUse()
	for _, a := range addresses {
		l := patientLink(b, a)
		once(b, l)
		ours = append(ours, func() { once(b, l) })
	}
	held := float64(inUse()-before) / float64(n) / 1024
	for _, a := range addresses {
		h := gomodbus.NewTCPClientHandler(a)
		h.Timeout, h.IdleTimeout, h.SlaveId = 10*time.Second, 0, 1 // so many at once are slow, which is no fault
		b.Cleanup(func() { h.Close() })
		c := gomodbus.NewClient(h)
		bare = append(bare, func() { bareLoop(b, c) })
	}
	var took [2][]float64
	var ratios []float64
	for i := 0; b.Loop(); i++ {
		var pair [2]float64
		for k := range 2 {
			which := (i + k) % 2
			pair[which] = allAtOnce([][]func(){ours, bare}[which]).Seconds() * 1e6 / float64(n)
			took[which] = append(took[which], pair[which])
		}
		ratios = append(ratios, pair[1]/pair[0])
	}
	slices.Sort(took[0])
	slices.Sort(ratios)
	b.ReportMetric(took[0][len(took[0])/2], "us/link-round")
	b.ReportMetric(ratios[len(ratios)/2], "ours/bare")
	b.ReportMetric(held, "KiB/link")
}

// patientLink is collectorLink with ten seconds for an answer.
func patientLink(b *testing.B, address string) *modbus.Link {
	opts, points := collectorOptions(modbus.TCP, address, 0, 10)
	opts.Timeout = 10 * time.Second
	l, err := modbus.New(opts, points, collector.NewClock())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { l.Close() })
	return l
}

func allAtOnce(fs []func()) time.Duration {
	begin := time.Now()
	var wg sync.WaitGroup
	for _, f := range fs {
		wg.Go(f)
	}
	wg.Wait()
	return time.Since(begin)
}

// inUse returns the heap and stacks in use after a collection.
func inUse() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc + m.StackInuse
}
