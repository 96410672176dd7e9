package review_test

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/outsidetest"
	"roundsman/exporter/review"
	"roundsman/rules"
)

// figure is one alarm figure of the reference script.
type figure struct {
	Signal, Direction string
	Sp, Deadband      float64
	OnDelayS          float64 `json:"on_delay_s"`
	Raised, Cleared   int
}

func (f *figure) rule(i int, point collector.PointID) rules.Rule {
	r := rules.Rule{
		Name: fmt.Sprintf("%02d %s %s %g deadband %g delay %g s", i, f.Signal, f.Direction, f.Sp, f.Deadband, f.OnDelayS), Point: point, Kind: rules.High,
		Limit: f.Sp, Deadband: f.Deadband, OnDelay: time.Duration(f.OnDelayS * 1e9), Other: collector.NoPoint, Priority: rules.LowPriority,
	}
	if f.Direction == "low" {
		r.Kind = rules.Low
	}
	return r
}

// recorded is a file of open data: times, and columns of values as text.
type recorded struct {
	times []time.Time
	rows  [][]string
	index map[string]int
}

func readData(t *testing.T, path string) *recorded {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	in := csv.NewReader(bytes.NewReader(text))
	if strings.HasSuffix(path, ".gz") {
		z, err := gzip.NewReader(bytes.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		in = csv.NewReader(z)
	}
	rows, err := in.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	d := &recorded{rows: rows[1:], index: map[string]int{}}
	for i, name := range rows[0] {
		d.index[name] = i
	}
	for i := range d.rows {
		d.times = append(d.times, d.time(t, i))
	}
	return d
}

// time knows how each data set tells time; where it gives none but samples or cycles, they begin at midnight.
func (d *recorded) time(t *testing.T, row int) time.Time {
	t.Helper()
	for column, layout := range map[string]string{"timestamp": time.DateTime, "datetime": time.DateTime, "time": "2006-01-02 15:04"} {
		if c, ok := d.index[column]; ok {
			at, err := time.Parse(layout, d.rows[row][c])
			if err != nil {
				t.Fatal(err)
			}
			return at
		}
	}
	if _, ok := d.index["sample"]; ok {
		return at(10 * d.number(t, "sample", row))
	}
	return at(60*d.number(t, "cycle", row) + d.number(t, "second", row))
}

func (d *recorded) number(t *testing.T, column string, row int) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(d.rows[row][d.index[column]], 64)
	if err != nil {
		t.Fatalf("%s row %d: %v", column, row, err)
	}
	return v
}

// replay runs the rules over the file and builds activations of the engine's events.
func (d *recorded) replay(t *testing.T, figures []figure) (*review.Builder, []string) {
	t.Helper()
	var points []collector.Point
	var set rules.Set
	ids := map[string]collector.PointID{}
	for i := range figures {
		signal := figures[i].Signal
		if _, ok := ids[signal]; !ok {
			ids[signal] = collector.PointID(len(points))
			points = append(points, collector.Point{ID: ids[signal], Name: signal})
		}
		set.Rules = append(set.Rules, figures[i].rule(i, ids[signal]))
	}
	engine, err := rules.New(points, set)
	if err != nil {
		t.Fatal(err)
	}
	var b review.Builder
	var events []rules.Event
	for row, at := range d.times {
		var readings []collector.Reading
		for _, p := range points {
			if d.rows[row][d.index[p.Name]] != "" {
				readings = append(readings, collector.Reading{Point: p.ID, Value: d.number(t, p.Name, row), Quality: collector.Good})
			}
		}
		events, _ = engine.Step(collector.At(at), readings, events[:0])
		for i := range events {
			rule := &set.Rules[events[i].Rule]
			b.Add(review.Event(&events[i], rule, points[rule.Point].Name))
		}
	}
	names := make([]string, len(set.Rules))
	for i := range names {
		names[i] = set.Rules[i].Name
	}
	return &b, names
}

// row returns the sample at which a script that looks at samples only sees what happened at a time.
func (d *recorded) row(at time.Time) int {
	i, _ := slices.BinarySearchFunc(d.times, at, time.Time.Compare)
	return i
}

// The rules of the reference figures (an independent script, pandas) through the real engine over open data: as many
// activations a rule, and the figures of all of them together as one alarm system. Makers and licences of the data are
// named beside them.
func TestOpenData(t *testing.T) {
	folder := outsidetest.Data(t)
	for _, set := range []string{"metropt3", "hydraulic-rig", "skab", "batadal"} {
		text, err := os.ReadFile(filepath.Join(folder, set, "reference", "figures.json"))
		if err != nil {
			t.Fatal(err)
		}
		var files map[string]struct{ Alarms []figure }
		if err := json.Unmarshal(text, &files); err != nil {
			t.Fatal(err)
		}
		for _, name := range slices.Sorted(maps.Keys(files)) {
			t.Run(set+"/"+name, func(t *testing.T) {
				t.Parallel()
				compareData(t, readData(t, filepath.Join(folder, set, name)), files[name].Alarms)
			})
		}
	}
}

func compareData(t *testing.T, d *recorded, want []figure) {
	t.Helper()
	builder, names := d.replay(t, want)
	if builder.Unmatched() > 0 {
		t.Errorf("%d events without a start", builder.Unmatched())
	}
	raised, cleared := map[string]int{}, map[string]int{}
	all, between := 0, 0
	for _, a := range builder.Activations() {
		// A value holds until the next reading, so a delay can end between two samples; the script looks at samples
		// only, and sees none of it when the next one denies.
		if !a.End.IsZero() && d.row(a.Start) == d.row(a.End) {
			between++
			continue
		}
		raised[a.Rule]++
		if !a.End.IsZero() {
			cleared[a.Rule]++
		}
	}
	for i, name := range names {
		all += want[i].Raised
		if raised[name] != want[i].Raised || cleared[name] != want[i].Cleared {
			t.Errorf("%s: raised %d, cleared %d; want %d, %d", name, raised[name], cleared[name], want[i].Raised, want[i].Cleared)
		}
	}
	last := d.times[len(d.times)-1]
	f := mustReview(t, builder.Activations(), d.times[0], last.Add(time.Nanosecond)) // what starts at the last sample too
	if f.Alarms != all+between {
		t.Errorf("%d alarms, want the script's %d and %d between samples", f.Alarms, all, between)
	}
	t.Logf("%d rules over %s: %d alarms (script %d, between samples %d), %.1f an hour, peaks %d an hour, %d in ten minutes", len(names),
		last.Sub(d.times[0]), f.Alarms, all, between, f.Hour.Mean, f.Hour.PeakSliding, f.TenMinute.PeakSliding)
	t.Logf("%d floods, %.1f %% of the time; fixed %d, %.1f %%; hours above 30: %.1f %%; ten most frequent %.1f %% of %d; chattering %d, fleeting %d, stale %d",
		len(f.Sliding.Episodes), 100*f.Sliding.Share, len(f.Fixed.Episodes), 100*f.Fixed.Share, 100*f.BusyHours.Share, 100*f.FrequentAll, f.Different,
		len(f.Chattering), len(f.Fleeting), f.Stale.Most)
	if len(f.Frequent) > 0 {
		t.Logf("the worst: %s, %d, %.1f %%; %s", f.Frequent[0].Alarm, f.Frequent[0].Alarms, 100*f.Frequent[0].Share, f.Verdict())
	}
}
