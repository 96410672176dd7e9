// Package collector holds the few types that every floor of Roundsman shares:
// the point, its reading with quality and reason, the steady time scale, and
// what a link reports of itself.
//
// A reading travels one way: a link fetches raw counts, scales and judges them
// into readings and sends them in batches; computed points are added; the
// rules judge; the exporters show. Nobody changes a batch after it was sent.
//
//	r := collector.Reading{Point: 3, Value: 7.8, Quality: collector.Good, At: clock.Now()}
package collector

import "context"

// PointID is the index of a point in its site's list of points.
type PointID int32

// NoPoint is the index of no point.
const NoPoint PointID = -1

// Kind says what a point's value is.
type Kind uint8

// The kinds of value a point can have.
const (
	Number  Kind = iota // a measured or computed quantity
	State               // 0 or 1: a contact, a bit, a running signal
	Counter             // a count that only rises, until it rolls over or is reset
	Text                // words; Value is 0 or the number given to the word by 'states'
)

var kindWords = [...]string{"number", "state", "counter", "text"}

// String returns the kind's word.
func (k Kind) String() string { return word(kindWords[:], k) }

// Point is what all floors know of a point. It does not change after loading.
type Point struct {
	ID      PointID
	Name    string // 'air.header.pressure'
	Station string // 'air'; 'box' for the points that Roundsman makes of its links
	Unit    string // the symbol of its unit as package units prints it; "" for a plain number or state
	Kind    Kind
	Link    string // the link it is read over; "" for a computed point

	// Low and High are the ends of the instrument's range in Unit; NaN where none is given.
	Low, High float64
	// Resolution is the smallest step the value can take in Unit (one raw count); 0 when unknown.
	Resolution float64
	// Digits is the number of decimals worth showing.
	Digits int
}

// Batch is the outcome of one round, or of what one broker sent in one go.
// Its receiver owns it.
type Batch struct {
	Link     string
	Readings []Reading
}

// Link is one way out of the box.
type Link interface {
	// Name returns the link's name in the site file.
	Name() string
	// Run reads until ctx ends, sending each round's readings to out. It recovers
	// from every fault of the line by itself and returns only when ctx is done,
	// or at once for a fault that no waiting mends. It closes nothing it did not open.
	Run(ctx context.Context, out chan<- Batch) error
	// Status returns what the link is doing now. It may be called from any goroutine and does not block.
	Status() LinkStatus
}

func word[T ~uint8](words []string, v T) string {
	if int(v) < len(words) {
		return words[v]
	}
	return "unknown"
}
