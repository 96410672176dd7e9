package tank

import (
	"fmt"
	"math"
)

// positive checks dimensions given as name and metres by turns.
func positive(dims ...dimension) error {
	for _, d := range dims {
		if !(d.metres > 0) || math.IsInf(d.metres, 0) {
			return fmt.Errorf("%s: %v m is not a length above 0", d.name, d.metres)
		}
	}
	return nil
}

type dimension struct {
	name   string
	metres float64
}

// within returns the level inside a tank of a height.
func within(level, height float64) float64 { return min(max(level, 0), height) }

// prism is a tank of the same area at every level.
type prism struct{ area, height float64 }

func (p prism) Volume(level float64) float64 { return p.area * within(level, p.height) }
func (p prism) Height() float64              { return p.height }

// VerticalCylinder returns a standing cylinder with a flat bottom. The error names a dimension that is not positive.
func VerticalCylinder(diameter, height float64) (Shape, error) {
	if err := positive(dimension{"diameter", diameter}, dimension{"height", height}); err != nil {
		return nil, err
	}
	return prism{math.Pi * diameter * diameter / 4, height}, nil
}

// Rectangular returns a tank or pit with straight walls. The error names a dimension that is not positive.
func Rectangular(length, width, height float64) (Shape, error) {
	err := positive(dimension{"length", length}, dimension{"width", width}, dimension{"height", height})
	if err != nil {
		return nil, err
	}
	return prism{length * width, height}, nil
}

// coneBottom is a cone that widens from the outlet, and a cylinder on it.
type coneBottom struct{ outlet, radius, cone, height float64 }

// ConeBottom returns a standing cylinder over a cone: the cone's height, then the
// cylinder's straight height. The cone is cut at an outlet's diameter; 0 is a
// point. The error names the dimension that is not positive or does not fit.
func ConeBottom(diameter, outlet, cone, straight float64) (Shape, error) {
	err := positive(dimension{"diameter", diameter}, dimension{"cone", cone})
	switch {
	case err != nil:
		return nil, err
	case !(straight >= 0) || math.IsInf(straight, 0):
		return nil, fmt.Errorf("straight height: %v m is not a length of 0 or more", straight)
	case !(outlet >= 0):
		return nil, fmt.Errorf("outlet: %v m is not a length of 0 or more", outlet)
	case outlet >= diameter:
		return nil, fmt.Errorf("outlet: %v m is not narrower than the tank's %v m", outlet, diameter)
	}
	return coneBottom{outlet / 2, diameter / 2, cone, cone + straight}, nil
}

func (c coneBottom) Height() float64 { return c.height }

// Volume is that of the cut cone, pi h (r1^2 + r1 r2 + r2^2)/3, and the cylinder over it.
func (c coneBottom) Volume(level float64) float64 {
	level = within(level, c.height)
	h := min(level, c.cone)
	r := c.outlet + (c.radius-c.outlet)*h/c.cone
	return math.Pi*h*(c.outlet*c.outlet+c.outlet*r+r*r)/3 + math.Pi*c.radius*c.radius*(level-h)
}

// sphere is a ball of a radius.
type sphere struct{ radius float64 }

// Sphere returns a ball. The error says that the diameter is not positive.
func Sphere(diameter float64) (Shape, error) {
	if err := positive(dimension{"diameter", diameter}); err != nil {
		return nil, err
	}
	return sphere{diameter / 2}, nil
}

func (s sphere) Height() float64 { return 2 * s.radius }

// Volume is that of a spherical cap, pi h^2 (3r - h)/3.
func (s sphere) Volume(level float64) float64 {
	h := within(level, 2*s.radius)
	return math.Pi * h * h * (3*s.radius - h) / 3
}
