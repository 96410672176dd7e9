package device

import (
	"encoding/binary"
	"math/rand/v2"
	"sync"
	"time"
)

// Kind is a way to misbehave.
type Kind uint8

// The kinds of fault: first those of the reply on its way, then those of what the registers hold.
const (
	Late          Kind = iota + 1 // the reply comes after Delay
	Truncated                     // only the first Bytes bytes of the frame come (0: half of it)
	Split                         // the frame comes in pieces of Bytes bytes (0: 1), Delay apart
	Garbage                       // Bytes random bytes (0: 30) come in place of the reply
	WrongUnit                     // the reply bears the next unit id
	WrongFunction                 // the reply bears the next function code
	WrongLength                   // the byte count says two more than there are
	Shorter                       // a proper reply with one register (or eight bits) less than asked for
	BadCheck                      // RTU: wrong CRC; TCP: the transaction id of the request before
	Echo                          // our own request comes first, as from an adapter that hears itself
	Silent                        // no reply
	Reset                         // TCP: the connection is reset; elsewhere no reply
	Exception                     // refused with Code
	Twin                          // a second device with the same unit id answers every other request from its own bank
	Shifted                       // the map moved up by By addresses (0: 1): what lay at 10 lies at 11
	Zeros                         // all registers and bits are 0, as after a reboot
	Frozen                        // values stay what they were when the fault began
)

// Fault is one way to misbehave and where. It acts on requests that touch its
// addresses; a fault without addresses acts on all.
type Fault struct {
	Kind  Kind
	Unit  uint8 // 0: every unit
	Where Range // Table 0: every address
	Times int   // requests it acts on before it ends; 0: until removed

	Delay time.Duration // Late, Split
	Bytes int           // Truncated, Split, Garbage
	Code  byte          // Exception
	By    int           // Shifted
	Bank  *Bank         // Twin
}

type injected struct {
	Fault
	mu     sync.Mutex
	used   int
	frozen map[uint8]*Bank
}

// Inject adds a fault and returns what removes it. Faults act together; of
// two of one kind the later wins.
func (s *Server) Inject(f Fault) (remove func()) {
	in := &injected{Fault: f}
	if f.Kind == Frozen {
		in.frozen = make(map[uint8]*Bank, len(s.banks))
		for unit, b := range s.banks {
			in.frozen[unit] = b.clone()
		}
	}
	s.mu.Lock()
	s.faults = append(s.faults, in)
	s.mu.Unlock()
	return func() { s.remove(in) }
}

// Heal removes all faults.
func (s *Server) Heal() {
	s.mu.Lock()
	s.faults = nil
	s.mu.Unlock()
}

func (s *Server) remove(in *injected) {
	s.mu.Lock()
	defer s.mu.Unlock()
	kept := make([]*injected, 0, len(s.faults))
	for _, f := range s.faults {
		if f != in {
			kept = append(kept, f)
		}
	}
	s.faults = kept
}

// acting returns the faults that touch this request, and counts them.
func (s *Server) acting(unit uint8, pdu []byte) []*injected {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []*injected
	for _, f := range s.faults {
		if f.touches(unit, pdu) && f.use() {
			out = append(out, f)
		}
	}
	return out
}

func (f *injected) touches(unit uint8, pdu []byte) bool {
	if f.Unit != 0 && f.Unit != unit {
		return false
	}
	if f.Where.Table == 0 {
		return true
	}
	r, ok := asked(pdu)
	return ok && r.Table == f.Where.Table && r.First <= f.Where.Last && r.Last >= f.Where.First
}

func (f *injected) use() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.used++
	return f.Times == 0 || f.used <= f.Times
}

// second reports whether it is the twin's turn: it answers every other request.
func (f *injected) second() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.used%2 == 0
}

func refusal(faults []*injected) byte {
	var code byte
	for _, f := range faults {
		if f.Kind == Exception {
			code = f.Code
		}
	}
	return code
}

// values returns what the registers seem to hold under the given faults.
func (s *Server) values(unit uint8, t Table, address uint16, n int, faults []*injected) ([]uint16, bool) {
	bank, by := s.banks[unit], 0
	for _, f := range faults {
		switch {
		case f.Kind == Twin && f.Bank != nil && f.second():
			bank = f.Bank
		case f.Kind == Shifted:
			by = f.By
			if by == 0 {
				by = 1
			}
		}
	}
	values, ok := bank.view(t, address, n, by)
	if !ok {
		return nil, false
	}
	for _, f := range faults {
		f.spoil(unit, t, address, values)
	}
	return values, true
}

// spoil overwrites the values that the fault holds at zero or in the past.
func (f *injected) spoil(unit uint8, t Table, address uint16, values []uint16) {
	if f.Kind != Zeros && f.Kind != Frozen {
		return
	}
	old := make([]uint16, len(values))
	if f.Kind == Frozen {
		old, _ = f.frozen[unit].view(t, address, len(values), 0)
	}
	for i := range values {
		at := int(address) + i
		if f.Where.Table == 0 || at >= int(f.Where.First) && at <= int(f.Where.Last) {
			values[i] = old[i]
		}
	}
}

// reply is one answer with all that happens to it on its way.
type reply struct {
	unit uint8
	pdu  []byte

	delay         time.Duration
	silent, reset bool
	echo, check   bool
	cut           int // bytes kept; -1 half
	piece         int // bytes a piece; 0: whole
	pause         time.Duration
	garbage       int
}

// respond answers one request to a unit that the server has.
func (s *Server) respond(unit uint8, pdu []byte) reply {
	s.requests.Add(1)
	if s.options.Observe != nil {
		s.options.Observe(unit, pdu)
	}
	faults := s.acting(unit, pdu)
	r := reply{unit: unit, pdu: s.answer(unit, pdu, faults), delay: s.options.Turnaround}
	for _, f := range faults {
		f.disturb(&r)
	}
	return r
}

func (f *injected) disturb(r *reply) {
	switch f.Kind {
	case Late:
		r.delay += f.Delay
	case Truncated:
		r.cut = orElse(f.Bytes, -1)
	case Split:
		r.piece, r.pause = orElse(f.Bytes, 1), f.Delay
	case Garbage:
		r.garbage = orElse(f.Bytes, 30)
	case WrongUnit:
		r.unit++
	case WrongFunction:
		r.pdu[0]++
	case WrongLength:
		r.pdu[1] += 2
	case Shorter:
		r.shorten()
	case BadCheck:
		r.check = true
	case Echo:
		r.echo = true
	case Silent:
		r.silent = true
	case Reset:
		r.reset = true
	}
}

func orElse(n, otherwise int) int {
	if n == 0 {
		return otherwise
	}
	return n
}

// shorten takes the last item from a reply to a read, keeping it well formed.
func (r *reply) shorten() {
	less := 1
	if function := r.pdu[0]; function == byte(Holding) || function == byte(Input) {
		less = 2
	} else if function >= 0x80 {
		return
	}
	if int(r.pdu[1]) <= less {
		return
	}
	r.pdu = r.pdu[:len(r.pdu)-less]
	r.pdu[1] -= byte(less)
}

// bytes applies to the finished frame what spoils frames.
func (s *Server) bytes(r reply, frame []byte) []byte {
	switch {
	case r.garbage > 0:
		return s.garbage(r.garbage)
	case r.cut < 0:
		return frame[:len(frame)/2]
	case r.cut > 0:
		return frame[:min(r.cut, len(frame))]
	}
	return frame
}

// garbage differs from call to call but not from run to run.
func (s *Server) garbage(n int) []byte {
	s.mu.Lock()
	s.noise++
	seed := s.noise
	s.mu.Unlock()
	source := rand.NewPCG(seed, 0x6d6f6462)
	out := make([]byte, 0, n+8)
	for len(out) < n {
		out = binary.LittleEndian.AppendUint64(out, source.Uint64())
	}
	return out[:n]
}
