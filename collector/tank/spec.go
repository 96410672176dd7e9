// Package tank computes volumes of liquid from levels, for the shapes tanks
// have, and levels from the pressure at the bottom. Lengths are in metres,
// volumes in cubic metres, inside dimensions all.
//
// A level and a volume are not the same share of a lying tank: 90 % of the
// height is 94.8 % of the volume, 20 % of the height only 14.2 %.
//
//	t, err := tank.HorizontalCylinder(1.8, 4.2, tank.Flat())
//	t.Volume(0.45) // 2.089457 m3
package tank

// Shape is the inside of a tank.
type Shape interface {
	// Volume returns the cubic metres below a level in metres over the lowest point.
	// Levels outside the tank give the nearest end; NaN gives NaN.
	Volume(level float64) float64
	// Height returns the greatest level in metres.
	Height() float64
}

// Capacity returns the volume of the full tank in cubic metres.
func Capacity(s Shape) float64 { return s.Volume(s.Height()) }

// Level returns the lowest level in metres at which the tank holds a volume in
// cubic metres, to the last bit or so, by bisection. Volumes outside what the
// tank can hold give the nearest end; NaN gives NaN.
func Level(s Shape, volume float64) float64 {
	low, high := 0.0, s.Height()
	switch {
	case volume != volume:
		return volume
	case volume <= s.Volume(low):
		return low
	case volume > s.Volume(high):
		return high
	}
	for {
		middle := low + (high-low)/2
		if middle <= low || middle >= high {
			return high
		}
		if s.Volume(middle) < volume {
			low = middle
		} else {
			high = middle
		}
	}
}
