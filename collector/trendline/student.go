package trendline

import "math"

// T975 returns the 97.5 % point of Student's t with so many degrees of freedom (1 or more): what a 95 % interval
// takes to each side. It solves the exact series by bisection; 5 digits agree with every printed table.
func T975(free int) float64 {
	if free < 1 {
		return math.Inf(1)
	}
	low, high := 1.9, 13.0 // 1.960 with endless freedom, 12.706 with one degree
	for range 60 {
		mid := (low + high) / 2
		if within(mid, free) < 0.95 {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// within returns the probability that |t| stays within a bound: Abramowitz and Stegun, Handbook of Mathematical
// Functions, 26.7.3 (odd) and 26.7.4 (even degrees of freedom).
func within(t float64, free int) float64 {
	angle := math.Atan(t / math.Sqrt(float64(free)))
	sin, cos := math.Sincos(angle)
	if free%2 == 0 {
		term, sum := 1.0, 1.0
		for k := 2; k < free; k += 2 {
			term *= cos * cos * float64(k-1) / float64(k)
			sum += term
		}
		return sin * sum
	}
	if free == 1 {
		return 2 * angle / math.Pi
	}
	term, sum := cos, cos
	for k := 3; k < free; k += 2 {
		term *= cos * cos * float64(k-1) / float64(k)
		sum += term
	}
	return 2 * (angle + sin*sum) / math.Pi
}
