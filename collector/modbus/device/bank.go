package device

import (
	"fmt"
	"slices"
	"sync"

	"roundsman/collector/sorting"
)

// Table is one of the four tables of a device, numbered as the function code that reads it (AP 4.3).
type Table uint8

// The tables.
const (
	Coils    Table = 1
	Discrete Table = 2
	Holding  Table = 3
	Input    Table = 4
)

var tableWords = [...]string{Coils: "coil", Discrete: "discrete", Holding: "holding", Input: "input"}

// String returns the table's word: coil, discrete, holding, input.
func (t Table) String() string {
	if t >= Coils && int(t) < len(tableWords) {
		return tableWords[t]
	}
	return "unknown"
}

func (t Table) bits() bool { return t == Coils || t == Discrete }

// Range declares addresses that exist, both ends included, zero-based as on the wire.
type Range struct {
	Table       Table
	First, Last uint16
}

// Bank holds the registers of one unit. Only declared addresses exist. It is
// safe for simultaneous use: a request sees all of an Update or nothing of it.
type Bank struct {
	mu           sync.RWMutex
	spans        []span
	maxRegisters int
}

type span struct {
	Range
	values []uint16
}

// NewBank returns a bank of zeros with the given addresses. Ranges that touch
// or overlap become one; a request must lie within one range.
func NewBank(ranges ...Range) *Bank {
	sorted := slices.Clone(ranges)
	sorting.Func(sorted, func(a, b Range) int {
		return (int(a.Table)<<16 | int(a.First)) - (int(b.Table)<<16 | int(b.First))
	})
	b := &Bank{}
	for _, r := range sorted {
		if n := len(b.spans); n > 0 && b.spans[n-1].Table == r.Table && int(r.First) <= int(b.spans[n-1].Last)+1 {
			b.spans[n-1].Last = max(b.spans[n-1].Last, r.Last)
			continue
		}
		b.spans = append(b.spans, span{Range: r})
	}
	for i := range b.spans {
		s := &b.spans[i]
		s.values = make([]uint16, int(s.Last)-int(s.First)+1)
	}
	return b
}

// LimitRegisters makes requests for more than n registers an illegal data
// value, as devices with small buffers do. 0 is the standard's 125.
func (b *Bank) LimitRegisters(n int) {
	b.mu.Lock()
	b.maxRegisters = n
	b.mu.Unlock()
}

// Set writes values from address on; bits are 0 or not 0.
func (b *Bank) Set(t Table, address uint16, values ...uint16) error {
	var err error
	b.Update(func(r Registers) { err = r.Set(t, address, values...) })
	return err
}

// Get reads n values from address on.
func (b *Bank) Get(t Table, address uint16, n int) ([]uint16, error) {
	b.mu.RLock()
	defer b.mu.RUnlock()
	s := b.find(t, address, n)
	if s == nil {
		return nil, fmt.Errorf("%v %d: %d values: not declared", t, address, n)
	}
	at := int(address) - int(s.First)
	return slices.Clone(s.values[at : at+n]), nil
}

// Update lets change write any number of registers as one change. It must not
// call the bank's own methods.
func (b *Bank) Update(change func(Registers)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	change(Registers{b})
}

// Registers is the write access to a bank during Update.
type Registers struct{ b *Bank }

// Set writes values from address on; bits are 0 or not 0.
func (r Registers) Set(t Table, address uint16, values ...uint16) error {
	s := r.b.find(t, address, len(values))
	if s == nil {
		return fmt.Errorf("%v %d: %d values: not declared", t, address, len(values))
	}
	copy(s.values[int(address)-int(s.First):], values)
	return nil
}

// find returns the span that holds all n addresses.
func (b *Bank) find(t Table, address uint16, n int) *span {
	for i := range b.spans {
		s := &b.spans[i]
		if s.Table == t && address >= s.First && int(address)+n-1 <= int(s.Last) {
			return s
		}
	}
	return nil
}

func (b *Bank) limit() int {
	b.mu.RLock()
	defer b.mu.RUnlock()
	if b.maxRegisters > 0 {
		return min(b.maxRegisters, maxRegisters)
	}
	return maxRegisters
}

// view copies n values from address on, each taken from by addresses lower and
// zero where nothing lies there; it reports whether the addresses asked for exist.
func (b *Bank) view(t Table, address uint16, n, by int) ([]uint16, bool) {
	b.mu.RLock()
	defer b.mu.RUnlock()
	s := b.find(t, address, n)
	if s == nil {
		return nil, false
	}
	values := make([]uint16, n)
	for i := range values {
		at := int(address) + i - by - int(s.First)
		if at >= 0 && at < len(s.values) {
			values[i] = s.values[at]
		}
	}
	return values, true
}

// clone returns a bank with the same addresses and the present values.
func (b *Bank) clone() *Bank {
	b.mu.RLock()
	defer b.mu.RUnlock()
	c := &Bank{spans: slices.Clone(b.spans), maxRegisters: b.maxRegisters}
	for i := range c.spans {
		c.spans[i].values = slices.Clone(c.spans[i].values)
	}
	return c
}
