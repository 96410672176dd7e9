package main

import (
	"encoding/json"
	"strings"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/leak"
	"roundsman/collector/units"
	"roundsman/exporter/record"
)

// leakPaper begins the name of the paper that keeps what a point's leak test knows.
const leakPaper = "leak test "

// keptLeak is what the paper holds, with the moment that those in it are on the scale of.
type keptLeak struct {
	At   collector.Moment `json:"at"`
	Test leak.Kept        `json:"test"`
}

// keepLeaks journals the leak tests that ended with this step, and keeps what all know with them and at a planned stop. A
// test that is under way at a kill is lost and made again, which is worth less than a card worn by writing it down.
func (j *judge) keepLeaks(c *record.Change, now collector.Moment) {
	ended := false
	j.compute.LeakTests(func(p collector.PointID, r leak.Result) {
		ended = true
		c.Lines = append(c.Lines, leakLine(&j.site.Points[p], r))
	})
	if !ended && !c.Whole {
		return
	}
	for _, l := range j.compute.Leaks() {
		doc, err := json.Marshal(keptLeak{now, l.Kept})
		if err != nil {
			j.log.Error("record", "error", err) // a figure that is no number, which the tester does not make
			continue
		}
		c.KeepPaper(leakPaper+j.site.Points[l.Point].Name, record.Paper{At: now, Doc: doc})
	}
}

// leakLine tells a test in the point's unit.
func leakLine(p *collector.Point, r leak.Result) record.Line {
	l := record.Line{
		Kind: record.LeakTested, Point: p.Name, Value: max(r.Rate, 0), Unit: p.Unit, Quality: collector.Good,
		Length: r.End.Sub(r.Start), Why: r.Words(),
	}
	if !r.Settled {
		l.Quality = collector.Uncertain
	}
	if from, err := units.Parse("L/s"); err == nil {
		if to, err := units.Parse(p.Unit); err == nil {
			if f, err := units.ConvertDifference(from, to); err == nil {
				l.Value *= f
			}
		}
	}
	return l
}

// keptLeaks reads what was kept of leak tests, by point, on this run's clock.
func (j *judge) keptLeaks(papers map[string]record.Paper) map[string]leak.Kept {
	out := map[string]leak.Kept{}
	for name, paper := range papers {
		point, ok := strings.CutPrefix(name, leakPaper)
		if !ok {
			continue
		}
		var k keptLeak
		if err := json.Unmarshal(paper.Doc, &k); err != nil {
			j.log.Error("restore", "point", point, "error", err)
			continue
		}
		out[point] = k.Test.Shifted(paper.At.Sub(k.At))
	}
	return out
}

// leaks returns what the leak tests know, by point.
func (j *judge) leaks() map[string]leak.Kept {
	out := map[string]leak.Kept{}
	for _, l := range j.compute.Leaks() {
		out[j.site.Points[l.Point].Name] = l.Kept
	}
	return out
}

// leaksOf returns kept leak tests as those of points.
func leaksOf(points []collector.Point, kept map[string]leak.Kept) (list []compute.Leak) {
	for _, p := range points {
		if k, ok := kept[p.Name]; ok {
			list = append(list, compute.Leak{Point: p.ID, Kept: k})
		}
	}
	return list
}
