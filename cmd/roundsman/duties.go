package main

import (
	"roundsman/collector"
	"roundsman/collector/duty"
	"roundsman/exporter"
)

// duties counts run time and starts of all equipment.
type duties struct {
	specs   []duty.Spec
	meters  []*duty.Meter
	byPoint map[collector.PointID][]int
}

func newDuties(specs []duty.Spec) *duties {
	d := &duties{specs: specs, byPoint: map[collector.PointID][]int{}}
	for i, s := range specs {
		d.meters = append(d.meters, duty.New(s))
		d.byPoint[s.Run] = append(d.byPoint[s.Run], i)
	}
	return d
}

func (d *duties) observe(now collector.Moment, readings []collector.Reading) {
	for i := range readings {
		for _, m := range d.byPoint[readings[i].Point] {
			d.meters[m].Observe(now, &readings[i])
		}
	}
}

func (d *duties) snapshot(now collector.Moment) []exporter.Equipment {
	out := make([]exporter.Equipment, len(d.meters))
	for i, m := range d.meters {
		f := m.Figures(now)
		out[i] = exporter.Equipment{
			Name: d.specs[i].Name, Station: d.specs[i].Station,
			Running: f.Running, Known: f.Known,
			RunSeconds: f.Run.Seconds(), Starts: f.Starts, UnseenSeconds: f.Unseen.Seconds(),
		}
	}
	return out
}
