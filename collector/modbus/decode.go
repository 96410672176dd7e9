package modbus

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"

	"roundsman/collector"
)

var typeWords = [...]string{
	"bool", "bit", "int16", "int32", "int64", "uint16", "uint32", "uint64",
	"float32", "float64", "bcd16", "bcd32", "text",
}

// String returns the type's word in the site file.
func (t Type) String() string {
	if int(t) < len(typeWords) {
		return typeWords[t]
	}
	return "unknown"
}

var orderWords = [...]string{"ABCD", "CDAB", "BADC", "DCBA"}

// String returns the order's letters.
func (o Order) String() string {
	if int(o) < len(orderWords) {
		return orderWords[o]
	}
	return "unknown"
}

// registers returns how many registers a value of the type fills; 0 for Text, whose address says so.
func (t Type) registers() uint16 {
	switch t {
	case Int32, Uint32, Float32, BCD32:
		return 2
	case Int64, Uint64, Float64:
		return 4
	case Text:
		return 0
	}
	return 1
}

// Count returns the number of registers, or of coils or inputs, that the value fills.
func (a Address) Count() uint16 {
	if a.Type == Text {
		return a.Length
	}
	return a.Type.registers()
}

// String returns table and addresses: 'holding 10-11'.
func (a Address) String() string { return place(a.Table, a.Start, a.Count()) }

// place returns table and addresses in words.
func place(t Table, start, count uint16) string {
	if count <= 1 {
		return fmt.Sprintf("%v %d", t, start)
	}
	return fmt.Sprintf("%v %d-%d", t, start, int(start)+int(count)-1)
}

// check returns what makes the address unreadable, "" if nothing does.
func (a Address) check() string {
	switch {
	case a.Table < Coils || a.Table > InputRegisters:
		return "no such table"
	case a.Type > Text:
		return "no such type"
	case a.Order > DCBA:
		return "no such order"
	case a.Table.Bits() && a.Type != Bool:
		return fmt.Sprintf("a %v is one bit, not a %v", a.Table, a.Type)
	case a.Type == Bit && a.Bit > 15:
		return fmt.Sprintf("bit %d: a register has bits 0 to 15", a.Bit)
	case a.Type == Text && (a.Length == 0 || a.Length > maxRegisters):
		return fmt.Sprintf("text of %d registers: 1 to %d can be read", a.Length, maxRegisters)
	case int(a.Start)+int(a.Count()) > 1<<16:
		return fmt.Sprintf("%v: runs past address 65535", a)
	}
	return ""
}

// Most items of one request (AP 6.1 to 6.4).
const (
	maxRegisters = 125
	maxBits      = 2000
)

// Decode returns the value at the address from its bytes as they came: two for
// each register, high byte first; for a coil or input one, 0 or 1. text is set
// for Text only.
//
// A 64-bit integer beyond 2^53 loses its lowest digits: a reading is a float64.
// NaN and infinities are returned as they are. fault is BadDigits for a BCD
// nibble above nine, WrongReply when data is too short for the type.
func Decode(a Address, data []byte) (raw float64, text string, fault collector.Fault) {
	if a.Table.Bits() {
		if len(data) < 1 {
			return 0, "", collector.WrongReply
		}
		return truth(data[0] != 0), "", collector.NoFault
	}
	n := 2 * int(a.Count())
	if n == 0 || len(data) < n {
		return 0, "", collector.WrongReply
	}
	data = data[:n]
	if a.Type == Text {
		return 0, words(data, a.Order), collector.NoFault
	}
	raw, ok := number(a, ordered(data, a.Order))
	if !ok {
		return 0, "", collector.BadDigits
	}
	return raw, "", collector.NoFault
}

// ordered puts two, four or eight bytes into their order: A most significant.
func ordered(data []byte, o Order) uint64 {
	var v uint64
	swapBytes, swapWords := o == BADC || o == DCBA, o == CDAB || o == DCBA
	words := len(data) / 2
	for i := range words {
		at := i
		if swapWords {
			at = words - 1 - i
		}
		w := binary.BigEndian.Uint16(data[2*at:])
		if swapBytes {
			w = w>>8 | w<<8
		}
		v = v<<16 | uint64(w)
	}
	return v
}

// number gives the bits their meaning; not ok for a BCD digit above nine.
func number(a Address, v uint64) (raw float64, ok bool) {
	switch a.Type {
	case Bool:
		return truth(v != 0), true
	case Bit:
		return truth(v>>a.Bit&1 != 0), true
	case Int16:
		return float64(int16(v)), true
	case Int32:
		return float64(int32(v)), true
	case Int64:
		return float64(int64(v)), true
	case Float32:
		return float64(math.Float32frombits(uint32(v))), true
	case Float64:
		return math.Float64frombits(v), true
	case BCD16:
		return decimal(v, 4)
	case BCD32:
		return decimal(v, 8)
	}
	return float64(v), true
}

// decimal reads one decimal digit a nibble.
func decimal(v uint64, digits int) (float64, bool) {
	var n uint64
	for i := digits - 1; i >= 0; i-- {
		d := v >> (4 * i) & 0xF
		if d > 9 {
			return 0, false
		}
		n = 10*n + d
	}
	return float64(n), true
}

func truth(v bool) float64 {
	if v {
		return 1
	}
	return 0
}

// words reads two characters a register up to the first NUL and cuts trailing
// blanks. BADC and DCBA swap the characters of each register. Bytes that are
// no UTF-8, and control characters, become U+FFFD.
func words(data []byte, o Order) string {
	b := make([]byte, len(data))
	copy(b, data)
	if o == BADC || o == DCBA {
		for i := 0; i+1 < len(b); i += 2 {
			b[i], b[i+1] = b[i+1], b[i]
		}
	}
	for i, c := range b {
		if c == 0 {
			b = b[:i]
			break
		}
	}
	s := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return utf8.RuneError
		}
		return r
	}, string(b))
	return strings.TrimRight(s, " ")
}
