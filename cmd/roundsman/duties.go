package main

import (
	"roundsman/collector"
	"roundsman/collector/compute"
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

// kept returns what the meters know, by equipment.
func (d *duties) kept() map[string]duty.Kept {
	out := make(map[string]duty.Kept, len(d.meters))
	for i, m := range d.meters {
		out[d.specs[i].Name] = m.Keep()
	}
	return out
}

// restore goes on from what was kept; the time since then is unseen.
func (d *duties) restore(kept map[string]duty.Kept, now collector.Moment) {
	for i, m := range d.meters {
		if k, ok := kept[d.specs[i].Name]; ok {
			m.Restore(k, now)
		}
	}
}

// counts returns the totals of pulse counters, by point.
func (j *judge) counts() map[string]compute.Count {
	out := map[string]compute.Count{}
	for _, c := range j.compute.Counts() {
		out[j.site.Points[c.Point].Name] = c
	}
	return out
}

// restoreCounts goes on from kept totals; pulses made meanwhile are counted.
func (j *judge) restoreCounts(kept map[string]compute.Count, now collector.Moment) {
	var list []compute.Count
	for _, p := range j.site.Points {
		if c, ok := kept[p.Name]; ok {
			c.Point = p.ID
			list = append(list, c)
		}
	}
	j.compute.Restore(now, list)
}
