package tank

// Gravity is the conventional value of standard gravity in m/s2 (SP 811, B.8).
const Gravity = 9.80665

// WaterDensity returns the density of pure air-free water in kg/m3 at a
// temperature in degC and 101.325 kPa: Tanaka et al., Recommended table for the
// density of water between 0 and 40 degC, Metrologia 38 (2001) 301-309. Outside
// 0 to 40 degC the formula is continued. Dirty or dosed water is denser: a
// density measured on site goes before this.
func WaterDensity(degC float64) float64 {
	const (
		a1 = -3.983035  // degC
		a2 = 301.797    // degC
		a3 = 522528.9   // degC2
		a4 = 69.34881   // degC
		a5 = 999.974950 // kg/m3
	)
	t := degC
	return a5 * (1 - (t+a1)*(t+a1)*(t+a2)/(a3*(t+a4)))
}

// Head returns the metres of liquid over a sensor that shows a gauge pressure in
// pascals, p / (rho g), for a density in kg/m3. A density of 0 gives an infinity.
func Head(pascals, density float64) float64 { return pascals / (density * Gravity) }

// Pressure returns the gauge pressure in pascals under a head of liquid in metres, rho g h, for a density in kg/m3.
func Pressure(head, density float64) float64 { return head * density * Gravity }
