package modbus

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"roundsman/collector/modbus/wire"
	"roundsman/collector/sorting"
)

// Settings are how a serial line is set.
type Settings struct {
	Baud   int
	Parity byte // 'N', 'E', 'O'
}

// String returns baud, data bits and parity with one stop bit: '19200 8E1'. One more stop bit does not keep
// two devices from understanding each other.
func (s Settings) String() string { return fmt.Sprintf("%d 8%c1", s.Baud, s.Parity) }

// UsualSettings are those of most devices, likeliest first: 19,200 and even parity are the default of MODBUS over
// Serial Line V1.02, 2.5.1, 9,600 must be there too; 8N1 is what most makers deliver (common practice, no source).
func UsualSettings() []Settings {
	var out []Settings
	for _, baud := range []int{9600, 19200, 115200, 38400, 57600, 4800, 2400} {
		out = append(out, Settings{baud, 'E'}, Settings{baud, 'N'})
	}
	out = append(out, Settings{9600, 'O'}, Settings{19200, 'O'}, Settings{1200, 'E'}, Settings{1200, 'N'})
	out[0], out[2] = out[2], out[0]
	return out
}

// Search looks for devices on a line.
type Search struct {
	Options  Options       // of the line; its baud and parity are used where Settings is empty
	Units    []uint8       // the unit ids to ask
	Settings []Settings    // the settings of a serial line to try, likeliest first
	Listen   time.Duration // so long a serial line is listened to at each setting before anything is asked
	Told     func(done, of int)
}

// Found is a unit that answered.
type Found struct {
	Unit     uint8
	Settings Settings // of a serial line
	Took     time.Duration
	Answer   error // an Exception; nil: it gave a value
}

// early is how many unit ids are tried at every setting before the rest is: devices leave the works with low ones.
const early = 16

// step is a piece of a search: some ids at one setting.
type step struct {
	settings Settings
	units    []uint8
}

// steps returns the search in the order of what is likeliest.
func (s *Search) steps() []step {
	settings := s.Settings
	if len(settings) == 0 {
		settings = []Settings{{}}
	}
	first := slices.DeleteFunc(slices.Clone(s.Units), func(u uint8) bool { return u > early })
	rest := slices.DeleteFunc(slices.Clone(s.Units), func(u uint8) bool { return u <= early })
	if len(settings) == 1 {
		first, rest = s.Units, nil
	}
	var out []step
	for _, units := range [][]uint8{first, rest} {
		for _, at := range settings {
			if len(units) > 0 {
				out = append(out, step{at, units})
			}
		}
	}
	return out
}

// Longest returns how long the search takes if nobody answers; the first setting at which somebody does ends it sooner.
func (s *Search) Longest() time.Duration {
	var total time.Duration
	for _, st := range s.steps() {
		o := s.at(st.settings)
		total += time.Duration(len(st.units)) * o.absent()
		if o.Transport == RTU {
			total += s.Listen
		}
	}
	return total
}

// absent returns what a unit that is not there costs: its request, the time-out with the time its answer would have
// taken, and the quiet after it.
func (o Options) absent() time.Duration {
	const characters = 8 + 7
	switch o.Transport {
	case RTU:
		m := o.mode()
		return characters*m.Char() + o.Timeout + max(m.Silence(), lump) + m.Silence()
	case RTUOverTCP:
		return o.Timeout + lump
	}
	return o.Timeout
}

// at returns the options with the line set so.
func (s *Search) at(set Settings) Options {
	o := s.Options
	if set.Baud != 0 {
		o.Baud, o.Parity, o.StopBits = set.Baud, set.Parity, 1
	}
	o.Retries = -1
	return o.complete()
}

// Run asks every unit id at one setting after the other for one register, and
// ends with the first setting at which somebody answered, once all ids were
// asked there. heard is a tally of what came where nobody answered: it tells
// echoes, noise and a second master. The error says that the line cannot be opened.
func (s *Search) Run(ctx context.Context) (found []Found, heard *Tally, err error) {
	steps, of, done := s.steps(), 0, 0
	for _, st := range steps {
		of += len(st.units)
	}
	heard = &Tally{Options: s.at(steps0(steps))}
	for i, st := range steps {
		if len(found) > 0 && found[0].Settings != st.settings {
			continue // one line has one setting
		}
		got, err := s.try(ctx, st, heard, func() {
			if done++; s.Told != nil {
				s.Told(done, of)
			}
		})
		found = append(found, got...)
		if err != nil {
			return found, heard, err
		}
		if len(found) > 0 && i+1 < len(steps) {
			done = of - s.rest(steps[i+1:], st.settings)
		}
	}
	sorting.Func(found, func(a, b Found) int { return cmp.Compare(a.Unit, b.Unit) })
	return found, heard, nil
}

func steps0(steps []step) (at Settings) {
	if len(steps) > 0 {
		at = steps[0].settings
	}
	return at
}

// rest returns how many ids are still to be asked at a setting.
func (s *Search) rest(steps []step, at Settings) (n int) {
	for _, st := range steps {
		if st.settings == at {
			n += len(st.units)
		}
	}
	return n
}

// try asks the ids of one step.
func (s *Search) try(ctx context.Context, st step, heard *Tally, tick func()) (found []Found, err error) {
	p, err := newProber(ctx, s.at(st.settings), s.Listen)
	if err != nil {
		return nil, err
	}
	defer p.reader.Close()
	if len(p.before) > len(heard.Before) {
		heard.Before = p.before
	}
	lost := 0
	for _, u := range st.units {
		t := &Tally{Options: p.opts, Question: Question{Unit: u, Table: HoldingRegisters}}
		if err := p.ask(ctx, t); err != nil {
			return found, err
		}
		tick()
		heard.join(t)
		if there(t) {
			found = append(found, Found{Unit: u, Settings: st.settings, Took: t.Times().Most, Answer: t.Last})
		}
		found = addLate(found, t, st.settings)
		if lost += t.Closed; lost > mostLost && len(found) == 0 {
			return found, &wire.Error{Reason: wire.Closed, Detail: "at every unit id"}
		}
	}
	return found, nil
}

// addLate adds units that answered too late for their own question.
func addLate(found []Found, t *Tally, at Settings) []Found {
	for _, u := range t.Others {
		if !slices.ContainsFunc(found, func(f Found) bool { return f.Unit == u }) {
			found = append(found, Found{Unit: u, Settings: at, Answer: &wire.Error{Reason: wire.TimedOut, Detail: "its answer came too late for its question"}})
		}
	}
	return found
}

// there reports whether a device answered for itself, if only with a spoiled frame that begins as its answer does.
func there(t *Tally) bool {
	return t.Answered > 0 && !gateways(t.Last) || t.Spoiled+t.Mixed+t.Cut > 0
}

// gateways reports whether it was a gateway that answered, for a device that is not there.
func gateways(err error) bool {
	x, ok := err.(Exception)
	return ok && x.gateway()
}

// join adds another tally's counts.
func (t *Tally) join(o *Tally) {
	t.Asked += o.Asked
	t.Answered += o.Answered
	t.Exceptions += o.Exceptions
	t.Silent += o.Silent
	t.Echoed += o.Echoed
	t.Echo += o.Echo
	t.Twice += o.Twice
	t.Crowded += o.Crowded
	t.Spoiled += o.Spoiled
	t.Mixed += o.Mixed
	t.Cut += o.Cut
	t.Garbage += o.Garbage
	t.Zeros += o.Zeros
	t.Closed += o.Closed
	if o.Last != nil {
		t.Last = o.Last
	}
}
