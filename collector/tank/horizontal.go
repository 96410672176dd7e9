package tank

import (
	"fmt"
	"math"
)

// horizontal is a lying cylinder with two equal ends.
type horizontal struct {
	radius, length float64
	ends           ends
}

// ends is the volume of both ends of a lying cylinder below a level inside it.
type ends interface{ volume(level float64) float64 }

// HorizontalCylinder returns a lying cylinder of a straight length, without its
// ends, and two equal ends. The error names the dimension that is not positive or does not fit.
func HorizontalCylinder(diameter, length float64, e Ends) (Shape, error) {
	if err := positive(dimension{"diameter", diameter}, dimension{"length", length}); err != nil {
		return nil, err
	}
	heads, err := e.on(diameter)
	if err != nil {
		return nil, fmt.Errorf("ends: %w", err)
	}
	return horizontal{diameter / 2, length, heads}, nil
}

func (c horizontal) Height() float64 { return 2 * c.radius }

// Volume is the area of the circle's segment times the length (Jones, Computing
// Fluid Tank Volumes, Chemical Processing, November 2002), and both ends.
func (c horizontal) Volume(level float64) float64 {
	h := within(level, 2*c.radius)
	return segment(c.radius, h)*c.length + c.ends.volume(h)
}

// segment returns the area of a circle below the height h over its lowest point.
func segment(radius, h float64) float64 {
	if h > radius { // the smaller part keeps its digits
		return math.Pi*radius*radius - segment(radius, 2*radius-h)
	}
	angle := 2 * math.Asin(math.Sqrt(h/(2*radius))) // acos(1 - h/r), exact for small h too
	return radius*radius*angle - (radius-h)*math.Sqrt(h*(2*radius-h))
}

// Ends are the two equal ends of a lying cylinder. The zero value is flat.
type Ends struct {
	kind  endKind
	depth float64 // metres, or a share of the diameter for the kinds that hang on it
	crown float64 // metres
	knuck float64 // metres
}

type endKind uint8

const (
	flat endKind = iota
	ellipsoidShare
	ellipsoidDepth
	torispherical
)

// Flat returns flat ends.
func Flat() Ends { return Ends{} }

// Elliptical returns 2:1 elliptical ends: each a quarter of the diameter deep.
func Elliptical() Ends { return Ends{kind: ellipsoidShare, depth: 1.0 / 4} }

// Hemispherical returns ends that are half balls.
func Hemispherical() Ends { return Ends{kind: ellipsoidShare, depth: 1.0 / 2} }

// Dished returns ends after the handbook formula for dished heads, both
// together 0.215483 h^2 (1.5 d - h). It has the volume of spherical caps of
// crown radius d without a knuckle, and is approximate in between; where the
// drawing gives the radii, Torispherical is exact.
func Dished() Ends { return Ends{kind: ellipsoidShare, depth: 0.215483 * 3 / (2 * math.Pi)} }

// Ellipsoidal returns half ellipsoids, each depth metres deep.
func Ellipsoidal(depth float64) Ends { return Ends{kind: ellipsoidDepth, depth: depth} }

// Torispherical returns dished ends by the inside radii of their crown and of
// the knuckle between crown and cylinder, in metres. With the cylinder's
// diameter D, DIN 28011 heads have crown D and knuckle 0.1 D, DIN 28013 heads
// 0.8 D and 0.154 D, ASME flanged and dished heads D and 0.06 D (all from
// memory). A knuckle of 0 is a plain dish.
func Torispherical(crown, knuckle float64) Ends {
	return Ends{kind: torispherical, crown: crown, knuck: knuckle}
}

// on returns the ends fitted to a cylinder.
func (e Ends) on(diameter float64) (ends, error) {
	switch e.kind {
	case ellipsoidShare:
		return ellipsoids{diameter / 2, e.depth * diameter}, nil
	case ellipsoidDepth:
		if err := positive(dimension{"depth", e.depth}); err != nil {
			return nil, err
		}
		return ellipsoids{diameter / 2, e.depth}, nil
	case torispherical:
		return newDishes(diameter/2, e.crown, e.knuck)
	}
	return ellipsoids{diameter / 2, 0}, nil
}

// ellipsoids are two halves of an ellipsoid of a depth each.
type ellipsoids struct{ radius, depth float64 }

// volume is pi a h^2 (1 - 2h/(3D)): a ball's cap, stretched along the axis.
func (e ellipsoids) volume(h float64) float64 {
	return math.Pi * e.depth * h * h * (1 - h/(3*e.radius))
}
