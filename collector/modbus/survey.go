package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"

	"roundsman/collector"
	"roundsman/collector/modbus/wire"
)

// Register is one address as a survey found it.
type Register struct {
	Address uint16
	Value   uint16 // 0 or 1 for a coil or discrete input
	Err     error  // why it could not be read; nil: it was
}

// Survey reads the addresses first to last of one table, in blocks as large as
// the options' limits allow, and narrows refused blocks down to the single
// addresses that are refused. Registers come in order of their address. The
// error says that the line could not be opened or went away; what was read
// before is returned with it.
func Survey(ctx context.Context, opts Options, unit uint8, t Table, first, last uint16) ([]Register, error) {
	if first > last {
		return nil, errRange
	}
	opts = opts.complete()
	if err := opts.check(); err != nil {
		return nil, err
	}
	s := surveyor{ctx: ctx, opts: opts, reader: newReader(opts), unit: unit, table: t}
	defer s.reader.Close()
	size := opts.Units[unit].MaxRegisters
	if t.Bits() {
		size = opts.Units[unit].MaxBits
	}
	if most := t.most(); size <= 0 || size > most {
		size = most
	}
	for at := int(first); at <= int(last); at += size {
		if err := s.block(at, min(size, int(last)-at+1)); err != nil {
			return s.found, err
		}
	}
	return s.found, nil
}

// most is the most items of the table that one request can read.
func (t Table) most() int {
	if t.Bits() {
		return maxBits
	}
	return maxRegisters
}

type surveyor struct {
	ctx    context.Context
	opts   Options
	reader *reader
	unit   uint8
	table  Table
	found  []Register
}

// block reads count items from start. Forbidden addresses are never asked for.
func (s *surveyor) block(start, count int) error {
	if s.forbidden(start, count) {
		if count == 1 {
			s.found = append(s.found, Register{Address: uint16(start), Err: errForbidden})
			return nil
		}
		return s.halves(start, count)
	}
	data, err := s.read(start, count)
	var x Exception
	switch {
	case err == nil:
		s.keep(start, count, data)
	case errors.As(err, &x) && x.splits() && count > 1:
		return s.halves(start, count)
	case faultOf(err) == collector.LinkLost || wire.ReasonOf(err) == wire.Closed || s.ctx.Err() != nil:
		return err
	default:
		for i := range count {
			s.found = append(s.found, Register{Address: uint16(start + i), Err: err})
		}
	}
	return nil
}

var (
	errForbidden = errors.New("must not be read")
	errRange     = errors.New("first address lies after the last")
)

func (s *surveyor) halves(start, count int) error {
	half := count / 2
	if err := s.block(start, half); err != nil {
		return err
	}
	return s.block(start+half, count-half)
}

func (s *surveyor) forbidden(start, count int) bool {
	for _, f := range s.opts.Units[s.unit].Forbidden {
		if f.Table == s.table && start <= int(f.Last) && start+count > int(f.First) {
			return true
		}
	}
	return false
}

// read makes the tries of one request.
func (s *surveyor) read(start, count int) (data []byte, err error) {
	tries := 1 + s.opts.Retries
	for n := 1; ; n++ {
		if err = s.reader.Connect(s.ctx); err == nil {
			data, err = s.reader.read(s.unit, s.table, uint16(start), uint16(count))
		}
		var x Exception
		if err == nil {
			return data, nil
		}
		if n == tries || errors.As(err, &x) || s.ctx.Err() != nil || wire.ReasonOf(err) == wire.Unreachable {
			return nil, &RequestError{
				Link: s.opts.Name, Unit: s.unit, Table: s.table, Start: uint16(start), Count: uint16(count),
				Tries: n, Timeout: s.opts.Timeout, Err: err,
			}
		}
	}
}

func (s *surveyor) keep(start, count int, data []byte) {
	for i := range count {
		r := Register{Address: uint16(start + i)}
		if s.table.Bits() {
			r.Value = uint16(data[i/8] >> (i % 8) & 1)
		} else {
			r.Value = binary.BigEndian.Uint16(data[2*i:])
		}
		s.found = append(s.found, r)
	}
}

// View is some registers read as one type in one order.
type View struct {
	Type  Type
	Order Order
	Raw   float64
	Text  string // of a Text
	Fault collector.Fault
}

// Views returns what the registers, given as a survey read them, hold in each
// type that they suffice for, in each order that makes a difference. Text takes
// all of them.
func Views(registers []uint16) []View {
	data := make([]byte, 2*len(registers))
	for i, v := range registers {
		binary.BigEndian.PutUint16(data[2*i:], v)
	}
	var out []View
	for t := Int16; t <= Text; t++ {
		a := Address{Table: HoldingRegisters, Type: t, Length: uint16(len(registers))}
		if int(a.Count()) > len(registers) || len(registers) == 0 {
			continue
		}
		for _, o := range t.orders() {
			a.Order = o
			raw, text, fault := Decode(a, data)
			out = append(out, View{t, o, raw, text, fault})
		}
	}
	return out
}

// orders returns the orders that tell apart values of the type: in one register, and in text, words cannot change places.
func (t Type) orders() []Order {
	if t.registers() < 2 {
		return []Order{ABCD, BADC}
	}
	return []Order{ABCD, CDAB, BADC, DCBA}
}

// String returns address and value, or why there is none.
func (r Register) String() string {
	if r.Err != nil {
		return fmt.Sprintf("%d: %v", r.Address, r.Err)
	}
	return fmt.Sprintf("%d: %d (0x%04X)", r.Address, r.Value, r.Value)
}
