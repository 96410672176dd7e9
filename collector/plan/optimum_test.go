package plan_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"roundsman/collector/plan"
)

// planCase is one small planning problem.
type planCase struct {
	items []plan.Item
	limit plan.Limit
	line  plan.Line
}

func (c planCase) limitOf(uint8, uint8) plan.Limit { return c.limit }

// randomCase makes items that overlap, repeat and contain each other.
func randomCase(r *rand.Rand, items, addresses int) planCase {
	bauds := []int{0, 2400, 9600, 19200, 38400, 115200}
	c := planCase{line: plan.Line{Baud: bauds[r.IntN(len(bauds))], CharBits: 10 + r.IntN(2)}}
	if c.line.Baud == 0 {
		c.line.RoundTrip = time.Duration(r.IntN(3)) * time.Millisecond
		c.line.PerByte = time.Duration(r.IntN(200)) * time.Microsecond
	}
	c.line.Gap = time.Duration(r.IntN(3)) * time.Millisecond
	delay := time.Duration(r.IntN(10)) * time.Millisecond
	c.line.Turnaround = func(unit uint8) time.Duration { return delay * time.Duration(unit) }
	c.limit.Max = 4 + r.IntN(addresses/2)
	for range r.IntN(3) {
		at := uint16(r.IntN(addresses))
		c.limit.Forbidden = append(c.limit.Forbidden, plan.Span{First: at, Last: at + uint16(r.IntN(3))})
	}
	units, tables := 1+r.IntN(2), 1+r.IntN(4)
	for range items {
		c.items = append(c.items, plan.Item{
			Unit:  uint8(1 + r.IntN(units)),
			Table: uint8(1 + r.IntN(tables)),
			Start: uint16(r.IntN(addresses)),
			Count: uint16(1 + r.IntN(1+r.IntN(8))),
		})
	}
	return c
}

func refusedItems(err error) map[int]bool {
	refused := map[int]bool{}
	if err == nil {
		return refused
	}
	for _, e := range err.(interface{ Unwrap() []error }).Unwrap() {
		collect(e, refused)
	}
	return refused
}

func collect(err error, into map[int]bool) {
	switch e := err.(type) {
	case *plan.ItemError:
		into[e.Index] = true
	case interface{ Unwrap() []error }:
		for _, inner := range e.Unwrap() {
			collect(inner, into)
		}
	}
}

// optimum tries every way to share the items out among requests, in any order
// and whatever lies between them, and returns the least line time in seconds
// and the fewest requests that reach it. The cost is worked out here from the
// published formula, not taken from the package.
func optimum(c planCase, items []plan.Item) (seconds float64, requests int) {
	seconds = math.Inf(1)
	var blocks []span
	var try func(k int)
	try = func(k int) {
		if k == len(items) {
			total := 0.0
			for _, b := range blocks {
				total += b.seconds(c.line)
			}
			if total < seconds-1e-12 || (total < seconds+1e-12 && len(blocks) < requests) {
				seconds, requests = min(total, seconds), len(blocks)
			}
			return
		}
		for i, b := range blocks {
			if wider, ok := b.with(items[k], c.limit); ok {
				blocks[i] = wider
				try(k + 1)
				blocks[i] = b
			}
		}
		it := items[k]
		blocks = append(blocks, span{it.Unit, it.Table, int(it.Start), int(it.Start) + int(it.Count)})
		try(k + 1)
		blocks = blocks[:len(blocks)-1]
	}
	try(0)
	return seconds, requests
}

type span struct {
	unit, table uint8
	start, end  int
}

func (s span) with(it plan.Item, limit plan.Limit) (span, bool) {
	s.start = min(s.start, int(it.Start))
	s.end = max(s.end, int(it.Start)+int(it.Count))
	ok := it.Unit == s.unit && it.Table == s.table && s.end-s.start <= limit.Max
	for _, f := range limit.Forbidden {
		ok = ok && (int(f.Last) < s.start || int(f.First) >= s.end)
	}
	return s, ok
}

func (s span) seconds(l plan.Line) float64 {
	n := float64(s.end - s.start)
	data := 2 * n
	if s.table <= 2 {
		data = math.Ceil(n / 8)
	}
	pause := (l.Gap + l.Turnaround(s.unit)).Seconds()
	if l.Baud == 0 {
		return l.RoundTrip.Seconds() + (21+data)*l.PerByte.Seconds() + pause
	}
	char := float64(l.CharBits) / float64(l.Baud)
	silence := 3.5 * char
	if l.Baud > 19200 {
		silence = 1.75e-3
	}
	return (8+5+data)*char + 2*silence + pause
}

// Every partition of up to eight items, thousands of random problems.
func TestBuildReachesTheBruteForceOptimum(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	n := 3000
	if testing.Short() {
		n = 500
	}
	for k := 0; k < n; k++ {
		c := randomCase(r, 1+r.IntN(7), 10+r.IntN(90))
		ratio, requests, want := compareWithOptimum(t, c)
		if math.Abs(ratio-1) > 1e-6 || requests != want {
			t.Fatalf("case %d: line time / optimum = %.7f with %d requests, optimum has %d: %+v", k, ratio, requests, want, c)
		}
	}
}

// compareWithOptimum returns the plan's line time over the optimum's and both numbers of requests.
func compareWithOptimum(t testing.TB, c planCase) (ratio float64, requests, want int) {
	t.Helper()
	got, err := plan.Build(c.items, c.limitOf, c.line)
	refused := refusedItems(err)
	var possible []plan.Item
	for i, it := range c.items {
		if !refused[i] {
			possible = append(possible, it)
		}
	}
	best, want := optimum(c, possible)
	if best == 0 {
		return 1, len(got), want
	}
	sum := 0.0
	for _, q := range got {
		sum += span{q.Unit, q.Table, int(q.Start), int(q.Start) + int(q.Count)}.seconds(c.line)
	}
	return sum / best, len(got), want
}

func FuzzBuild(f *testing.F) {
	f.Add([]byte{1, 3, 0, 2, 1, 3, 4, 2}, uint8(0), uint8(125))
	f.Add([]byte{1, 1, 0, 1, 1, 1, 9, 1, 1, 1, 17, 8}, uint8(1), uint8(20))
	f.Add([]byte{1, 3, 5, 4, 1, 3, 6, 1, 1, 3, 5, 4}, uint8(2), uint8(9))
	f.Fuzz(func(t *testing.T, spec []byte, speed, most uint8) {
		c := planCase{line: plan.Line{Baud: []int{0, 9600, 115200}[speed%3], CharBits: 11, RoundTrip: time.Millisecond}}
		c.line.PerByte = time.Duration(speed) * time.Microsecond
		c.line.Turnaround = func(uint8) time.Duration { return 0 }
		c.limit = plan.Limit{Max: int(most%125) + 1, Forbidden: []plan.Span{{First: uint16(speed), Last: uint16(speed)}}}
		for ; len(spec) >= 4 && len(c.items) < 8; spec = spec[4:] {
			c.items = append(c.items, plan.Item{Unit: spec[0] % 3, Table: spec[1] % 6, Start: uint16(spec[2]), Count: uint16(spec[3] % 10)})
		}
		got, err := plan.Build(c.items, c.limitOf, c.line)
		checkLawful(t, c, got, refusedItems(err))
		if ratio, n, want := compareWithOptimum(t, c); math.Abs(ratio-1) > 1e-6 || n != want {
			t.Errorf("line time / optimum = %.7f with %d requests, optimum has %d: %+v", ratio, n, want, c)
		}
	})
}
