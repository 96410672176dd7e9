package configs

import (
	"cmp"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/configs/strict"
)

// registers is where a point lies in a Modbus device.
type registers struct {
	modbus.Address
	ok bool // the place is known and possible
}

func (t registers) valueKind() collector.Kind {
	switch t.Type {
	case modbus.Bool, modbus.Bit:
		return collector.State
	case modbus.Text:
		return collector.Text
	}
	return collector.Number
}

// registerPlace reads the address keys of a point.
func (b *builder) registerPlace(p *point) {
	v, a := p.v, &p.registers
	a.Unit = uint8(v.Get("unit-id").Int(1))
	p.link.units[a.Unit] = true
	p.every = b.positive(v.Get("every"), time.Second)
	if !b.tableAndStart(v, a) {
		return
	}
	a.Order = orderOf(cmp.Or(v.Get("order").Text(), "ABCD"))
	a.Bit = uint8(v.Get("bit").Int(0))
	a.Length = uint16(v.Get("length").Int(0))
	a.Type = b.typeOf(v, a.Table)
	a.ok = b.typeFits(v, a)
	if last := int(a.Start) + int(a.Count()) - 1; last > 65535 {
		v.KeyFailf("%s at %d needs registers up to %d; the last is 65535", a.Type, a.Start, last)
		a.ok = false
	}
}

func (b *builder) tableAndStart(v *strict.Value, a *registers) bool {
	var found []string
	for _, t := range tableWords {
		if v.Has(t) {
			found = append(found, t)
			a.Table, a.Start = tables[t], uint16(v.Get(t).Int(0))
		}
	}
	ref := v.Get("reference")
	if v.Has("reference") {
		found = append(found, "reference")
	}
	switch {
	case len(found) == 0 && v.Has("topic"): // said already: it belongs to another kind of link
		return false
	case len(found) == 0:
		v.Missing("an address is missing: holding, input, coil, discrete or reference")
		return false
	case len(found) > 1:
		v.KeyFailf("%s and %s: a point has one address", found[0], found[1])
		return false
	case ref != nil:
		return reference(ref, a)
	}
	return v.Get(found[0]) != nil
}

// reference reads the traditional notation, such as 40011.
func reference(v *strict.Value, a *registers) bool {
	table, start, err := modbus.ParseReference(v.Text())
	if err != nil {
		v.Failf("%s", strings.TrimPrefix(err.Error(), "reference "))
		return false
	}
	a.Table, a.Start = table, start
	return true
}

func (b *builder) typeOf(v *strict.Value, t modbus.Table) modbus.Type {
	if w := v.Get("type"); w != nil {
		return typeOf(w.Text())
	}
	switch {
	case t.Bits():
		return modbus.Bool
	case v.Has("bit"):
		return modbus.Bit
	case v.Has("length"):
		return modbus.Text
	}
	return modbus.Uint16
}

func (b *builder) typeFits(v *strict.Value, a *registers) bool {
	t := a.Type
	switch {
	case a.Table.Bits() && t != modbus.Bool:
		v.Get("type").KeyFailf("%s: a %s holds one bit, its type is bool", t, a.Table)
		return false
	case t == modbus.Bit && !v.Has("bit"):
		v.Get("type").KeyFailf("bit is missing: which of 0 to 15?")
		return false
	case t != modbus.Bit && v.Get("bit") != nil:
		v.Get("bit").KeyFailf("goes with type bit, the type is %s", t)
		return false
	case t == modbus.Text && a.Length == 0:
		v.Missing("length is missing: how many registers has the text?")
		return false
	case t != modbus.Text && v.Get("length") != nil:
		v.Get("length").KeyFailf("goes with type text, the type is %s", t)
		return false
	}
	return true
}

// addRegister hands the point to its link.
func (b *builder) addRegister(p *point) {
	spec := b.scaling(p)
	if !p.registers.ok {
		return
	}
	o := p.link.modbus
	o.Points = append(o.Points, modbus.Point{ID: p.ID, Address: p.registers.Address, Every: p.every, Scale: spec})
}

// unitPoints adds the point of every unit, and lets the link's short marker stand for its one unit.
func (b *builder) unitPoints(l *link) {
	o := l.modbus
	for id := range l.units {
		if _, known := o.Units[id]; !known {
			o.Units[id] = modbus.Unit{}
		}
	}
	ids := slices.Sorted(maps.Keys(o.Units))
	if l.marker != nil {
		if len(ids) == 1 {
			u := o.Units[ids[0]]
			u.Marker = b.readMarker(l.marker)
			o.Units[ids[0]] = u
		} else {
			l.marker.KeyFailf("the link has %d units; give the marker under units", len(ids))
		}
	}
	for _, id := range ids {
		u := o.Units[id]
		if !l.units[id] {
			if uv := l.v.Get("units").Get(strconv.Itoa(int(id))); uv != nil {
				uv.Remarkf("no point is read from unit %d", id)
			}
		}
		u.Status = b.linkPoint("link."+l.name+".unit."+strconv.Itoa(int(id))+".good", l, oneUnit)
		b.points[u.Status].registers.Unit = id
		o.Units[id] = u
	}
}
