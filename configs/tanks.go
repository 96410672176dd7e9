package configs

import (
	"slices"

	"roundsman/collector/tank"
	"roundsman/collector/units"
	"roundsman/configs/strict"
)

// tankShape names a shape of tank in the site file: the lengths it needs and
// how they make it.
type tankForm struct {
	word  string
	needs []string
	make  func(m map[string]float64, e tank.Ends) (tank.Shape, error)
}

func tankForms() []tankForm {
	return []tankForm{
		{"vertical-cylinder", []string{"diameter", "height"}, func(m map[string]float64, _ tank.Ends) (tank.Shape, error) {
			return tank.VerticalCylinder(m["diameter"], m["height"])
		}},
		{"horizontal-cylinder", []string{"diameter", "length"}, func(m map[string]float64, e tank.Ends) (tank.Shape, error) {
			return tank.HorizontalCylinder(m["diameter"], m["length"], e)
		}},
		{"rectangular", []string{"length", "width", "height"}, func(m map[string]float64, _ tank.Ends) (tank.Shape, error) {
			return tank.Rectangular(m["length"], m["width"], m["height"])
		}},
		{"cone-bottom", []string{"diameter", "cone-height", "height"}, func(m map[string]float64, _ tank.Ends) (tank.Shape, error) {
			return tank.ConeBottom(m["diameter"], m["outlet-diameter"], m["cone-height"], m["height"])
		}},
		{"sphere", []string{"diameter"}, func(m map[string]float64, _ tank.Ends) (tank.Shape, error) {
			return tank.Sphere(m["diameter"])
		}},
		{"strapping", []string{"strapping"}, nil},
	}
}

func tankWords() []string {
	var out []string
	for _, f := range tankForms() {
		out = append(out, f.word)
	}
	return out
}

func endWords() []string {
	return []string{"flat", "dished", "elliptical", "hemispherical", "ellipsoidal", "torispherical"}
}

// tankLengths are the keys of a tank that are lengths.
var tankLengths = []string{"diameter", "length", "width", "height", "cone-height", "outlet-diameter", "end-depth", "crown-radius", "knuckle-radius"}

// tank reads the shape of a tank.
func (b *builder) tank(v *strict.Value) tank.Shape {
	forms := tankForms()
	i := slices.IndexFunc(forms, func(f tankForm) bool { return f.word == v.Get("shape").Text() })
	if i < 0 {
		return nil
	}
	f := forms[i]
	if !b.tankKeys(v, f) {
		return nil
	}
	var (
		shape tank.Shape
		err   error
	)
	if f.make == nil {
		shape, err = b.strapping(v.Get("strapping"))
	} else {
		m, ok := b.lengths(v)
		e, ok2 := ends(v, m)
		if !ok || !ok2 {
			return nil
		}
		shape, err = f.make(m, e)
	}
	if err != nil {
		v.KeyFailf("%v", err)
		return nil
	}
	return shape
}

// tankKeys complains about lengths that the shape lacks, or does not have.
func (b *builder) tankKeys(v *strict.Value, f tankForm) bool {
	ok := true
	for _, k := range f.needs {
		if !v.Has(k) {
			v.Missing("%s is missing: a %s needs it", k, f.word)
			ok = false
		}
	}
	may := append([]string{"level", "shape"}, f.needs...)
	switch f.word {
	case "horizontal-cylinder":
		may = append(may, "ends", "end-depth", "crown-radius", "knuckle-radius")
	case "cone-bottom":
		may = append(may, "outlet-diameter")
	}
	for _, e := range v.Entries() {
		if !slices.Contains(may, e.Key()) {
			e.KeyFailf("a %s has none", f.word)
			ok = false
		}
	}
	return ok
}

func (b *builder) lengths(v *strict.Value) (map[string]float64, bool) {
	m, ok := map[string]float64{}, true
	for _, k := range tankLengths {
		l := v.Get(k)
		if l == nil {
			ok = ok && !v.Has(k)
			continue
		}
		x, good := b.length(l)
		m[k], ok = x, ok && good
	}
	return m, ok
}

// length reads a length in metres. A bare number would leave the reader to guess, so the unit is asked for.
func (b *builder) length(v *strict.Value) (float64, bool) {
	q, ok := b.quantity(v)
	if ok && q.Unit == units.None && q.Value != 0 {
		v.Failf("%s of what? give the unit, as in 1.8 m", v.Text())
		return 0, false
	}
	return b.in(v, must("m"), "")
}

func ends(v *strict.Value, m map[string]float64) (tank.Ends, bool) {
	word := v.Get("ends").Text()
	wants := map[string][]string{"ellipsoidal": {"end-depth"}, "torispherical": {"crown-radius", "knuckle-radius"}}[word]
	ok := true
	for _, k := range []string{"end-depth", "crown-radius", "knuckle-radius"} {
		if slices.Contains(wants, k) && !v.Has(k) {
			v.KeyFailf("%s is missing: %s ends need it", k, word)
			ok = false
		}
		if l := v.Get(k); l != nil && !slices.Contains(wants, k) {
			l.KeyFailf("does not go with these ends")
			ok = false
		}
	}
	switch word {
	case "dished":
		return tank.Dished(), ok
	case "elliptical":
		return tank.Elliptical(), ok
	case "hemispherical":
		return tank.Hemispherical(), ok
	case "ellipsoidal":
		return tank.Ellipsoidal(m["end-depth"]), ok
	case "torispherical":
		return tank.Torispherical(m["crown-radius"], m["knuckle-radius"]), ok
	}
	return tank.Flat(), ok && !(v.Has("ends") && word == "")
}

func (b *builder) strapping(v *strict.Value) (tank.Shape, error) {
	var table []tank.Strap
	for _, row := range v.Entries() {
		e := row.Entries()
		if len(e) != 2 {
			return nil, nil
		}
		level, ok1 := b.length(e[0])
		volume, ok2 := b.in(e[1], must("m3"), "")
		if !ok1 || !ok2 {
			return nil, nil
		}
		table = append(table, tank.Strap{Level: level, Volume: volume})
	}
	return tank.Strapping(table)
}
