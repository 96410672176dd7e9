package tank_test

import (
	"math"
	"testing"

	"roundsman/collector/tank"
)

func must(t testing.TB, s tank.Shape, err error) tank.Shape {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// made passes a constructor's two results on to must.
func made(s tank.Shape, err error) func(testing.TB) tank.Shape {
	return func(t testing.TB) tank.Shape { t.Helper(); return must(t, s, err) }
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.9g, want %.9g", what, got, want)
	}
}

// Share of a lying cylinder's volume by share of its height, the table of
// horizontal cylindrical tanks in Chopey, Handbook of Chemical Engineering
// Calculations (2003), in six digits.
func TestPartialCylinder(t *testing.T) {
	table := []struct{ h, share float64 }{
		{0, 0}, {0.01, 0.001693}, {0.02, 0.004773}, {0.03, 0.008741}, {0.04, 0.013417}, {0.05, 0.018693}, {0.08, 0.037478},
		{0.10, 0.052044}, {0.12, 0.067972}, {0.15, 0.094060}, {0.20, 0.142378}, {0.25, 0.195501}, {0.30, 0.252316},
		{0.33, 0.287795}, {0.35, 0.311919}, {0.40, 0.373530}, {0.45, 0.436444}, {0.50, 0.500000}, {0.55, 0.563556},
		{0.60, 0.626470}, {0.65, 0.688081}, {0.66, 0.700186}, {0.70, 0.747684}, {0.75, 0.804499}, {0.77, 0.826247},
		{0.80, 0.857622}, {0.85, 0.905940}, {0.88, 0.932028}, {0.90, 0.947956}, {0.95, 0.981307}, {0.99, 0.998307}, {1, 1},
	}
	for _, d := range []float64{0.4, 1, 1.8, 3.3} {
		s := made(tank.HorizontalCylinder(d, 4.2, tank.Flat()))(t)
		total := math.Pi / 4 * d * d * 4.2
		for _, tt := range table {
			if got := s.Volume(tt.h*d) / total; math.Abs(got-tt.share) > 5e-7 {
				t.Errorf("d %v: level share %v: volume share %.6f, want %.6f", d, tt.h, got, tt.share)
			}
		}
	}
}

func TestVolumes(t *testing.T) {
	type at struct{ level, volume float64 }
	tests := []struct {
		name  string
		shape tank.Shape
		want  []at
	}{
		{"reclaim tank 1.8 x 4.2, flat", made(tank.HorizontalCylinder(1.8, 4.2, tank.Flat()))(t),
			[]at{{0.09, 0.199786}, {0.36, 1.521698}, {0.45, 2.089457}, {0.9, 5.343849}, {1.26, 7.991023}, {1.62, 10.131467}, {1.71, 10.487913}, {1.8, 10.687698}}},
		{"vertical cylinder 1.6", made(tank.VerticalCylinder(1.6, 2.5))(t),
			[]at{{0.4, 0.804248}, {0.8, 1.608495}, {1.4, 2.814867}, {2.2, 4.423362}, {2.5, 5.026548}}},
		{"rectangular 2.0 x 1.5", made(tank.Rectangular(2, 1.5, 2.25))(t),
			[]at{{0.6, 1.8}, {1.9, 5.7}, {2.25, 6.75}}},
		{"cone bottom 1.2, cone 0.6", made(tank.ConeBottom(1.2, 0, 0.6, 1.2))(t),
			[]at{{0.1, 0.001047}, {0.3, 0.028274}, {0.6, 0.226195}, {1.0, 0.678584}, {1.8, 1.583363}}},
		{"the same with an outlet of 0.1", made(tank.ConeBottom(1.2, 0.1, 0.6, 1.2))(t),
			[]at{{0.3, 0.039074}, {0.6, 0.246615}, {1.0, 0.699004}}},
		{"sphere of radius 1", made(tank.Sphere(2))(t),
			[]at{{0.5, 0.654498}, {1, 2.094395}, {2, 4.188790}}},
		{"reclaim tank with 2:1 heads", made(tank.HorizontalCylinder(1.8, 4.2, tank.Elliptical()))(t),
			[]at{{0.9, 6.107256}, {1.8, 12.214512}}},
	}
	for _, tt := range tests {
		for _, w := range tt.want {
			near(t, tt.name, tt.shape.Volume(w.level), w.volume, 5.1e-7)
		}
	}
}

// Handbook forms of both heads together: elliptical 0.5236 h2 (1.5 d - h),
// hemispherical 1.0472 h2 (1.5 d - h), dished 0.215483 h2 (1.5 d - h).
func TestHeads(t *testing.T) {
	const d, length = 1.8, 4.2
	tests := []struct {
		name    string
		ends    tank.Ends
		factor  float64
		h       []float64
		volumes []float64
	}{
		{"elliptical", tank.Elliptical(), 0.5236, []float64{0.3, 0.9, 1.2, 1.8}, []float64{0.113097, 0.763407, 1.130973, 1.526814}},
		{"hemispherical", tank.Hemispherical(), 1.0472, []float64{0.3, 0.9, 1.8}, []float64{0.226195, 1.526814, 3.053628}},
		{"dished", tank.Dished(), 0.215483, []float64{0.3, 0.9, 1.8}, []float64{0.046544, 0.314174, 0.628348}},
		{"ellipsoidal, a quarter deep", tank.Ellipsoidal(d / 4), 0.5236, []float64{0.9}, []float64{0.763407}},
		{"torispherical that is a half ball", tank.Torispherical(d/2, 0), 1.0472, []float64{0.3, 0.9, 1.8}, []float64{0.226195, 1.526814, 3.053628}},
	}
	plain := made(tank.HorizontalCylinder(d, length, tank.Flat()))(t)
	for _, tt := range tests {
		s := made(tank.HorizontalCylinder(d, length, tt.ends))(t)
		for i, h := range tt.h {
			got := s.Volume(h) - plain.Volume(h)
			near(t, tt.name, got, tt.volumes[i], 5.1e-7)
			near(t, tt.name+" by the handbook form", got, tt.factor*h*h*(1.5*d-h), 2e-5*got)
		}
	}
}

// Torispherical heads of one metre inside diameter: the handbook's dished head
// is the plain dish; DIN 28011 heads hold about 0.1 D3, DIN
// 28013 heads 0.1298 D3; ASME flanged and dished heads 0.0809 D3 (from memory,
// as makers' tables give them; wall thickness moves the last digit).
func TestTorispherical(t *testing.T) {
	tests := []struct {
		name           string
		crown, knuckle float64
		volume, within float64
	}{
		{"plain dish", 1, 0, 0.215483 / 4, 1e-6},
		{"DIN 28011", 1, 0.1, 0.1, 0.002},
		{"DIN 28013", 0.8, 0.154, 0.1298, 0.001},
		{"ASME", 1, 0.06, 0.0809, 0.0003},
	}
	for _, tt := range tests {
		s := made(tank.HorizontalCylinder(1, 1, tank.Torispherical(tt.crown, tt.knuckle)))(t)
		head := (tank.Capacity(s) - math.Pi/4) / 2
		near(t, tt.name, head, tt.volume, tt.within)
		near(t, tt.name+" by slices", head, headBySlices(tt.crown, tt.knuckle, 0.5, 1), 1e-6)
		for _, h := range []float64{0.01, 0.1, 0.3, 0.45, 0.5, 0.7, 0.98} {
			flat := made(tank.HorizontalCylinder(1, 1, tank.Flat()))(t)
			near(t, tt.name+" partly full", (s.Volume(h)-flat.Volume(h))/2, headBySlices(tt.crown, tt.knuckle, 0.5, h), 1e-6)
		}
	}
}

// headBySlices adds the wetted parts of a head's upright discs, from the
// tangent line outwards: another way than the package's rings.
func headBySlices(crown, knuckle, radius, h float64) float64 {
	centre := -math.Sqrt((crown-knuckle)*(crown-knuckle) - (radius-knuckle)*(radius-knuckle))
	joint := centre + (0-centre)*crown/(crown-knuckle) // where crown and knuckle meet, along the axis
	disc := func(x float64) float64 {
		if x < joint {
			return radius - knuckle + math.Sqrt(knuckle*knuckle-x*x)
		}
		return math.Sqrt(max(crown*crown-(x-centre)*(x-centre), 0))
	}
	depth := crown + centre
	const n = 40000
	sum := 0.0
	for i := range n {
		r := disc((float64(i) + 0.5) * depth / n)
		sum += circleBelow(r, h-radius) * depth / n
	}
	return sum
}

// circleBelow is the area of a circle under a line at the height d over its centre.
func circleBelow(r, d float64) float64 {
	switch {
	case d <= -r:
		return 0
	case d >= r:
		return math.Pi * r * r
	}
	return r*r*math.Acos(-d/r) + d*math.Sqrt(r*r-d*d)
}

// shapes are one of each, with the area of the surface at a level where there is a simple one.
func shapes(t testing.TB) map[string]struct {
	tank.Shape
	surface func(level float64) float64
} {
	type entry = struct {
		tank.Shape
		surface func(level float64) float64
	}
	chord := func(d, h float64) float64 { return 2 * math.Sqrt(max(h*(d-h), 0)) }
	heads := func(d, depth float64) func(float64) float64 { // cylinder and an ellipse of both heads
		return func(h float64) float64 { c := chord(d, h); return c*4.2 + math.Pi*(c/2)*(depth*c/d) }
	}
	return map[string]entry{
		"vertical":      {made(tank.VerticalCylinder(1.6, 2.5))(t), func(float64) float64 { return math.Pi * 0.64 }},
		"rectangular":   {made(tank.Rectangular(2, 1.5, 2.25))(t), func(float64) float64 { return 3 }},
		"flat":          {made(tank.HorizontalCylinder(1.8, 4.2, tank.Flat()))(t), heads(1.8, 0)},
		"elliptical":    {made(tank.HorizontalCylinder(1.8, 4.2, tank.Elliptical()))(t), heads(1.8, 0.45)},
		"hemispherical": {made(tank.HorizontalCylinder(1.8, 4.2, tank.Hemispherical()))(t), heads(1.8, 0.9)},
		"ellipsoidal":   {made(tank.HorizontalCylinder(1.8, 4.2, tank.Ellipsoidal(0.3)))(t), heads(1.8, 0.3)},
		"dished":        {made(tank.HorizontalCylinder(1.8, 4.2, tank.Dished()))(t), nil},
		"torispherical": {made(tank.HorizontalCylinder(1.8, 4.2, tank.Torispherical(1.8, 0.18)))(t), nil},
		"deep knuckle":  {made(tank.HorizontalCylinder(1.8, 4.2, tank.Torispherical(0.9, 0.7)))(t), nil},
		"sphere":        {made(tank.Sphere(2))(t), func(h float64) float64 { c := chord(2, h) / 2; return math.Pi * c * c }},
		"cone": {made(tank.ConeBottom(1.2, 0.1, 0.6, 1.2))(t), func(h float64) float64 {
			r := 0.05 + 0.55*min(h/0.6, 1)
			return math.Pi * r * r
		}},
		"pure cone": {made(tank.ConeBottom(1.2, 0, 0.6, 0))(t), func(h float64) float64 { return math.Pi * h * h }},
		"strapped":  {made(tank.Strapping([]tank.Strap{{0, 0}, {0.5, 1}, {1, 3}, {2, 4}}))(t), nil},
	}
}

// Independent numerical integration: the volume is the sum of the surfaces under the level.
func TestVolumeIsIntegralOfSurface(t *testing.T) {
	for name, s := range shapes(t) {
		if s.surface == nil {
			continue
		}
		const n = 40000
		step := s.Height() / n
		sum := 0.0
		for i := range n {
			sum += s.surface((float64(i)+0.5)*step) * step
			if i%2000 == 1999 {
				near(t, name, s.Volume(float64(i+1)*step), sum, 2e-6*(sum+0.1))
			}
		}
	}
}

func TestLaws(t *testing.T) {
	symmetric := map[string]bool{"flat": true, "elliptical": true, "hemispherical": true, "ellipsoidal": true, "dished": true,
		"torispherical": true, "deep knuckle": true, "sphere": true, "vertical": true, "rectangular": true}
	for name, s := range shapes(t) {
		top, total := s.Height(), tank.Capacity(s)
		near(t, name+" empty", s.Volume(0), 0, 1e-15)
		near(t, name+" below empty", s.Volume(-1), 0, 1e-15)
		near(t, name+" over full", s.Volume(top+1), total, 0)
		near(t, name+" at infinity", s.Volume(math.Inf(1)), total, 0)
		if !math.IsNaN(s.Volume(math.NaN())) || !math.IsNaN(tank.Level(s, math.NaN())) {
			t.Errorf("%s: NaN becomes a number", name)
		}
		before := -1.0
		for i := range 1001 {
			h := top * float64(i) / 1000
			v := s.Volume(h)
			if v <= before {
				t.Errorf("%s: volume falls from %v to %v at level %v", name, before, v, h)
			}
			before = v
			if symmetric[name] {
				near(t, name+" symmetry", v+s.Volume(top-h), total, 1e-12*total)
			}
			near(t, name+" level of volume", s.Volume(tank.Level(s, v)), v, 1e-13*total)
			near(t, name+" level", tank.Level(s, v), h, 1e-6*top)
		}
		near(t, name+" level of too much", tank.Level(s, 2*total), top, 0)
		near(t, name+" level of less than nothing", tank.Level(s, -1), 0, 0)
	}
}

func TestStrapping(t *testing.T) {
	s := made(tank.Strapping([]tank.Strap{{0.1, 0.05}, {0.5, 1}, {0.8, 1}, {1, 3}}))(t)
	for _, tt := range []struct{ level, volume float64 }{{0, 0.05}, {0.1, 0.05}, {0.3, 0.525}, {0.5, 1}, {0.7, 1}, {0.8, 1}, {0.9, 2}, {1, 3}, {5, 3}} {
		near(t, "strapped", s.Volume(tt.level), tt.volume, 1e-15)
	}
	near(t, "level on a flat piece", tank.Level(s, 1), 0.5, 1e-12)
}

func TestErrors(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	flat := tank.Flat()
	tests := []struct {
		make func() (tank.Shape, error)
		want string
	}{
		{func() (tank.Shape, error) { return tank.VerticalCylinder(0, 1) }, "diameter: 0 m is not a length above 0"},
		{func() (tank.Shape, error) { return tank.VerticalCylinder(1, -2) }, "height: -2 m is not a length above 0"},
		{func() (tank.Shape, error) { return tank.Rectangular(1, nan, 1) }, "width: NaN m is not a length above 0"},
		{func() (tank.Shape, error) { return tank.HorizontalCylinder(1, inf, flat) }, "length: +Inf m is not a length above 0"},
		{func() (tank.Shape, error) { return tank.HorizontalCylinder(1, 1, tank.Ellipsoidal(-1)) }, "ends: depth: -1 m is not a length above 0"},
		{func() (tank.Shape, error) { return tank.HorizontalCylinder(1, 1, tank.Torispherical(0.4, 0)) }, "ends: crown: a radius of 0.4 m does not reach across a tank of 1 m"},
		{func() (tank.Shape, error) { return tank.HorizontalCylinder(1, 1, tank.Torispherical(1, 0.5)) }, "ends: knuckle: a radius of 0.5 m does not fit into a tank of 1 m"},
		{func() (tank.Shape, error) { return tank.HorizontalCylinder(1, 1, tank.Torispherical(1, -1)) }, "ends: knuckle: -1 m is not a radius of 0 or more"},
		{func() (tank.Shape, error) { return tank.Sphere(-1) }, "diameter: -1 m is not a length above 0"},
		{func() (tank.Shape, error) { return tank.ConeBottom(1, 1, 1, 1) }, "outlet: 1 m is not narrower than the tank's 1 m"},
		{func() (tank.Shape, error) { return tank.ConeBottom(1, -1, 1, 1) }, "outlet: -1 m is not a length of 0 or more"},
		{func() (tank.Shape, error) { return tank.ConeBottom(1, 0, 0, 1) }, "cone: 0 m is not a length above 0"},
		{func() (tank.Shape, error) { return tank.ConeBottom(1, 0, 1, nan) }, "straight height: NaN m is not a length of 0 or more"},
		{func() (tank.Shape, error) { return tank.Strapping(nil) }, "strapping table: 0 lines, want two or more"},
		{func() (tank.Shape, error) { return tank.Strapping([]tank.Strap{{0, 0}, {0, 1}}) }, "strapping table: line 2: level 0 m is not above the 0 m before it"},
		{func() (tank.Shape, error) { return tank.Strapping([]tank.Strap{{0, 2}, {1, 1}}) }, "strapping table: line 2: volume 1 m3 is below the 2 m3 before it"},
		{func() (tank.Shape, error) { return tank.Strapping([]tank.Strap{{0, 0}, {nan, 1}}) }, "strapping table: line 2: level: NaN m is not a length of 0 or more"},
		{func() (tank.Shape, error) { return tank.Strapping([]tank.Strap{{0, inf}, {1, 1}}) }, "strapping table: line 1: volume: +Inf m3 is not a volume of 0 or more"},
		{func() (tank.Shape, error) { return tank.Strapping([]tank.Strap{{0, 1}, {1, 1}}) }, "strapping table: the volume is the same on every line"},
	}
	for _, tt := range tests {
		s, err := tt.make()
		if err == nil || err.Error() != tt.want || s != nil {
			t.Errorf("%v, error %v; want %s", s, err, tt.want)
		}
	}
}

func BenchmarkVolume(b *testing.B) {
	for name, s := range shapes(b) {
		b.Run(name, func(b *testing.B) {
			h := 0.3 * s.Height()
			for b.Loop() {
				s.Volume(h)
			}
		})
	}
}
