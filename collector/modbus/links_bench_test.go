package modbus_test

import (
	"fmt"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

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
		l := collectorLink(b, modbus.TCP, a, 0, 10)
		once(b, l)
		ours = append(ours, func() { once(b, l) })
	}
	held := float64(inUse()-before) / float64(n) / 1024
	for _, a := range addresses {
		c := bareClient(b, a)
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
