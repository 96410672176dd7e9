package tank_test

import (
	"math"
	"testing"

	"roundsman/collector/tank"
)

// Densities at 101.325 kPa: the formula's own (Tanaka et al., Metrologia 38
// (2001) 301-309) and, independent of it, those of the IAPWS-95 formulation.
func TestWaterDensity(t *testing.T) {
	tests := []struct{ degC, tanaka, iapws95 float64 }{
		{0, 999.8428, 999.8431}, {4, 999.9749, 999.9749}, {5, 999.9668, 999.9666}, {8, 999.8513, 999.8510},
		{10, 999.7027, 999.7025}, {15, 999.1026, 999.1026}, {20, 998.2067, 998.2072}, {25, 997.0470, 997.0476},
		{30, 995.6488, 995.6495}, {35, 994.0326, 994.0333}, {40, 992.2152, 992.2164},
	}
	for _, tt := range tests {
		got := tank.WaterDensity(tt.degC)
		if math.Abs(got-tt.tanaka) > 5e-5 || math.Abs(got-tt.iapws95) > 1.3e-3 {
			t.Errorf("%v degC: %.5f kg/m3, want %.4f, IAPWS-95 %.4f", tt.degC, got, tt.tanaka, tt.iapws95)
		}
	}
}

func TestHead(t *testing.T) {
	tests := []struct{ pascals, degC, metres float64 }{
		{10000, 4, 1.019742}, {20000, 5, 2.039500}, {19613.3, 20, 2.003593}, {24525, 15, 2.503100}, {24525, 30, 2.511783},
	}
	for _, tt := range tests {
		near(t, "head", tank.Head(tt.pascals, tank.WaterDensity(tt.degC)), tt.metres, 5e-7)
	}
	back := []struct{ metres, degC, pascals, within float64 }{
		{2.5, 8, 24512.98, 0.005}, {2.5, 25, 24444.23, 0.005}, {1, 20, 9789.064, 0.0005}, {2.4, 15, 23514.84, 0.005},
	}
	for _, tt := range back {
		near(t, "pressure", tank.Pressure(tt.metres, tank.WaterDensity(tt.degC)), tt.pascals, tt.within)
		near(t, "head of pressure", tank.Head(tank.Pressure(tt.metres, 999), 999), tt.metres, 1e-15*4)
	}
	near(t, "conventional water", tank.Pressure(1, 1000), 9806.65, 1e-11)
	const foot, psi = 0.3048, 6894.75729317
	near(t, "psi of a foot at 20 degC", tank.Pressure(foot, tank.WaterDensity(20))/psi, 0.432750, 5e-7)
	near(t, "feet of a psi at 20 degC", tank.Head(psi, tank.WaterDensity(20))/foot, 2.310803, 5e-7)
	near(t, "psi of a foot at 1000 kg/m3", tank.Pressure(foot, 1000)/psi, 0.433528, 5e-7)
	near(t, "feet of a psi at 1000 kg/m3", tank.Head(psi, 1000)/foot, 2.306659, 5e-7)
}
