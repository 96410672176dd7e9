package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"roundsman/collector"
	"roundsman/collector/modbus"
)

// surveyLine is one address as 'survey --json' prints it.
type surveyLine struct {
	Table   string       `json:"table"`
	Address uint16       `json:"address"`
	Value   *uint16      `json:"value"`
	Error   string       `json:"error,omitempty"`
	Views   []surveyView `json:"views,omitempty"`
}

type surveyView struct {
	Type  string   `json:"type"`
	Order string   `json:"order"`
	Value *float64 `json:"value"`
	Text  string   `json:"text,omitempty"`
}

func surveyLines(table modbus.Table, found []modbus.Register) []surveyLine {
	out := make([]surveyLine, len(found))
	for i, r := range found {
		out[i] = surveyLine{Table: table.String(), Address: r.Address}
		if r.Err != nil {
			out[i].Error = r.Err.Error()
			continue
		}
		out[i].Value = &found[i].Value
		if table.Bits() {
			continue
		}
		for _, v := range modbus.Views(from(found, i)) {
			sv := surveyView{Type: v.Type.String(), Order: v.Order.String(), Text: v.Text}
			if v.Fault == collector.NoFault && !math.IsNaN(v.Raw) && !math.IsInf(v.Raw, 0) {
				sv.Value = &v.Raw
			}
			out[i].Views = append(out[i].Views, sv)
		}
	}
	return out
}

// from returns the registers that were read without a gap from index i, at most four.
func from(found []modbus.Register, i int) []uint16 {
	var out []uint16
	for _, r := range found[i:min(len(found), i+4)] {
		if r.Err != nil {
			break
		}
		out = append(out, r.Value)
	}
	return out
}

func writeBits(w io.Writer, found []modbus.Register) error {
	t := table{head: []string{right("address"), "value"}}
	for _, r := range found {
		if r.Err == nil {
			t.add(right(fmt.Sprint(r.Address)), map[uint16]string{0: "off", 1: "on"}[r.Value])
		}
	}
	if err := t.write(w); err != nil {
		return err
	}
	return writeRefusals(w, found)
}

// widths are the tables a survey prints: the types of one width side by side.
var widths = []struct {
	registers int
	types     []modbus.Type
}{
	{1, []modbus.Type{modbus.Uint16, modbus.Int16, modbus.BCD16}},
	{2, []modbus.Type{modbus.Uint32, modbus.Int32, modbus.Float32, modbus.BCD32}},
	{4, []modbus.Type{modbus.Uint64, modbus.Int64, modbus.Float64}},
}

func writeRegisters(w io.Writer, kind modbus.Table, found []modbus.Register, near map[mark]string) error {
	for _, width := range widths {
		t := table{head: []string{right("address"), right("reference"), "hex", "order"}}
		for _, ty := range width.types {
			t.head = append(t.head, right(ty.String()))
		}
		if width.registers == 1 {
			t.head = append(t.head, "text")
		}
		t.head = append(t.head, "")
		for i, r := range found {
			regs := from(found, i)
			if len(regs) >= width.registers {
				addViews(&t, kind, r.Address, regs, width.registers, width.types, near)
			}
		}
		if len(t.rows) == 0 {
			continue
		}
		fmt.Fprintf(w, "\n%d bits\n", 16*width.registers)
		if err := t.write(w); err != nil {
			return err
		}
	}
	return writeRefusals(w, found)
}

// refusal is a stretch of addresses that could not be read for one reason.
type refusal struct {
	first uint16
	count int
	err   error
}

func refusals(found []modbus.Register) []refusal {
	var out []refusal
	for i, r := range found {
		switch {
		case r.Err == nil:
		case i > 0 && found[i-1].Err != nil && found[i-1].Err.Error() == r.Err.Error():
			out[len(out)-1].count++
		default:
			out = append(out, refusal{r.Address, 1, r.Err})
		}
	}
	return out
}

// writeRefusals prints what could not be read, below what could.
func writeRefusals(w io.Writer, found []modbus.Register) error {
	refused := refusals(found)
	if len(refused) == 0 {
		return nil
	}
	fmt.Fprintln(w)
	t := table{head: []string{"not read", "reason"}}
	for _, r := range refused {
		stretch := fmt.Sprint(r.first)
		if r.count > 1 {
			stretch += fmt.Sprintf("-%d", int(r.first)+r.count-1)
		}
		t.add(stretch, r.err.Error())
	}
	return t.write(w)
}

// addViews adds one row an order; only the first row repeats address and bytes.
func addViews(t *table, kind modbus.Table, address uint16, regs []uint16, width int, types []modbus.Type, near map[mark]string) {
	cells := map[modbus.Order]map[modbus.Type]string{}
	for _, v := range modbus.Views(regs) {
		if cells[v.Order] == nil {
			cells[v.Order] = map[modbus.Type]string{}
		}
		cells[v.Order][v.Type] = viewText(v)
		if width == 4 {
			whole := assemble(regs[:4], v.Order) // a float64 would lose digits beyond 2^53
			cells[v.Order][modbus.Uint64] = strconv.FormatUint(whole, 10)
			cells[v.Order][modbus.Int64] = strconv.FormatInt(int64(whole), 10)
		}
	}
	var hex strings.Builder
	for _, r := range regs[:width] {
		fmt.Fprintf(&hex, "%04X ", r)
	}
	head := []string{right(fmt.Sprint(address)), right(reference(kind, address)), strings.TrimSpace(hex.String())}
	for _, o := range []modbus.Order{modbus.ABCD, modbus.CDAB, modbus.BADC, modbus.DCBA} {
		if width == 1 && (o == modbus.CDAB || o == modbus.DCBA) {
			continue // a single register has no word order
		}
		row := append(slices.Clone(head), o.String())
		for _, ty := range types {
			row = append(row, right(cells[o][ty]))
		}
		if width == 1 {
			row = append(row, letters(regs[0], o))
		}
		row = append(row, near[mark{address, width, o}])
		t.add(row...)
		head = []string{"", "", ""}
	}
}

// letters shows a register as two characters, a dot for each that cannot be printed.
func letters(r uint16, o modbus.Order) string {
	if o == modbus.BADC {
		r = r<<8 | r>>8
	}
	out := []byte{byte(r >> 8), byte(r)}
	for i, c := range out {
		if c < ' ' || c > '~' {
			out[i] = '.'
		}
	}
	return string(out)
}

// assemble puts four registers together in an order.
func assemble(regs []uint16, o modbus.Order) (whole uint64) {
	for i := range regs {
		r := regs[i]
		if o == modbus.CDAB || o == modbus.DCBA {
			r = regs[len(regs)-1-i]
		}
		if o == modbus.BADC || o == modbus.DCBA {
			r = r<<8 | r>>8
		}
		whole = whole<<16 | uint64(r)
	}
	return whole
}

func viewText(v modbus.View) string {
	if v.Fault != collector.NoFault {
		return "-"
	}
	switch v.Type {
	case modbus.Float32:
		return strconv.FormatFloat(v.Raw, 'g', 7, 64)
	case modbus.Float64:
		return strconv.FormatFloat(v.Raw, 'g', 12, 64)
	}
	return strconv.FormatFloat(v.Raw, 'f', 0, 64)
}

// reference is the traditional name of an address: 40011 for holding register 10 (MODBUS Application Protocol V1.1b3, 4.4).
func reference(kind modbus.Table, address uint16) string {
	digit := map[modbus.Table]int{modbus.HoldingRegisters: 4, modbus.InputRegisters: 3, modbus.DiscreteInputs: 1, modbus.Coils: 0}[kind]
	if address < 9999 {
		return fmt.Sprintf("%d%04d", digit, int(address)+1)
	}
	return fmt.Sprintf("%d%05d", digit, int(address)+1)
}
