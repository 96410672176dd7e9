package main

import (
	"slices"

	"roundsman/collector"
	"roundsman/collector/alike"
	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/exporter"
	"roundsman/exporter/record"
)

// duties counts run time and starts of all equipment, and the load cycles of what runs on without load.
type duties struct {
	machines int         // the first of specs; behind them stand the loads of some
	specs    []duty.Spec // by meter
	meters   []*duty.Meter
	byPoint  map[collector.PointID][]int
	byStarts map[collector.PointID][]int

	ended    []record.Finished // intervals that are not kept yet
	jumps    []record.Line
	gathers  bool // those are gathered
	services *services
}

func newDuties(specs []duty.Spec) *duties {
	d := &duties{machines: len(specs), byPoint: map[collector.PointID][]int{}, byStarts: map[collector.PointID][]int{}, services: newServices()}
	d.specs = append(d.specs, specs...)
	for i := range specs {
		if l := specs[i].Load; l != nil {
			d.specs = append(d.specs, l.Spec(&specs[i]))
		}
	}
	for i, s := range d.specs {
		d.meters = append(d.meters, duty.New(s))
		run := s.Run
		if s.Hours != nil {
			run = s.Hours.Point
		}
		d.byPoint[run] = append(d.byPoint[run], i)
		if s.Starts != nil {
			d.byStarts[s.Starts.Point] = append(d.byStarts[s.Starts.Point], i)
		}
	}
	return d
}

func (d *duties) observe(now collector.Moment, readings []collector.Reading) {
	for i := range readings {
		for _, m := range d.byPoint[readings[i].Point] {
			d.meters[m].Observe(now, &readings[i])
		}
		for _, m := range d.byStarts[readings[i].Point] {
			d.meters[m].ObserveStarts(now, &readings[i])
		}
	}
}

func (d *duties) snapshot(now collector.Moment, clock *collector.Clock) []exporter.Equipment {
	out := make([]exporter.Equipment, d.machines)
	for i := range out {
		s, f := &d.specs[i], d.meters[i].Figures(now)
		out[i] = exporter.Equipment{
			Name: s.Name, Station: s.Station,
			Running: f.Running, Known: f.Known,
			RunSeconds: f.Run.Seconds(), Starts: f.Starts, UnseenSeconds: f.Unseen.Seconds(),
			Services: d.services.due(s, f.Run), Asked: d.asked(i, clock),
		}
	}
	return out
}

// keep adds to a change what the meters know: of all, or of those that started, stopped or jumped. What a meter knows and
// the intervals that it ended go together, so that they always add up.
func (d *duties) keep(c *record.Change, all bool) {
	kept := map[string]duty.Kept{}
	for i, m := range d.meters {
		if m.Moved() || all {
			kept[d.specs[i].Name] = m.Keep()
		}
	}
	if len(kept) == 0 {
		return
	}
	left := d.ended[:0]
	for _, f := range d.ended {
		if _, ok := kept[f.Equipment]; ok {
			c.Intervals = append(c.Intervals, f)
		} else {
			left = append(left, f)
		}
	}
	d.ended = left
	c.Duty = kept
	c.Lines, d.jumps = append(c.Lines, d.jumps...), d.jumps[:0]
}

// restore goes on from what was kept; the time since then is unseen. From now on intervals are gathered to be kept.
func (d *duties) restore(kept map[string]duty.Kept, now collector.Moment) {
	d.gather()
	for i, m := range d.meters {
		if k, ok := kept[d.specs[i].Name]; ok {
			m.Restore(k, now)
		}
	}
}

// gather lets intervals and jumps be gathered to be kept.
func (d *duties) gather() {
	d.gathers = true
	for i, m := range d.meters {
		name := d.specs[i].Name
		m.OnInterval(func(f duty.Interval) { d.ended = append(d.ended, record.Finished{Equipment: name, Interval: f}) })
		m.OnJump(func(j duty.Jump) { d.jumps = append(d.jumps, jumpLine(name, j)) })
	}
}

// follow goes on from others: a meter that is to count as before is taken over as it is, what it has in progress too. One that
// counts otherwise, or is new, goes on from what is kept of its name.
func (d *duties) follow(before *duties, as func(collector.PointID) collector.PointID, kept map[string]duty.Kept, now collector.Moment) {
	d.services, d.ended, d.jumps = before.services, before.ended, before.jumps
	others := map[string]duty.Kept{}
	for i := range d.specs {
		name := d.specs[i].Name
		k := slices.IndexFunc(before.specs, func(s duty.Spec) bool { return s.Name == name })
		if k >= 0 && alike.Values(countedBy(&before.specs[k]), countedBy(&d.specs[i]), as) {
			d.meters[i] = before.meters[k]
		} else if was, ok := kept[name]; ok {
			others[name] = was
		}
	}
	if before.gathers {
		d.gather()
	}
	for i, m := range d.meters {
		if k, ok := others[d.specs[i].Name]; ok {
			m.Restore(k, now)
		}
	}
}

// countedBy returns what bears on how a machine is counted.
func countedBy(s *duty.Spec) duty.Spec {
	return duty.Spec{Run: s.Run, Above: s.Above, Below: s.Below, Hours: s.Hours, Starts: s.Starts, Join: s.Join, HoldAtMost: s.HoldAtMost}
}

// known returns what all meters know.
func (d *duties) known() map[string]duty.Kept {
	out := make(map[string]duty.Kept, len(d.meters))
	for i, m := range d.meters {
		out[d.specs[i].Name] = m.Keep()
	}
	return out
}

// jumpLine is the journal's line of a register that jumped.
func jumpLine(equipment string, j duty.Jump) record.Line {
	question := ""
	if j.Kind != duty.RolledOver {
		question = "; was it " + j.Kind.String() + "? What ran meanwhile is not counted"
	}
	return record.Line{Kind: record.MeterJumped, At: j.At, Why: wentWords(equipment, j) + j.Kind.String() + question}
}

// counts returns the totals of pulse counters, by point.
func (j *judge) counts() map[string]compute.Count {
	out := map[string]compute.Count{}
	for _, c := range j.compute.Counts() {
		out[j.site.Points[c.Point].Name] = c
	}
	return out
}

// countsOf returns kept totals as those of points; pulses made meanwhile will be counted.
func countsOf(points []collector.Point, kept map[string]compute.Count) (list []compute.Count) {
	for _, p := range points {
		if c, ok := kept[p.Name]; ok {
			c.Point = p.ID
			list = append(list, c)
		}
	}
	return list
}
