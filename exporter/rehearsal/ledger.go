package rehearsal

import (
	"fmt"
	"math"
	"math/bits"
	"strings"
	"time"

	"roundsman/collector"
)

// Repair is one kind of thing that was put right in the data, with its count and the first few places.
type Repair struct {
	What  string   `json:"what"` // 'rows out of order, left out'
	Count uint64   `json:"count"`
	First []string `json:"first"` // 'data.csv:17: 2026-07-01T06:10:00Z'
}

// String returns the repair as one line.
func (r Repair) String() string {
	text := fmt.Sprintf("%d %s", r.Count, r.What)
	if len(r.First) == 0 {
		return text
	}
	more := ""
	if r.Count > uint64(len(r.First)) {
		more = ", ..."
	}
	return text + ": " + strings.Join(r.First, ", ") + more
}

// firstPlaces is how many places of a repair are named.
const firstPlaces = 3

func (r *Repair) add(place func() string) {
	r.Count++
	if len(r.First) < firstPlaces {
		r.First = append(r.First, place())
	}
}

// Ledger counts what was read. Gaps are steps of more than one and a half times the usual period; missing is how many
// moments of that period are not there.
type Ledger struct {
	Rows     uint64        // rows taken
	Moments  uint64        // different times
	Readings uint64        // good, uncertain and bad
	Bad      uint64        // of Readings
	Empty    uint64        // cells without a reading
	Period   time.Duration // the usual step; 0 for less than two moments
	Gaps     uint64
	Missing  uint64
	Longest  time.Duration // the longest gap, 0 without one
	GapAfter Time          // when it began
	Repairs  []Repair      // in the order of doc.go, only those that happened
}

// steps keeps the lengths of the steps between moments in a table of fixed size: sixteen to each doubling, each with
// its count and sum, so that a period that stands still is known exactly.
type steps struct {
	counts  [64 * 16]uint64
	sums    [64 * 16]float64
	total   uint64
	longest time.Duration
	after   collector.Moment
}

// add counts a step. It reports whether it is the longest so far.
func (s *steps) add(from, to collector.Moment) bool {
	d := to.Sub(from)
	i := slot(uint64(d))
	s.counts[i]++
	s.sums[i] += float64(d)
	s.total++
	if d <= s.longest {
		return false
	}
	s.longest, s.after = d, from
	return true
}

// slot returns the place of a length: its highest bit and the four behind it.
func slot(d uint64) int {
	n := bits.Len64(d)
	if n < 5 {
		return int(d)
	}
	return (n-1)*16 + int(d>>(n-5)&15)
}

// gaps returns the median step, how many are longer than one and a half times that, and how many periods these lack.
func (s *steps) gaps() (period time.Duration, gaps, missing uint64) {
	var sum uint64
	usual := 0.0
	for i, n := range s.counts {
		if sum += n; 2*sum >= s.total && n > 0 {
			usual = s.sums[i] / float64(n)
			break
		}
	}
	if usual == 0 {
		return 0, 0, 0
	}
	for i, n := range s.counts {
		if n == 0 {
			continue
		}
		if mean := s.sums[i] / float64(n); mean > 1.5*usual {
			gaps += n
			missing += n * (uint64(math.Round(mean/usual)) - 1)
		}
	}
	return time.Duration(usual), gaps, missing
}
