package units

import "math/big"

// Convert returns what turns a value in from into one in to:
//
//	to = from*factor + offset
//
// Both are the float64 nearest to the exact value; use math.FMA to round the sum
// once. The error names both dimensions when they differ.
func Convert(from, to Unit) (factor, offset float64, err error) {
	f, o, err := exact(from, to)
	if err != nil {
		return 0, 0, err
	}
	factor, _ = f.Float64()
	offset, _ = o.Float64()
	return factor, offset, nil
}

// ConvertDifference returns the factor for a difference of two values, such as
// a deadband: 10 degC are 18 degF of difference.
func ConvertDifference(from, to Unit) (factor float64, err error) {
	factor, _, err = Convert(from, to)
	return factor, err
}

// exact returns factor and offset from one unit to the other.
func exact(from, to Unit) (factor, offset *big.Rat, err error) {
	if from.dimension() != to.dimension() {
		return nil, nil, mismatch(from, to)
	}
	factor = new(big.Rat).Quo(from.factor(), to.factor())
	offset = new(big.Rat).Mul(from.offset(), factor)
	return factor, offset.Sub(offset, to.offset()), nil
}

// factor returns the size of the unit in its kind's base unit, per second.
func (u Unit) factor() *big.Rat {
	f := new(big.Rat).SetInt64(1)
	if u.of != 0 {
		f.Set(catalog.entries[u.of].factor)
	}
	for _, t := range u.times {
		if t != 0 {
			f.Quo(f, catalog.entries[t].factor)
		}
	}
	return f
}

// offset returns what is added to a value before the factor; a unit per time is a difference and has none.
func (u Unit) offset() *big.Rat {
	if u.times[0] != 0 {
		return new(big.Rat)
	}
	return catalog.entries[u.of].offset
}

// convert returns value in another unit, rounded once. Values beyond all measure become infinite.
func convert(value float64, from, to Unit, difference bool) (float64, error) {
	factor, offset, err := exact(from, to)
	if err != nil {
		return 0, err
	}
	v := new(big.Rat).SetFloat64(value)
	if v == nil || from == to {
		return value, nil // NaN and infinities stay what they are
	}
	v.Mul(v, factor)
	if !difference {
		v.Add(v, offset)
	}
	r, _ := v.Float64()
	return r, nil
}
