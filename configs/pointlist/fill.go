package pointlist

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"

	"roundsman/collector/modbus"
	"roundsman/collector/units"
)

// fill settles name, address, type and meaning of a point. A point that cannot be read gets no keys.
func (d *Draft) fill(p *point, taken *names) {
	if readable := d.access(p); !readable {
		return
	}
	if p.name == "" {
		p.name = fmt.Sprintf("register.%d", p.address.start)
		d.on(p, colName, "no name is left in plain letters: it is called %s", p.name)
	}
	name, doubt := taken.take(p.name, p.row.line)
	p.name = name
	if doubt != "" {
		d.on(p, colName, "%s", doubt)
	}
	p.device = p.row.get(colDevice)
	d.unitID(p)
	v := d.typeOf(p)
	d.place(p, v)
	if p.Start > 65535-p.Count()+1 || p.address.start < 0 || p.address.start > 65535 {
		d.on(p, colAddress, "address %d does not exist: 0 to 65535 on the wire; the row was left out", p.address.start)
		return
	}
	p.keys = append(p.keys, "link: "+d.opts.Link, fmt.Sprintf("unit-id: %d", p.Unit), fmt.Sprintf("%s: %d", p.Table, p.Start))
	p.keys = append(p.keys, p.typeKeys()...)
	if p.Type != modbus.Text && p.Type != modbus.Bool && p.Type != modbus.Bit {
		d.meaning(p)
	}
	d.every(p)
	p.describe()
}

// access reports whether the point can be read.
func (d *Draft) access(p *point) bool {
	switch letters(p.row.get(colAccess)) {
	case "w", "wo", "write", "writeonly":
		d.on(p, colAccess, "it can only be written, and Roundsman only reads: the row was left out")
		return false
	}
	return true
}

func (d *Draft) unitID(p *point) {
	p.Unit = d.opts.Unit
	text := p.row.get(colUnitID)
	_, has := d.list.heads[colUnitID]
	if text == "" {
		if has {
			d.on(p, colUnitID, "no unit id: %d is taken", p.Unit)
		}
		return
	}
	n, err := strconv.Atoi(strings.TrimSpace(strings.TrimSuffix(text, ".0")))
	switch serial := strings.HasPrefix(d.opts.Modbus, "rtu://"); {
	case err != nil || n < 0 || n > 255:
		d.on(p, colUnitID, "%q is no unit id (0 to 255): %d is taken", text, p.Unit)
	case serial && (n == 0 || n > 247):
		d.on(p, colUnitID, "unit id %d cannot be on a serial line (1 to 247): %d is taken", n, p.Unit)
	default:
		p.Unit = uint8(n)
	}
}

// typeOf reads the type with its order, bit and length.
func (d *Draft) typeOf(p *point) valueType {
	text := p.row.get(colType)
	v, ok := parseType(text)
	switch {
	case text == "":
		v = valueType{typ: modbus.Uint16, bit: -1}
		if p.address.table.Bits() {
			v.typ = modbus.Bool
		} else if _, has := d.list.heads[colType]; has && p.address.bit < 0 && p.row.get(colBit) == "" {
			d.on(p, colType, "no type: uint16 is taken")
		}
	case !ok:
		d.on(p, colType, "the type %q is not known: uint16 is taken", text)
		v = valueType{typ: modbus.Uint16, bit: -1}
	case v.doubt != "":
		d.on(p, colType, "%s", v.doubt)
	}
	d.bitOf(p, &v)
	d.lengthOf(p, &v)
	return v
}

// bitOf finds which bit of a register a point is.
func (d *Draft) bitOf(p *point, v *valueType) {
	a := &p.address
	if text := p.row.get(colBit); text != "" && v.bit < 0 {
		n, err := strconv.Atoi(strings.TrimPrefix(strings.ToLower(text), "bit"))
		if err == nil && n >= 0 && n < 16 {
			v.bit = n
		} else {
			d.on(p, colBit, "%q is no bit (0 to 15)", text)
		}
	}
	if a.bit >= 0 && v.bit < 0 && !(a.fraction && v.typ != modbus.Bool && v.typ != modbus.Bit) {
		v.bit = a.bit
	}
	if v.bit >= 0 && !a.table.Bits() {
		v.typ = modbus.Bit
	}
}

// lengthOf compares the registers that the list counts with those of the type.
func (d *Draft) lengthOf(p *point, v *valueType) {
	n, at := 0, colLength
	if text := p.row.get(colLength); text != "" {
		f, err := parseNumber(text)
		if n = int(f); err != nil || n < 1 || n > 125 || float64(n) != f {
			d.on(p, colLength, "%q is no number of registers (1 to 125)", text)
			n = 0
		}
	} else if a := &p.address; a.last > 0 {
		n, at = a.last-a.start+1, colAddress
	}
	own := int(modbus.Address{Table: modbus.HoldingRegisters, Type: v.typ, Length: uint16(v.length)}.Count())
	switch {
	case v.typ == modbus.Text:
		d.textLength(p, v, n)
	case n == 0 || n == own || v.typ == modbus.Bool || v.typ == modbus.Bit:
	default:
		wide := map[modbus.Type]map[int]modbus.Type{
			modbus.Int16: {2: modbus.Int32, 4: modbus.Int64}, modbus.Uint16: {2: modbus.Uint32, 4: modbus.Uint64}, modbus.Float32: {4: modbus.Float64},
			modbus.Uint32: {1: modbus.Uint16, 4: modbus.Uint64}, modbus.Int32: {1: modbus.Int16, 4: modbus.Int64}, modbus.BCD16: {2: modbus.BCD32},
		}[v.typ]
		to, ok := wide[n]
		if !ok {
			d.on(p, at, "%d registers do not fit the type %s, which has %d: the type is taken", n, v.typ, own)
			return
		}
		d.on(p, at, "%d registers do not fit the type %s: %s is taken", n, cmp.Or(p.row.get(colType), v.typ.String()), to)
		v.typ = to
	}
}

func (d *Draft) textLength(p *point, v *valueType, n int) {
	switch {
	case v.length == 0 && n > 0:
		v.length = n
		d.on(p, colLength, "%d is taken for the registers of the text, of two letters each", n)
	case v.length == 0:
		v.length = 8
		d.on(p, colType, "how long is the text? 8 registers are taken")
	}
}

// place settles table, start and order.
func (d *Draft) place(p *point, v valueType) {
	a := &p.address
	if a.table == 0 {
		a.table = modbus.HoldingRegisters
		if v.typ == modbus.Bool {
			a.table = modbus.Coils
		}
		d.on(p, colAddress, "neither the address nor a column tells the table: %s is taken", a.table)
	}
	if a.table.Bits() && v.typ != modbus.Bool {
		if p.row.get(colType) != "" || v.bit >= 0 {
			d.on(p, colType, "a %s holds one bit: its type is bool", a.table)
		}
		v.typ = modbus.Bool
	}
	p.Table, p.Start, p.Type, p.Order, p.Length = a.table, uint16(min(max(a.start, 0), 65535)), v.typ, v.order, uint16(v.length)
	if v.bit >= 0 && v.typ == modbus.Bit {
		p.Bit = uint8(v.bit)
	}
	d.orderOf(p, v)
}

func (d *Draft) orderOf(p *point, v valueType) {
	said := v.ordered
	if text := p.row.get(colOrder); text != "" {
		o, doubt, ok := parseOrder(text)
		switch {
		case !ok:
			d.on(p, colOrder, "the order %q is not known", text)
		case said && o != p.Order:
			d.on(p, colOrder, "%s contradicts the type %q: %s is taken", text, p.row.get(colType), o)
		}
		if doubt != "" {
			d.on(p, colOrder, "%s", doubt)
		}
		if ok {
			p.Order, said = o, true
		}
	}
	if p.Count() > 1 && p.Type != modbus.Text && !said {
		d.on(p, colType, "the order of the words is not said: ABCD is taken; survey with --expect tells")
	}
}

// typeKeys returns type, order, bit and length as keys of the site file.
func (p *point) typeKeys() []string {
	var out []string
	if !p.Table.Bits() {
		out = append(out, "type: "+p.Type.String())
	}
	if p.Order != modbus.ABCD {
		out = append(out, "order: "+p.Order.String())
	}
	switch p.Type {
	case modbus.Bit:
		out = append(out, fmt.Sprintf("bit: %d", p.Bit))
	case modbus.Text:
		out = append(out, fmt.Sprintf("length: %d", p.Length))
	}
	return out
}

// every reads the interval; a bare number is in the unit of its heading, else in seconds.
func (d *Draft) every(p *point) {
	text := p.row.get(colEvery)
	if text == "" {
		if d.opts.Every != "" {
			p.keys = append(p.keys, "every: "+d.opts.Every)
		}
		return
	}
	if n, err := parseNumber(text); err == nil {
		unit := "s"
		if h := d.list.heads[colEvery]; strings.Contains(letters(h.text)+h.note, "ms") || n >= 500 {
			unit = "ms"
		}
		text = strconv.FormatFloat(n, 'g', -1, 64) + unit
	}
	dur, err := units.ParseDuration(text)
	if err != nil || dur <= 0 {
		d.on(p, colEvery, "%q is no interval such as 1s: that of the site file's default stands", text)
		return
	}
	p.keys = append(p.keys, "every: "+text)
}

// describe keeps what the list says beside the name, for the comment.
func (p *point) describe() {
	var words []string
	for _, c := range []column{colDevice, colName, colDescription} {
		if w := p.row.get(c); w != "" {
			words = append(words, oneLine(w))
		}
	}
	p.words = strings.Join(words, ", ")
}

// oneLine keeps what stands in a comment on its line.
func oneLine(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(c rune) bool {
		return c < ' ' || c == '\u0085' || c == '\u2028' || c == '\u2029' || c == 0x7f || c == '\ufeff'
	}), " ")
}

func number(v float64) string {
	if v == math.Trunc(v) && math.Abs(v) < 1e15 {
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}
