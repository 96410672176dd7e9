// Package modbus reads devices over Modbus TCP, Modbus RTU on a serial line
// and RTU over TCP. It can only read: no other function code leaves the box.
package modbus

import (
	"log/slog"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus/wire"
	"roundsman/collector/scaling"
)

// Transport is the way the frames travel.
type Transport uint8

// The transports.
const (
	TCP Transport = iota
	RTU
	RTUOverTCP
)

// Table is one of the four tables of a Modbus device.
type Table uint8

// The tables, with the function code that reads them.
const (
	Coils            Table = 1
	DiscreteInputs   Table = 2
	HoldingRegisters Table = 3
	InputRegisters   Table = 4
)

// Bits reports whether the table's items are single bits.
func (t Table) Bits() bool { return t == Coils || t == DiscreteInputs }

// String returns the table's key in the site file: coil, discrete, holding, input.
func (t Table) String() string {
	switch t {
	case Coils:
		return "coil"
	case DiscreteInputs:
		return "discrete"
	case HoldingRegisters:
		return "holding"
	case InputRegisters:
		return "input"
	}
	return "unknown"
}

// Type is how a value lies in its registers.
type Type uint8

// The types. Bool is a coil or discrete input, or a register that is not zero.
const (
	Bool Type = iota
	Bit       // one bit of a register, 0 the least significant
	Int16
	Int32
	Int64
	Uint16
	Uint32
	Uint64
	Float32
	Float64
	BCD16
	BCD32
	Text // two characters a register, high byte first, ends at NUL, trailing blanks cut
)

// Order is the order of a value's bytes as they arrive; A is the most significant.
type Order uint8

// The orders; for 64 bits CDAB is the words reversed, BADC the bytes of each word swapped, DCBA both.
const (
	ABCD Order = iota
	CDAB
	BADC
	DCBA
)

// Address says where a value lies.
type Address struct {
	Unit   uint8
	Table  Table
	Start  uint16 // zero-based, as on the wire
	Type   Type
	Order  Order
	Bit    uint8  // for Bit
	Length uint16 // registers of a Text
}

// Point is one point read over a link.
type Point struct {
	ID collector.PointID
	Address
	Every time.Duration
	Scale scaling.Spec
}

// Marker is a register that must hold a known value, or the unit's map has moved.
type Marker struct {
	Table  Table
	Start  uint16
	Equals uint16
}

// Unit is what the site file says of one device on a link.
type Unit struct {
	MaxRegisters int           // most registers a request; 0: 125
	MaxBits      int           // most coils or inputs a request; 0: 2000
	Forbidden    []Span        // addresses that must not be read, not even within a gap
	Turnaround   time.Duration // what the device takes to begin its answer
	Marker       *Marker
	Status       collector.PointID // the point that tells how this unit is (1 good, 0 not, with the reason); NoPoint: none
}

// Span is a stretch of addresses of one table, both ends included.
type Span struct {
	Table       Table
	First, Last uint16
}

// Options describe one link. configs fills them; New completes the zero values:
// 1 s time-out (300 ms serial), 2 retries, even parity, 1 stop bit.
type Options struct {
	Name      string
	Transport Transport
	Address   string // host:port, or the serial device
	Baud      int
	Parity    byte // 'N', 'E', 'O'
	StopBits  int
	RS485     bool // ask the driver to switch direction (TIOCSRS485)

	// Timeout is the longest wait for an answer. On a serial line the characters' own time is added:
	// 125 registers at 9600 baud take 300 ms by themselves.
	Timeout time.Duration
	Retries int           // further tries after a time-out or a wrong reply; 0: 2, negative: none
	Gap     time.Duration // least pause between an answer and the next request
	Units   map[uint8]Unit
	Points  []Point

	Status collector.PointID // the point that tells whether the link is up; NoPoint: none

	Open wire.Opener  // opens the line; nil: by Transport and Address
	Log  *slog.Logger // told when the link or a unit goes or comes back; nil: nobody
}
