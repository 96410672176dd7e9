package main

import (
	"slices"
	"strings"
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

// registers are found from address 10 on.
func registers(values ...uint16) []modbus.Register {
	var out []modbus.Register
	for i, v := range values {
		out = append(out, modbus.Register{Address: uint16(10 + i), Value: v})
	}
	return out
}

// A technician's gauge says 7.8 bar (or 41 degC): among the first three guesses must be the register that holds it, however
// it is scaled. 7.8 is 40F9 999A by IEEE 754; 13478 of 27648 counts over 0-16 bar are 7.7998; 11.8 mA of 4-20 over 0-16 bar are 7.8;
// 780 kPa and 113.13 psi are 7.8 bar (NIST SP 811); -1 as unsigned is 65535.
func TestGuesses(t *testing.T) {
	for _, tt := range []struct {
		name        string
		found       []modbus.Register
		gauge, span string
		want        string // one of the first three
	}{
		{"plain", registers(3, 8, 12, 41), "41 degC", "", "reads 41 degC as int16 or uint16 at 13"},
		{"tenths", registers(3, 78, 12, 9000), "7.8 bar", "", "reads 7.8 bar as int16 or uint16 at 11, a guess: times 0.1 (scale: 0.1 bar)"},
		{"hundredths", registers(3, 780, 12, 9000), "7.8 bar", "", "reads 7.8 bar as int16 or uint16 at 11, a guess: times 0.01 (scale: 0.01 bar)"},
		{"float", registers(3, 0x40F9, 0x999A, 7), "7.8 bar", "", "reads 7.8 bar as float32 ABCD at 11"},
		{"float, words swapped", registers(3, 0x999A, 0x40F9, 7), "7.8 bar", "", "reads 7.8 bar as float32 CDAB at 11"},
		{"float, bytes swapped", registers(3, 0xF940, 0x9A99, 7), "7.8 bar", "", "reads 7.8 bar as float32 BADC at 11"},
		{"float, both", registers(3, 0x9A99, 0xF940, 7), "7.8 bar", "", "reads 7.8 bar as float32 DCBA at 11"},
		{"counts over the range", registers(3, 13478, 12), "7.8 bar", "0-16 bar",
			"reads 7.8 bar as int16 or uint16 at 11, a guess: 27648 counts over the range (scale: {from: [0, 27648], to: [0 bar, 16 bar]})"},
		{"loop in uA", registers(3, 11800, 12), "7.8 bar", "0-16 bar",
			"reads 7.8 bar as int16 or uint16 at 11, a guess: 4-20 mA as uA over the range (signal: 4-20mA, raw-per-mA: 1000, scale: {from: [4000, 20000], to: [0 bar, 16 bar]})"},
		{"kilopascals", registers(3, 0x4443, 0x0000), "7.8 bar", "", "reads 7.8 bar as float32 ABCD at 11, a guess: in kPa"},
		{"psi", registers(3, 0x42E2, 0x428F), "7.8 bar", "", "reads 7.8 bar as float32 ABCD at 11, a guess: in psi"},
		{"below zero", registers(3, 65436, 12), "-10 degC", "", "reads -10 degC as int16 at 11, a guess: times 0.1 (scale: 0.1 degC)"},
		{"negative gauge with a decimal", registers(3, 0xFFFF, 12), "-1 degC", "", "reads -1 degC as int16 at 11"},
		{"counter, words swapped", registers(0x86A0, 0x0001, 3), "100000 L", "", "reads 100000 L as int32 or uint32 CDAB at 10"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			e, err := newExpectation(tt.gauge, tt.span)
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, g := range guesses(tt.found, e) {
				if got = append(got, g.text(e)); len(got) == 3 {
					break
				}
			}
			if !slices.Contains(got, tt.want) {
				t.Errorf("not among the first three:\n%s\nwant %s", strings.Join(got, "\n"), tt.want)
			}
		})
	}
}

// What a gauge does not show is not guessed.
func TestGuessesOfNothing(t *testing.T) {
	e, err := newExpectation("7.8 bar", "")
	if err != nil {
		t.Fatal(err)
	}
	if gs := guesses(registers(1, 0, 5, 60000), e); len(gs) != 0 {
		t.Errorf("guessed %+v", gs)
	}
	for _, bad := range [][2]string{{"7,8 bar", ""}, {"7.8 bra", ""}, {"7.8 bar", "16 bar"}, {"7.8 bar", "0-100 degC"}, {"7.8 bar", "0-16 xyz"}} {
		if _, err := newExpectation(bad[0], bad[1]); err == nil {
			t.Errorf("%q with range %q is taken", bad[0], bad[1])
		}
	}
}
