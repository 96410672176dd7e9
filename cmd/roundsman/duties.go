package main

import (
	"fmt"

	"roundsman/collector"
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

func (d *duties) snapshot(now collector.Moment) []exporter.Equipment {
	out := make([]exporter.Equipment, d.machines)
	for i := range out {
		s, f := &d.specs[i], d.meters[i].Figures(now)
		out[i] = exporter.Equipment{
			Name: s.Name, Station: s.Station,
			Running: f.Running, Known: f.Known,
			RunSeconds: f.Run.Seconds(), Starts: f.Starts, UnseenSeconds: f.Unseen.Seconds(),
			Services: d.services.due(s, f.Run),
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
	for i, m := range d.meters {
		name := d.specs[i].Name
		m.OnInterval(func(f duty.Interval) { d.ended = append(d.ended, record.Finished{Equipment: name, Interval: f}) })
		m.OnJump(func(j duty.Jump) { d.jumps = append(d.jumps, jumpLine(name, j)) })
		if k, ok := kept[name]; ok {
			m.Restore(k, now)
		}
	}
}

// jumpLine is the journal's line of a register that jumped.
func jumpLine(equipment string, j duty.Jump) record.Line {
	what, question := "counter of starts", ""
	if j.Hours {
		what = "hour meter"
	}
	if j.Kind != duty.RolledOver {
		question = "; was it " + j.Kind.String() + "? What ran meanwhile is not counted"
	}
	return record.Line{Kind: record.MeterJumped, At: j.At, Why: fmt.Sprintf("%s of %s went from %.10g to %.10g: %s%s", what, equipment, j.From, j.To, j.Kind, question)}
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
