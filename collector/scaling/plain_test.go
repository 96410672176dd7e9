package scaling_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/scaling"
)

// A signal of which only curve and range are judged takes a short way: it must say what the long way says, which a
// rate limit that nothing exceeds forces.
func TestShortWaySaysTheSame(t *testing.T) {
	rnd := rand.New(rand.NewPCG(4, 2))
	for range 200 {
		spec := scaling.Spec{Points: []scaling.Pair{{Raw: 0, Value: rnd.Float64()}, {Raw: 100 + rnd.Float64()*27548, Value: 10 * rnd.NormFloat64()}},
			Low: math.NaN(), High: math.NaN()}
		if rnd.IntN(2) == 0 {
			spec.Low, spec.High = -3, 7
		}
		long := spec
		long.MaxRate = math.MaxFloat64
		a, err := scaling.New(3, spec)
		if err != nil {
			continue // a flat calibration
		}
		b, err := scaling.New(3, long)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 50 {
			raw := rnd.NormFloat64() * 30000
			if i%17 == 0 {
				raw = []float64{math.NaN(), math.Inf(1), math.MaxFloat64}[rnd.IntN(3)]
			}
			at := collector.Moment(i) * collector.Moment(time.Second)
			x, y := a.Judge(raw, at), b.Judge(raw, at)
			if math.IsNaN(x.Raw) && math.IsNaN(y.Raw) {
				x.Raw, y.Raw = 0, 0
			}
			if x != y {
				t.Fatalf("%+v: raw %v: %+v, the long way %+v", spec, raw, x, y)
			}
		}
	}
}
