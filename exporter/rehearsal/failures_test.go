package rehearsal_test

import (
	"bytes"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/exporter/rehearsal"
	"roundsman/rules"
)

// documented is a failure that the makers of a data set tell of.
type documented struct {
	what     string
	from, to float64 // seconds of the data
	by       string  // the rule that must ring within it
	within   time.Duration
}

// Failures told by the operators and makers of open data (named in the READMEs beside them), with rules that a
// technician would write knowing only how the plant runs when it is healthy: the alarm must come after the failure began and
// before its documented end. Lead is what was left until that end.
func TestDocumentedFailures(t *testing.T) {
	stamp := func(text string) float64 { return float64(wall(t, text).Unix()) }
	tests := []struct {
		name, set, file string
		rules           func(*dataset) []rules.Rule
		failures        []documented
		falseAlarms     int
	}{
		// On load the healthy compressor delivers for at most 105 s in a row. Here it does from the first row that is not frozen.
		{"air, healthy", "metropt3", "normal-2020-02-01.csv", delivers, nil, 0},
		{"air leak of 18 April 2020", "metropt3", "leak1-2020-04-18.csv", delivers,
			[]documented{{"air leak", 0, 86400, "delivers-long", 46 * time.Minute}}, 0},
		{"air leak of 29 May 2020", "metropt3", "leak2-2020-05-29.csv", delivers,
			[]documented{{"air leak", 0, 23400, "delivers-long", 31 * time.Minute}}, 0},

		{"water, healthy", "skab", "normal-a.csv", flowBelow(100), nil, 0},
		{"tank drained", "skab", "drain-12.csv", flowBelow(100),
			[]documented{{"drained until the pump cavitates", stamp("2020-02-08 18:44:51"), stamp("2020-02-08 18:51:55"), "flow-low", 2 * time.Minute}}, 0},
		{"leak", "skab", "leak-01.csv", flowBelow(74.5),
			[]documented{{"fluid leaks", stamp("2020-03-01 15:53:50"), stamp("2020-03-01 15:57:07"), "flow-low", 70 * time.Second}}, 0},

		{"network, healthy", "batadal", "normal-2014h1.csv.gz", network, nil, 2},
		{"network", "batadal", "faults-2016-07-10.csv.gz", network, []documented{
			{"limits of tank 7 altered", stamp("2016-09-13 23:00"), stamp("2016-09-16 00:00"), "standby-runs", 0},
			{"pumps 1 and 2 kept on", stamp("2016-10-09 09:00"), stamp("2016-10-11 20:00"), "tank-1-high", 6 * time.Hour},
		}, 1}, // the level was once above what it ever was in the healthy half-year

		// Cycles of 60 s; labels a cycle: leakage from cycle 210 to 291 and from 343 on.
		{"hydraulics", "hydraulic-rig", "cycles-0000-0359.csv.gz", efficiency, []documented{
			{"pump leakage", 210 * 60, 292 * 60, "efficiency-low", 3 * time.Minute},
			{"pump leakage", 343 * 60, 360 * 60, "efficiency-low", 3 * time.Minute},
		}, 0},
		{"hydraulics, healthy pump", "hydraulic-rig", "cycles-0700-0779.csv.gz", efficiency, nil, 1}, // in cycle 701 the rig stood still for some seconds
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			d := load(t, tt.set, tt.file, "TP2", "Flow", "S_PU11", "L_T1", "SE")
			site := rehearsal.Site{Points: d.points(), Rules: rules.Set{Rules: tt.rules(d)}}
			addMean(&site, d)
			report, _ := rehearse(t, site, bytes.NewReader(d.csv), rehearsal.Options{NoSuggestions: true})
			wrong := len(report.Alarms)
			for _, a := range report.Alarms {
				t.Logf("%s at %s, until %s, peak %g", report.Rules[a.Rule].Name, time.Unix(0, int64(a.Start.At)).UTC().Format(time.DateTime), a.End, a.Peak)
			}
			for _, f := range tt.failures {
				wrong -= f.check(t, report)
			}
			days := report.To.At.Sub(report.From.At).Hours() / 24
			t.Logf("%d false alarms in %.2f days, %.3f a day", wrong, days, float64(wrong)/days)
			if wrong != tt.falseAlarms {
				t.Errorf("%d alarms outside the documented times, want %d", wrong, tt.falseAlarms)
			}
		})
	}
}

// check wants the alarm in time and returns how many of all belong to the failure.
func (f *documented) check(t *testing.T, report *rehearsal.Report) int {
	t.Helper()
	from, to := collector.Moment(f.from*1e9), collector.Moment(f.to*1e9)
	belong, found := 0, false
	for _, a := range report.Alarms {
		if a.Start.At < from || a.Start.At > to {
			continue
		}
		belong++
		if found || report.Rules[a.Rule].Name != f.by {
			continue
		}
		found = true
		late, lead := a.Start.At.Sub(from), to.Sub(a.Start.At)
		t.Logf("%s: %s rings %v after its beginning, %v before its documented end", f.what, f.by, late, lead)
		if late > f.within {
			t.Errorf("%s: %s rings %v after its beginning, want %v at most", f.what, f.by, late, f.within)
		}
	}
	if !found {
		t.Errorf("%s: %s does not ring", f.what, f.by)
	}
	return belong
}

func named(name string, r rules.Rule) rules.Rule {
	r.Name, r.Other = name, collector.NoPoint
	return r
}

// delivers judges the pressure at the compressor: above 2 bar it delivers.
func delivers(d *dataset) []rules.Rule {
	return []rules.Rule{named("delivers-long", rules.Rule{Kind: rules.High, Point: d.id("TP2"), Limit: 2, OnDelay: 30 * time.Minute})}
}

func flowBelow(limit float64) func(*dataset) []rules.Rule {
	return func(d *dataset) []rules.Rule {
		return []rules.Rule{named("flow-low", rules.Rule{Kind: rules.Low, Point: d.id("Flow"), Limit: limit, Deadband: 1, OnDelay: 10 * time.Second, OffDelay: time.Minute})}
	}
}

// network: the standby pump at tank 7 starts only below its level; tank 1 stays under 4.9 m.
func network(d *dataset) []rules.Rule {
	return []rules.Rule{
		named("standby-runs", rules.Rule{Kind: rules.Equals, Point: d.id("S_PU11"), Limit: 1}),
		named("tank-1-high", rules.Rule{Kind: rules.High, Point: d.id("L_T1"), Limit: 4.9, Deadband: 0.2}),
	}
}

// efficiency judges the mean over one cycle of what the makers compute as efficiency factor.
func efficiency(d *dataset) []rules.Rule {
	return []rules.Rule{named("efficiency-low", rules.Rule{Kind: rules.Low, Point: collector.PointID(len(d.columns)), Limit: 58.5, Deadband: 0.5,
		OnDelay: time.Minute, OffDelay: 10 * time.Minute})}
}

// addMean adds the computed point of efficiency where the data have what it takes.
func addMean(site *rehearsal.Site, d *dataset) {
	if d.id("SE") < 0 {
		return
	}
	id := collector.PointID(len(site.Points))
	site.Points = append(site.Points, collector.Point{ID: id, Name: "SE.mean"})
	site.Compute = append(site.Compute, compute.Spec{Point: id, Name: "SE.mean",
		Mean: &compute.Mean{Of: compute.Input{Point: d.id("SE")}, Over: time.Minute, While: collector.NoPoint}})
}
