package main

import (
	"testing"

	"roundsman/collector/modbus"
)

// The registers of 0x0123456789ABCDEF in each order, computed by Python's struct; beyond 2^53 a float64 would lose digits.
func TestAssemble(t *testing.T) {
	for order, regs := range map[modbus.Order][]uint16{
		modbus.ABCD: {0x0123, 0x4567, 0x89AB, 0xCDEF},
		modbus.CDAB: {0xCDEF, 0x89AB, 0x4567, 0x0123},
		modbus.BADC: {0x2301, 0x6745, 0xAB89, 0xEFCD},
		modbus.DCBA: {0xEFCD, 0xAB89, 0x6745, 0x2301},
	} {
		if got := assemble(regs, order); got != 0x0123456789ABCDEF {
			t.Errorf("%v: %X", order, got)
		}
	}
}

func TestLetters(t *testing.T) {
	for _, tt := range []struct {
		register uint16
		order    modbus.Order
		want     string
	}{{0x5052, modbus.ABCD, "PR"}, {0x5052, modbus.BADC, "RP"}, {0x0041, modbus.ABCD, ".A"}, {0xFF7F, modbus.ABCD, ".."}} {
		if got := letters(tt.register, tt.order); got != tt.want {
			t.Errorf("%04X %v: %q, want %q", tt.register, tt.order, got, tt.want)
		}
	}
}

// A technician's gauge says 7.8 bar: among the first three guesses must be the register that holds it (tenths, hundredths,
// or a float with swapped words: 7.8 is 40F9 999A by IEEE 754).
func TestGuesses(t *testing.T) {
	regs := func(values ...uint16) []modbus.Register {
		var out []modbus.Register
		for i, v := range values {
			out = append(out, modbus.Register{Address: uint16(10 + i), Value: v})
		}
		return out
	}
	for _, tt := range []struct {
		name    string
		found   []modbus.Register
		address uint16
		typ     modbus.Type
		order   modbus.Order
		factor  float64
	}{
		{"hundredths", regs(3, 780, 12, 9000), 11, modbus.Uint16, modbus.ABCD, 0.01},
		{"float", regs(3, 0x40F9, 0x999A, 7), 11, modbus.Float32, modbus.ABCD, 1},
		{"float, words swapped", regs(3, 0x999A, 0x40F9, 7), 11, modbus.Float32, modbus.CDAB, 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			gs := guesses(tt.found, 7.8)
			for _, g := range gs[:min(3, len(gs))] {
				if g.address == tt.address && g.view.Type == tt.typ && g.view.Order == tt.order && g.factor == tt.factor {
					return
				}
			}
			t.Errorf("not among the first three of %+v", gs)
		})
	}
}
