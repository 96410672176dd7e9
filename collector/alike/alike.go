// Package alike tells whether two settings say the same although their points are numbered anew.
//
// When a site file is read again, a point that was put in near the top moves all behind it by one. What was built with
// the old numbers goes on if its settings are alike:
//
//	alike.Values(before, after, func(old collector.PointID) collector.PointID { return now[old] })
package alike

import (
	"reflect"

	"roundsman/collector"
)

// Values reports whether two values of one type say the same, as reflect.DeepEqual would, but for this: each
// collector.PointID in a stands for the one that as returns; NaN is NaN; and two functions are alike if both are there,
// for what they do cannot be compared. The values are trees: one that holds itself never ends.
func Values(a, b any, as func(collector.PointID) collector.PointID) bool {
	return comparison{as}.values(reflect.ValueOf(a), reflect.ValueOf(b))
}

// Same is Values for two of one numbering.
func Same(a, b any) bool {
	return Values(a, b, func(p collector.PointID) collector.PointID { return p })
}

type comparison struct {
	as func(collector.PointID) collector.PointID
}

func (c comparison) values(a, b reflect.Value) bool {
	if !a.IsValid() || !b.IsValid() {
		return a.IsValid() == b.IsValid()
	}
	if a.Type() != b.Type() {
		return false
	}
	switch a.Kind() {
	case reflect.Pointer, reflect.Interface:
		return a.IsNil() == b.IsNil() && (a.IsNil() || c.values(a.Elem(), b.Elem()))
	case reflect.Struct:
		for i := range a.NumField() {
			if !c.values(a.Field(i), b.Field(i)) {
				return false
			}
		}
		return true
	case reflect.Slice, reflect.Array:
		return c.lists(a, b)
	case reflect.Map:
		return c.maps(a, b)
	case reflect.Func:
		return a.IsNil() == b.IsNil()
	}
	return c.plain(a, b)
}

// lists compares element by element. One that is missing is one that is empty.
func (c comparison) lists(a, b reflect.Value) bool {
	if a.Len() != b.Len() {
		return false
	}
	for i := range a.Len() {
		if !c.values(a.Index(i), b.Index(i)) {
			return false
		}
	}
	return true
}

func (c comparison) maps(a, b reflect.Value) bool {
	if a.Len() != b.Len() {
		return false
	}
	for k, v := range a.Seq2() {
		if w := b.MapIndex(k); !w.IsValid() || !c.values(v, w) {
			return false
		}
	}
	return true
}

func (c comparison) plain(a, b reflect.Value) bool {
	if a.CanFloat() {
		x, y := a.Float(), b.Float()
		return x == y || x != x && y != y
	}
	if a.Type() == reflect.TypeFor[collector.PointID]() {
		return c.as(collector.PointID(a.Int())) == collector.PointID(b.Int())
	}
	return a.Equal(b)
}
