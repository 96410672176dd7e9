package modbus

import (
	"math"

	"roundsman/collector"
)

// newChannel returns the judge of a point's raw values.
func newChannel(p Point) (channel, error) {
	return plain{p}, nil
}

type plain struct{ p Point }

func (c plain) Judge(raw float64, at collector.Moment) collector.Reading {
	v := raw
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return collector.Fail(c.p.ID, collector.NotANumber, raw, at, "")
	}
	if k := c.p.Scale.Points; len(k) == 2 {
		v = k[0].Value + (raw-k[0].Raw)*(k[1].Value-k[0].Value)/(k[1].Raw-k[0].Raw)
	}
	return collector.Reading{Point: c.p.ID, Value: v, Raw: raw, At: at, Quality: collector.Good}
}
