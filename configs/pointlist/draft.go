package pointlist

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"roundsman/collector/modbus"
	"roundsman/collector/sorting"
)

// Base says from where bare addresses are counted.
type Base uint8

// The bases.
const (
	Undecided Base = iota // by the list itself, zero where it does not tell
	Zero                  // as on the wire
	One                   // the first register is 1
)

// Options are what the list itself cannot tell.
type Options struct {
	Site   string // name of the site; "": one to be replaced
	Zone   string // time zone; "": none is written
	Link   string // name of the link; "": plc
	Modbus string // the link's URL; "": one to be replaced
	Base   Base
	Unit   uint8  // unit id where the list names none; 0: 1
	Every  string // how often; "": not written
}

// Doubt is something the list leaves open, and what was taken for granted.
type Doubt struct {
	File         string
	Line, Column int    // of the list
	Point        string // "" for the whole list
	Text         string
}

// String returns 'list.csv:7:4: air.pressure: unit not known ...'.
func (d Doubt) String() string {
	s := fmt.Sprintf("%s:%d:%d: ", d.File, d.Line, d.Column)
	if d.Point != "" {
		s += d.Point + ": "
	}
	return s + d.Text
}

// Draft is a site file in the making.
type Draft struct {
	Doubts []Doubt // in the order of the list

	list   *List
	opts   Options
	points []*point
	noted  []note
	by     map[*point][]Doubt // nil: of no point
}

// note is a doubt before the points have their last names.
type note struct {
	p *point // nil: of none
	Doubt
}

// point is one row of the list as a point.
type point struct {
	modbus.Address
	row     *row
	name    string
	words   string // what the list says of it beside its name
	keys    []string
	device  string
	address address
	off     bool // written as a comment: 'check' would refuse it
}

// Points returns how many points came of the list.
func (d *Draft) Points() int { return len(d.points) }

// Draft makes a site file of the list.
func (l *List) Draft(opts Options) *Draft {
	opts.Link, opts.Unit = cmp.Or(opts.Link, "plc"), max(opts.Unit, 1)
	d := &Draft{list: l, opts: opts}
	d.ofTheList()
	d.readAddresses()
	d.countAddresses()
	taken := names{first: map[string]int{}}
	for _, p := range d.points {
		d.fill(p, &taken)
	}
	d.points = slices.DeleteFunc(d.points, func(p *point) bool { return len(p.keys) == 0 })
	d.overlaps()
	d.devices()
	d.settle()
	return d
}

// settle brings the doubts in order and gives them the points' last names.
func (d *Draft) settle() {
	kept := map[*point]bool{}
	for _, p := range d.points {
		kept[p] = true
	}
	sorting.StableFunc(d.noted, func(a, b note) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	d.by = map[*point][]Doubt{}
	for _, n := range d.noted {
		of := n.p
		if of != nil {
			n.Point = of.name
		}
		if !kept[of] {
			of = nil
		}
		d.Doubts = append(d.Doubts, n.Doubt)
		d.by[of] = append(d.by[of], n.Doubt)
	}
}

// doubt notes something that stands at a place of the list and belongs to no point.
func (d *Draft) doubt(at place, format string, args ...any) {
	d.noted = append(d.noted, note{nil, Doubt{d.list.name, at.line, at.column, "", fmt.Sprintf(format, args...)}})
}

// on notes a doubt about an entry of a point.
func (d *Draft) on(p *point, c column, format string, args ...any) {
	at := p.row.at(c)
	d.noted = append(d.noted, note{p, Doubt{d.list.name, at.line, at.column, "", fmt.Sprintf(format, args...)}})
}

// ofTheList notes what is open about the whole list and the link.
func (d *Draft) ofTheList() {
	head := place{d.list.line, 1}
	if d.list.taken != "" {
		d.doubt(place{1, 1}, "the file was read as %s: look at the letters of units and names", d.list.taken)
	}
	for _, h := range d.list.extra {
		d.doubt(h.at, "the column %q was left out", h.text)
	}
	for c, what := range map[column]string{
		colUnitID: fmt.Sprintf("no column tells the unit id: %d is taken for every point", d.opts.Unit),
		colType:   "no column tells the type: uint16 is taken for registers, bool for coils and discrete inputs",
		colUnit:   "no column tells the unit: points without one in their scale or range are plain numbers",
	} {
		if _, ok := d.list.heads[c]; !ok {
			d.doubt(head, "%s", what)
		}
	}
	switch url := d.opts.Modbus; {
	case url == "":
		d.doubt(head, "the link's address is not known (--modbus): %s stands in its place", placeholder)
	case strings.HasPrefix(url, "rtu://"):
		d.doubt(head, "baud and parity are not in a register list: 19200 and even are taken; roundsman survey %s --search finds them", url)
	}
}

// placeholder is an address for documentation, where nothing answers (RFC 5737).
const placeholder = "tcp://192.0.2.1:502"

// readAddresses makes a point of each row that has an address.
func (d *Draft) readAddresses() {
	for i := range d.list.rows {
		r := &d.list.rows[i]
		p := &point{row: r, name: pointName(cmp.Or(r.get(colName), r.get(colDescription)))}
		if r.get(colAddress) == "" {
			what := "a row without an address was left out"
			if len(r.cells) == 1 {
				what = "taken for a heading and left out"
			}
			d.on(p, colName, "%s", what)
			continue
		}
		a, err := parseAddress(r.get(colAddress))
		if err != nil {
			d.on(p, colAddress, "%v; the row was left out", err)
			continue
		}
		p.address = a
		if a.doubt != "" {
			d.on(p, colAddress, "%s", a.doubt)
		}
		d.tableOf(p)
		d.points = append(d.points, p)
	}
}

// tableOf finds the table. A number that looks like a reference and contradicts its table column is none.
func (d *Draft) tableOf(p *point) {
	text := p.row.get(colTable)
	if text == "" {
		return
	}
	t, ok := parseTable(text)
	a := &p.address
	switch {
	case !ok:
		d.on(p, colTable, "%q is no table such as holding, input, coil or discrete, and no function code 1 to 4", text)
		return
	case a.table == 0 || a.table == t:
	case a.style == reference && isNumber(p.row.get(colAddress)):
		d.on(p, colAddress, "%s would be a reference of the %s table, and the list says %s: it is taken for the bare address", p.row.get(colAddress), a.table, t)
		a.unreference()
	default:
		d.on(p, colTable, "%s says %s, the address %s says %s: the table column is taken", text, t, p.row.get(colAddress), a.table)
	}
	a.table = t
	if len(text) == 1 && !strings.Contains(letters(d.list.heads[colTable].text), "f") {
		d.on(p, colTable, "%s is taken for the function code (%s); as a first digit it would be another table", text, t)
	}
}

func isNumber(s string) bool { return strings.Trim(s, "0123456789") == "" }

// unreference turns a reference back into the number that was written.
func (a *address) unreference() {
	digit := map[modbus.Table]int{modbus.HoldingRegisters: 4, modbus.InputRegisters: 3, modbus.DiscreteInputs: 1}[a.table]
	shift := func(n int) int { return n + digit*10_000 }
	a.style, a.start = bare, shift(a.start)
	if a.last >= 0 {
		a.last = shift(a.last)
	}
}

// countAddresses turns what is written into addresses on the wire.
func (d *Draft) countAddresses() {
	d.mixed()
	one, fromZero := d.base(), d.fromForty()
	for _, p := range d.points {
		a, off := &p.address, 0
		if a.style == reference && !fromZero || a.style == bare && one {
			off = 1
		}
		a.start -= off
		if a.last >= 0 {
			a.last -= off
		}
	}
}

// mixed decides what a few addresses of another form than most are.
func (d *Draft) mixed() {
	var refs, bares []*point
	for _, p := range d.points {
		switch {
		case p.address.style == bare:
			bares = append(bares, p)
		case p.address.style == reference && isNumber(p.row.get(colAddress)):
			refs = append(refs, p)
		}
	}
	if len(refs) == 0 || len(bares) == 0 {
		return
	}
	if len(refs) > len(bares) {
		for _, p := range bares {
			d.on(p, colAddress, "a bare number among references such as %s: is it counted like them?", refs[0].row.get(colAddress))
		}
		return
	}
	for _, p := range refs {
		if p.row.get(colTable) == "" {
			d.on(p, colAddress, "%s looks like a reference, most addresses here are bare numbers: it is taken for one", p.row.get(colAddress))
			p.address.unreference()
			p.address.table = 0
		}
	}
}

// base reports whether bare addresses are counted from 1.
func (d *Draft) base() (one bool) {
	var bares []*point
	for _, p := range d.points {
		if p.address.style == bare {
			bares = append(bares, p)
		}
	}
	if len(bares) == 0 {
		return d.opts.Base == One
	}
	h := d.list.heads[colAddress]
	word := letters(h.text) + h.note
	zero := slices.IndexFunc(bares, func(p *point) bool { return p.address.start == 0 })
	switch {
	case d.opts.Base == One && zero >= 0:
		d.on(bares[zero], colAddress, "the address 0 is counted from 0: what was asked for (counted from 1) cannot be; all are taken as on the wire")
		return false
	case d.opts.Base != Undecided:
		return d.opts.Base == One
	case zero >= 0, strings.Contains(word, "0based"), strings.Contains(word, "zerobased"), strings.Contains(word, "offset"):
		return false
	case strings.Contains(word, "1based"), strings.Contains(word, "onebased"):
		return true
	}
	d.doubt(h.at, "the addresses are bare numbers and do not tell whether they count from 0 or from 1: they are taken as on the wire, from 0; "+
		"if the first gauge is one register off, import again with --count-from 1")
	return false
}

// fromForty reports whether references are counted from 0 with a 4 in front, which shows where one ends in 0000.
func (d *Draft) fromForty() bool {
	for _, p := range d.points {
		if p.address.style == reference && p.address.start == 0 {
			d.on(p, colAddress, "%s would be before the first register (40001 is address 0): the whole list is taken to count from 0 with the table's digit in front", p.row.get(colAddress))
			return true
		}
	}
	return false
}

// overlaps notes registers that two points lie on. Bits of one register may share it.
func (d *Draft) overlaps() {
	type area struct {
		unit  uint8
		table modbus.Table
	}
	by := map[area][]*point{}
	for _, p := range d.points {
		k := area{p.Unit, p.Table}
		by[k] = append(by[k], p)
	}
	for _, list := range by {
		sorting.StableFunc(list, func(a, b *point) int { return int(a.Start) - int(b.Start) })
		for i, p := range list {
			for _, q := range list[i+1:] {
				if int(q.Start) >= int(p.Start)+int(p.Count()) {
					break
				}
				d.overlap(p, q)
			}
		}
	}
}

// overlap judges two points of which the second begins within the first. What 'check' refuses becomes a comment: the
// later one in the list.
func (d *Draft) overlap(p, q *point) {
	if p.off || q.off {
		return
	}
	if p.row.line > q.row.line {
		p, q = q, p
	}
	bits := p.Type == modbus.Bit || q.Type == modbus.Bit || p.Type == modbus.Bool || q.Type == modbus.Bool
	same := p.Start == q.Start
	switch {
	case same && p.Type == modbus.Bit && q.Type == modbus.Bit && p.Bit == q.Bit:
		d.on(q, colAddress, "the same bit as %s (line %d)", p.name, p.row.line)
	case same && p.Type == q.Type && p.Order == q.Order && p.Type != modbus.Bit:
		d.on(q, colAddress, "the same register as %s (line %d)", p.name, p.row.line)
	case bits:
	case same:
		q.off = true
		d.on(q, colAddress, "the same register as %s (line %d), which is %s %s there: it stands as a comment until that is settled", p.name, p.row.line, p.Type, p.Order)
	default:
		q.off = true
		d.on(q, colAddress, "it overlaps %s (line %d, %s): is its type right, or this address? it stands as a comment until that is settled", p.name, p.row.line, p.Address)
	}
}

// devices notes two devices that have one unit id.
func (d *Draft) devices() {
	if _, ok := d.list.heads[colUnitID]; !ok {
		return
	}
	first := map[uint8]*point{}
	told := map[string]bool{}
	for _, p := range d.points {
		q := first[p.Unit]
		switch {
		case p.device == "":
		case q == nil:
			first[p.Unit] = p
		case q.device != p.device && !told[p.device]:
			told[p.device] = true
			d.on(p, colUnitID, "%q and %q (line %d) both have the unit id %d: on one line two devices with one id spoil each other's answers; give one of them another",
				p.device, q.device, q.row.line, p.Unit)
		}
	}
}
