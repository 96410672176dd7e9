// Package tank computes volumes of liquid from levels, for the shapes tanks have.
package tank

// Shape is the inside of a tank.
type Shape interface {
	// Volume returns the cubic metres below a level in metres over the lowest point.
	// Levels outside the tank give the nearest end.
	Volume(level float64) float64
	// Height returns the greatest level in metres.
	Height() float64
}
