// Package device is a small Modbus server, for tests and for the practice
// plant: it stands in for the controllers and meters of an equipment room.
//
// It speaks Modbus TCP, Modbus RTU on anything that reads and writes bytes (a
// pseudo terminal, a pipe), and RTU over TCP; it answers function codes 1 to 4
// and 43/14, and refuses all others. On a serial line it takes the time that
// a real line takes. It can be told to misbehave in the ways that devices,
// cables and gateways do (see Fault).
//
//	bank := device.NewBank(device.Range{Table: device.Holding, First: 10, Last: 16})
//	bank.Set(device.Holding, 10, 12200)
//	plc := device.New(map[uint8]*device.Bank{1: bank}, device.Options{})
//	err := plc.ServeTCP(ctx, listener)
//
// Numbers in brackets (AP 7, SL 2.5.1) are clauses of the MODBUS Application
// Protocol Specification V1.1b3 and of MODBUS over Serial Line V1.02.
package device

import (
	"sync"
	"sync/atomic"
	"time"
)

// Options of a server. The zero value is a device without identification.
type Options struct {
	Identity Identity
	// Turnaround is what the device takes to think before it answers, on every transport.
	Turnaround time.Duration
	// Observe, when set, is called with each request PDU that arrived whole, before it is
	// answered, from the goroutine of its connection. It must not keep the slice.
	Observe func(unit uint8, pdu []byte)
}

// Server answers for one or more unit ids. All methods may be called at any
// time from any goroutine, and one server may serve several listeners and
// lines at once.
type Server struct {
	options  Options
	banks    map[uint8]*Bank // not changed after New
	requests atomic.Uint64

	mu     sync.Mutex
	faults []*injected
	limit  int // connections at a time; 0: any number
	open   int
	noise  uint64 // state of the garbage generator
}

// New returns a server for the given unit ids. The banks stay shared: whoever
// writes to them changes what is read.
func New(banks map[uint8]*Bank, o Options) *Server {
	s := &Server{options: o, banks: make(map[uint8]*Bank, len(banks)), noise: 1}
	for unit, b := range banks {
		s.banks[unit] = b
	}
	return s
}

// Requests returns how many whole requests arrived for the server's units.
func (s *Server) Requests() uint64 { return s.requests.Load() }

// LimitConnections lets at most n TCP connections live at a time, as small
// controllers do; one more is accepted and closed at once. 0 takes the limit away.
func (s *Server) LimitConnections(n int) {
	s.mu.Lock()
	s.limit = n
	s.mu.Unlock()
}

func (s *Server) enter() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.limit > 0 && s.open >= s.limit {
		return false
	}
	s.open++
	return true
}

func (s *Server) leave() {
	s.mu.Lock()
	s.open--
	s.mu.Unlock()
}
