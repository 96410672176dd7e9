package pointlist

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"roundsman/collector/modbus"
)

// address is where a point lies, as far as its text tells.
type address struct {
	table    modbus.Table // 0: not said
	start    int
	bit      int // -1: none
	last     int // of 'A-B'; -1: none
	style    style
	doubt    string
	fraction bool // what looks like a bit is written as '.0'
}

// style says how an address is counted.
type style uint8

const (
	bare      style = iota // a number: counted from 0 or from 1
	reference              // 40011: counted from 1 (MODBUS Application Protocol V1.1b3, 4.4)
	wire                   // counted from 0 for sure: hexadecimal, or %MW of a controller
)

var (
	plainForm  = regexp.MustCompile(`^(\d+)(?:\s*(?:-|–|\.\.|to|,|/)\s*(\d+))?$`)
	bitForm    = regexp.MustCompile(`^(.*?)\s*(?:[.:/]\s*(?:bit|x|b)?\s*|\s+bit\s*)(\d{1,2})$`)
	hexForm    = regexp.MustCompile(`^(?:0x|&h|16#|\$)([0-9a-f]+)$|^([0-9][0-9a-f]*)h$`)
	prefixForm = regexp.MustCompile(`^([0134])x\s*(\d+)$|^([0134])[:_ ](\d+)$`)
	wordForm   = regexp.MustCompile(`^(hr|ir|di|co|coil|holding|input|discrete|hreg|ireg)[\s_:]*(?:register)?[\s_:]*(\d+)$`)
	plcForm    = regexp.MustCompile(`^%?(mw|md|mf|mx|m|iw|qw|ix|qx)(\d+)$`)
)

var tableOfDigit = map[string]modbus.Table{"0": modbus.Coils, "1": modbus.DiscreteInputs, "3": modbus.InputRegisters, "4": modbus.HoldingRegisters}

var tableOfPrefix = map[string]modbus.Table{"hr": modbus.HoldingRegisters, "holding": modbus.HoldingRegisters, "hreg": modbus.HoldingRegisters,
	"ir": modbus.InputRegisters, "input": modbus.InputRegisters, "ireg": modbus.InputRegisters,
	"di": modbus.DiscreteInputs, "discrete": modbus.DiscreteInputs, "co": modbus.Coils, "coil": modbus.Coils}

// parseAddress reads an address in the forms that lists have.
func parseAddress(text string) (address, error) {
	s := strings.ToLower(strings.TrimSpace(text))
	a := address{bit: -1, last: -1}
	if err := a.whole(s); err == nil {
		return a, nil
	}
	if m := bitForm.FindStringSubmatch(s); m != nil {
		a = address{bit: -1, last: -1}
		if err := a.whole(strings.TrimSpace(m[1])); err == nil {
			a.bit, _ = strconv.Atoi(m[2])
			a.fraction = m[2] == "0" && strings.HasSuffix(s, ".0")
			if a.bit > 15 {
				return a, fmt.Errorf("%q: bit %d: a register has the bits 0 to 15", text, a.bit)
			}
			return a, nil
		}
	}
	return a, fmt.Errorf("%q is no address such as 10, 40011, 0x0A, 4x0011, HR10 or 40011.3", text)
}

// whole reads an address without a bit.
func (a *address) whole(s string) error {
	if m := plainForm.FindStringSubmatch(s); m != nil {
		return a.decimal(m[1], m[2])
	}
	if m := hexForm.FindStringSubmatch(s); m != nil {
		return a.number(m[1]+m[2], 16, wire)
	}
	if m := prefixForm.FindStringSubmatch(s); m != nil {
		a.table = tableOfDigit[m[1]+m[3]]
		return a.number(m[2]+m[4], 10, reference)
	}
	if m := wordForm.FindStringSubmatch(s); m != nil {
		a.table = tableOfPrefix[m[1]]
		return a.number(m[2], 10, bare)
	}
	if m := plcForm.FindStringSubmatch(s); m != nil {
		return a.controller(m[1], m[2])
	}
	return strconv.ErrSyntax
}

func (a *address) number(digits string, base int, st style) error {
	n, err := strconv.ParseUint(digits, base, 17)
	a.start, a.style = int(n), st
	return err
}

// decimal reads a number, or two of a stretch. Five or six digits that begin with 0, 1, 3 or 4 are a reference.
func (a *address) decimal(first, last string) error {
	a.read(first)
	if a.start < 0 {
		return strconv.ErrRange
	}
	if last != "" {
		b := address{}
		if b.read(last); b.style != a.style || b.start < a.start {
			return strconv.ErrSyntax
		}
		a.last = b.start
	}
	return nil
}

// read takes digits; start is -1 for what no register can have.
func (a *address) read(digits string) {
	if t, ok := tableOfDigit[digits[:1]]; ok && (len(digits) == 5 || len(digits) == 6) {
		a.table, a.style = t, reference
		a.start, _ = strconv.Atoi(digits[1:])
	} else if n, err := strconv.Atoi(digits); err == nil {
		a.style, a.start = bare, n
	} else {
		a.start = -1
	}
	if a.start > 1<<16 {
		a.start = -1
	}
}

// controller reads a variable of a controller (IEC 61131-3), which most controllers put at the address of its number.
func (a *address) controller(area, digits string) error {
	t := modbus.HoldingRegisters
	switch area {
	case "m", "mx", "qx":
		t = modbus.Coils
	case "ix":
		t = modbus.DiscreteInputs
	case "iw":
		t = modbus.InputRegisters
	}
	a.table = t
	a.doubt = fmt.Sprintf("%%%s%s is the controller's own name: it is taken for %s %s, which its Modbus map may put elsewhere", strings.ToUpper(area), digits, t, digits)
	err := a.number(digits, 10, wire)
	if area == "md" || area == "mf" {
		a.doubt += "; some controllers count double words here"
	}
	return err
}

// tableWords are the words of table columns.
var tableWords = map[string]modbus.Table{
	"holding": modbus.HoldingRegisters, "holdingregister": modbus.HoldingRegisters, "holdingregisters": modbus.HoldingRegisters, "hr": modbus.HoldingRegisters, "4x": modbus.HoldingRegisters,
	"4xxxx": modbus.HoldingRegisters, "3": modbus.HoldingRegisters, "03": modbus.HoldingRegisters, "fc3": modbus.HoldingRegisters, "fc03": modbus.HoldingRegisters, "0x03": modbus.HoldingRegisters,
	"readholdingregisters": modbus.HoldingRegisters, "hreg": modbus.HoldingRegisters, "ao": modbus.HoldingRegisters, "036": modbus.HoldingRegisters, "0316": modbus.HoldingRegisters, "03616": modbus.HoldingRegisters, "030616": modbus.HoldingRegisters,
	"input": modbus.InputRegisters, "inputregister": modbus.InputRegisters, "inputregisters": modbus.InputRegisters, "ir": modbus.InputRegisters, "3x": modbus.InputRegisters,
	"3xxxx": modbus.InputRegisters, "4": modbus.InputRegisters, "04": modbus.InputRegisters, "fc4": modbus.InputRegisters, "fc04": modbus.InputRegisters, "0x04": modbus.InputRegisters,
	"readinputregisters": modbus.InputRegisters, "ireg": modbus.InputRegisters, "ai": modbus.InputRegisters, "analoginput": modbus.InputRegisters,
	"coil": modbus.Coils, "coils": modbus.Coils, "co": modbus.Coils, "0x": modbus.Coils, "0xxxx": modbus.Coils, "1": modbus.Coils, "01": modbus.Coils, "fc1": modbus.Coils, "fc01": modbus.Coils,
	"0x01": modbus.Coils, "readcoils": modbus.Coils, "do": modbus.Coils, "digitaloutput": modbus.Coils, "outputcoil": modbus.Coils,
	"discrete": modbus.DiscreteInputs, "discreteinput": modbus.DiscreteInputs, "discreteinputs": modbus.DiscreteInputs, "di": modbus.DiscreteInputs, "1x": modbus.DiscreteInputs,
	"1xxxx": modbus.DiscreteInputs, "2": modbus.DiscreteInputs, "02": modbus.DiscreteInputs, "fc2": modbus.DiscreteInputs, "fc02": modbus.DiscreteInputs, "0x02": modbus.DiscreteInputs,
	"readdiscreteinputs": modbus.DiscreteInputs, "digitalinput": modbus.DiscreteInputs, "inputstatus": modbus.DiscreteInputs,
}

// parseTable reads a table or a function code, whose number in brackets may follow: 'Holding (03)'.
func parseTable(text string) (modbus.Table, bool) {
	head, _ := plain(text)
	t, ok := tableWords[head]
	if !ok {
		t, ok = tableWords[letters(text)]
	}
	return t, ok
}
