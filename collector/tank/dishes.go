package tank

import (
	"fmt"
	"math"
)

// dishes are two torispherical ends: a spherical crown that a torus, the
// knuckle, joins to the cylinder. Their volume below a level has no handy closed
// form and is integrated: for a level d under the axis, each head holds
//
//	integral from d to R of depth(r) * 2 r acos(d/r) dr
//
// where depth(r) is how far the head reaches out at the distance r from the axis.
type dishes struct {
	radius  float64 // of the cylinder
	crown   float64
	knuckle float64
	centre  float64 // of the crown's sphere along the axis, from the tangent line; negative inside the cylinder
	joint   float64 // distance from the axis at which crown and knuckle meet
	full    float64 // both heads
	nodes   []node
}

// node is one abscissa in 0 to 1 and its weight.
type node struct{ at, weight float64 }

// order gives eleven digits for every common head.
const order = 24

func newDishes(radius, crown, knuckle float64) (ends, error) {
	switch {
	case !(crown >= radius) || math.IsInf(crown, 0):
		return nil, fmt.Errorf("crown: a radius of %v m does not reach across a tank of %v m", crown, 2*radius)
	case !(knuckle >= 0):
		return nil, fmt.Errorf("knuckle: %v m is not a radius of 0 or more", knuckle)
	case knuckle >= radius:
		return nil, fmt.Errorf("knuckle: a radius of %v m does not fit into a tank of %v m", knuckle, 2*radius)
	}
	rise := math.Sqrt((crown - radius) * (crown + radius - 2*knuckle)) // (crown-knuckle)^2 - (radius-knuckle)^2
	d := dishes{
		radius:  radius,
		crown:   crown,
		knuckle: knuckle,
		centre:  -rise,
		joint:   min((radius-knuckle)*crown/(crown-knuckle), radius),
		nodes:   gaussLegendre(order),
	}
	d.full = 2 * d.lower(0)
	return d, nil
}

func (d dishes) volume(h float64) float64 {
	if h > d.radius {
		return d.full - d.lower(h-d.radius)
	}
	return d.lower(d.radius - h)
}

// lower returns the volume of both heads further than below metres under the axis.
func (d dishes) lower(below float64) float64 {
	v := 0.0
	if below < d.joint {
		v += d.integrate(below, d.joint, below)
	}
	if d.joint < d.radius {
		v += d.integrate(max(below, d.joint), d.radius, below)
	}
	return 2 * v
}

// integrate runs over distances from the axis. The substitution r = from +
// (to-from)(3t^2-2t^3) takes the square roots out of both ends, so that few nodes suffice.
func (d dishes) integrate(from, to, below float64) float64 {
	sum := 0.0
	for _, n := range d.nodes {
		t := n.at
		r := from + (to-from)*t*t*(3-2*t)
		if r > 0 {
			sum += n.weight * 6 * t * (1 - t) * d.depth(r) * 2 * r * math.Acos(min(below/r, 1))
		}
	}
	return sum * (to - from)
}

// depth returns how far the head reaches out at the distance r from the axis.
func (d dishes) depth(r float64) float64 {
	if r <= d.joint {
		return d.centre + math.Sqrt(max((d.crown-r)*(d.crown+r), 0))
	}
	off := r - (d.radius - d.knuckle)
	return math.Sqrt(max((d.knuckle-off)*(d.knuckle+off), 0))
}

// gaussLegendre returns the nodes of the n-point Gauss-Legendre rule on 0 to 1,
// by Newton's method on the Legendre polynomial.
func gaussLegendre(n int) []node {
	nodes := make([]node, n)
	for i := range nodes {
		x := math.Cos(math.Pi * (float64(i) + 0.75) / (float64(n) + 0.5))
		var slope float64
		for range 10 {
			var p float64
			p, slope = legendre(n, x)
			x -= p / slope
		}
		nodes[i] = node{(1 + x) / 2, 1 / ((1 - x*x) * slope * slope)}
	}
	return nodes
}

// legendre returns the Legendre polynomial of degree n and its slope at x.
func legendre(n int, x float64) (value, slope float64) {
	before, value := 1.0, x
	for k := 2; k <= n; k++ {
		before, value = value, (float64(2*k-1)*x*value-float64(k-1)*before)/float64(k)
	}
	return value, float64(n) * (x*value - before) / (x*x - 1)
}
