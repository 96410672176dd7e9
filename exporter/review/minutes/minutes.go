// Package minutes takes the one-minute figures of points and makes from them what reviews are made of: means, time below
// a limit, what counters and contents did, and which minutes something was so. A month of a point is 43,200 minutes; they
// are read once and passed through, nothing but a bit a minute is held.
//
//	open, err := minutes.When(ctx, source, minutes.Signal{Point: "wash.open"}, from, to)
//	pressure := minutes.Mean{Below: 5.5}
//	err = minutes.Each(ctx, source, header, from, to, func(m minutes.Minute) { pressure.Add(m, open.At(m.At)) })
//
// What a minute does not tell is not guessed at: minutes without a usable reading are in no figure, and how many there
// are is told.
package minutes

import (
	"context"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"
)

// Minute is what a point did in one minute. Its numbers are NaN where no reading could be used.
type Minute struct {
	At                   time.Time // its begin
	Min, Mean, Max, Last float64
}

// Usable reports whether the minute has figures.
func (m Minute) Usable() bool { return !math.IsNaN(m.Mean) }

// Source gives the one-minute figures of a point by name, from <= At < to, in order of time, in the point's unit. Minutes
// in which nothing was read may be missing. A point that is not known yields nothing.
type Source interface {
	Minutes(ctx context.Context, point string, from, to time.Time) iter.Seq2[Minute, error]
}

// Signal is a point and how its values come into the unit a review works in: Value*Factor + Offset. A Factor of 0 is 1.
type Signal struct {
	Point          string
	Factor, Offset float64
}

// Named reports whether there is a point at all.
func (s Signal) Named() bool { return s.Point != "" }

// Names returns the points of signals, each once.
func Names(signals ...Signal) (list []string) {
	for _, s := range signals {
		if s.Named() && !slices.Contains(list, s.Point) {
			list = append(list, s.Point)
		}
	}
	return list
}

func (s Signal) convert(m Minute) Minute {
	f := s.Factor
	if f == 0 {
		f = 1
	}
	m.Min, m.Mean, m.Max, m.Last = m.Min*f+s.Offset, m.Mean*f+s.Offset, m.Max*f+s.Offset, m.Last*f+s.Offset
	if f < 0 {
		m.Min, m.Max = m.Max, m.Min
	}
	return m
}

// Each calls f with each usable minute of a signal. Without a point it does nothing.
func Each(ctx context.Context, src Source, s Signal, from, to time.Time, f func(Minute)) error {
	if !s.Named() {
		return nil
	}
	for m, err := range src.Minutes(ctx, s.Point, from, to) {
		if err != nil {
			return fmt.Errorf("minutes of %s: %w", s.Point, err)
		}
		if m.Usable() {
			f(s.convert(m))
		}
	}
	return nil
}

// Mask says of each minute of a span whether something was so, was not so, or was not seen.
type Mask struct {
	from time.Time
	bits []uint8 // by minute: seen, and so
}

const (
	seenBit = 1
	soBit   = 2
)

// When returns the minutes in which a state was on for more than half of the time it was seen.
func When(ctx context.Context, src Source, s Signal, from, to time.Time) (*Mask, error) {
	k := NewMask(from, to)
	err := Each(ctx, src, s, from, to, func(m Minute) { k.Set(m.At, m.Mean > 0.5) })
	return k, err
}

// Open returns the minutes in which a site was open: by a state, or without one by its hours, or always.
func Open(ctx context.Context, src Source, s Signal, hours func(time.Time) bool, from, to time.Time) (*Mask, error) {
	if s.Named() {
		return When(ctx, src, s, from, to)
	}
	k := NewMask(from, to)
	for at := k.from; at.Before(to); at = at.Add(time.Minute) {
		k.Set(at, hours == nil || hours(at))
	}
	return k, nil
}

// NewMask returns a mask of minutes that were not seen.
func NewMask(from, to time.Time) *Mask {
	from = from.Truncate(time.Minute)
	n := max(0, int((to.Sub(from)+time.Minute-1)/time.Minute))
	return &Mask{from: from, bits: make([]uint8, n)}
}

func (k *Mask) index(at time.Time) int {
	if at.Before(k.from) {
		return -1
	}
	if i := int(at.Sub(k.from) / time.Minute); i < len(k.bits) {
		return i
	}
	return -1
}

// Set says of a minute that it was so or not so.
func (k *Mask) Set(at time.Time, so bool) {
	if i := k.index(at); i >= 0 {
		k.bits[i] = seenBit
		if so {
			k.bits[i] |= soBit
		}
	}
}

// At reports whether it was so in the minute of a time, and whether that was seen.
func (k *Mask) At(at time.Time) (so, seen bool) {
	i := k.index(at)
	if i < 0 {
		return false, false
	}
	return k.bits[i]&soBit != 0, k.bits[i]&seenBit != 0
}

// Count returns in how many minutes it was so, and how many were seen.
func (k *Mask) Count() (so, seen int) {
	for _, b := range k.bits {
		so += int(b&soBit) / soBit
		seen += int(b & seenBit)
	}
	return so, seen
}

// Stretch is time without interruption, From <= t < To.
type Stretch struct{ From, To time.Time }

// Length returns how long it is.
func (s Stretch) Length() time.Duration { return s.To.Sub(s.From) }

// Stretches returns the stretches of at least so long in which it was so, or not so, throughout. A minute that was not
// seen ends a stretch of either.
func (k *Mask) Stretches(so bool, least time.Duration) []Stretch {
	want := uint8(seenBit)
	if so {
		want |= soBit
	}
	var out []Stretch
	begin := -1
	for i := 0; i <= len(k.bits); i++ {
		if i < len(k.bits) && k.bits[i] == want {
			if begin < 0 {
				begin = i
			}
			continue
		}
		if begin >= 0 {
			s := Stretch{k.from.Add(time.Duration(begin) * time.Minute), k.from.Add(time.Duration(i) * time.Minute)}
			if s.Length() >= least {
				out = append(out, s)
			}
		}
		begin = -1
	}
	return out
}
