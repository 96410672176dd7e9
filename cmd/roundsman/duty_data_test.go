package main

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"roundsman/collector"
	collected "roundsman/collector/duty"
	"roundsman/collector/outsidetest"
	"roundsman/exporter/record"
	"roundsman/exporter/review/duty"
)

// motorFigures are those of one on/off signal, made by an independent tool; a sample stands until the next, for three
// periods at most, the last for no time; a start is off followed by on.
type motorFigures struct {
	Samples int     `json:"samples"`
	Starts  int     `json:"starts"`
	Run     float64 `json:"run_s"`
	Known   float64 `json:"known_s"`
	Duty    float64 `json:"duty_pct_of_known"`
}

// replayed puts one column of a table through a meter onto a record, in pieces as the daemon does.
func replayed(t *testing.T, r *record.Record, clock *collector.Clock, name string, above float64, at []time.Time, values []float64) {
	t.Helper()
	m := collected.New(collected.Spec{Above: above, HoldAtMost: 30 * time.Second})
	var c record.Change
	m.OnInterval(func(i collected.Interval) {
		c.Intervals = append(c.Intervals, record.Finished{Equipment: name, Interval: i})
	})
	keep := func() {
		c.Duty = map[string]collected.Kept{name: m.Keep()}
		if err := r.Commit(&c); err != nil {
			t.Fatal(err)
		}
		c.Clear()
	}
	for i, v := range values {
		now := clock.Moment(at[i])
		m.Observe(now, &collector.Reading{Value: v, Quality: collector.Good, At: now})
		if len(c.Intervals) > 50 {
			keep()
		}
	}
	keep()
}

// An air compressor of a train, ten seconds a sample: what the review tells of its motor, of its delivery and of its load
// cycles, from the record, are the figures of the independent tool.
func TestDutyOfOpenData(t *testing.T) {
	dir := outsidetest.Data(t, "metropt3")
	text, err := os.ReadFile(filepath.Join(dir, "reference", "figures.json"))
	if err != nil {
		t.Fatal(err)
	}
	var files map[string]map[string]json.RawMessage
	if err := json.Unmarshal(text, &files); err != nil {
		t.Fatal(err)
	}
	signals := map[string]struct {
		column string
		above  float64
	}{"motor_current_gt_1_A": {"Motor_current", 1}, "delivering_tp2_gt_2_bar": {"TP2", 2}, "on_load_dv_eletric_1": {"DV_eletric", 0}}
	compared := 0
	for file, figures := range files {
		clock := collector.NewClock()
		r, err := record.Open(filepath.Join(t.TempDir(), "data.db"), record.Options{Clock: clock, Reserve: -1})
		if err != nil {
			t.Fatal(err)
		}
		rows := readCSV(t, filepath.Join(dir, file))
		at := timesOf(t, rows)
		span := spanBetween(at[0], at[len(at)-1])
		var plan duty.Plan
		for name, s := range signals {
			if figures[name] != nil {
				replayed(t, r, clock, name, s.above, at, columnOf(t, rows, s.column))
				plan.Machines = append(plan.Machines, duty.Machine{Name: name, Load: &duty.Load{Name: "on_load_dv_eletric_1"}})
			}
		}
		f, err := duty.Review(t.Context(), dutySource{Reader: r.Reader, now: span.To}, plan, span, span.To)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range f.Machines {
			var want motorFigures
			if err := json.Unmarshal(figures[m.Equipment], &want); err != nil {
				t.Fatal(err)
			}
			percent := math.Round(100*float64(m.Duty)*1000) / 1000
			if m.Starts != want.Starts || m.RunSeconds != want.Run || m.RunSeconds+m.StillSeconds != want.Known || percent != want.Duty {
				t.Errorf("%s %s: starts %d, run %v s of %v s, %v %%; the tool says %+v", file, m.Equipment, m.Starts, m.RunSeconds, m.RunSeconds+m.StillSeconds, percent, want)
			}
			if m.Equipment == "on_load_dv_eletric_1" && (m.Load.LoadedSeconds != want.Run || m.Load.Cycles != want.Starts) {
				t.Errorf("%s: loaded %+v; the tool says %+v", file, m.Load, want)
			}
			compared++
		}
		if err := r.Check(t.Context()); err != nil {
			t.Error(err)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}
	if compared < 6 {
		t.Errorf("only %d signals were compared", compared)
	}
}

func readCSV(t *testing.T, path string) [][]string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func columnOf(t *testing.T, rows [][]string, name string) []float64 {
	t.Helper()
	for c, head := range rows[0] {
		if head != name {
			continue
		}
		out := make([]float64, 0, len(rows))
		for _, row := range rows[1:] {
			v, err := strconv.ParseFloat(row[c], 64)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, v)
		}
		return out
	}
	t.Fatalf("no column %s", name)
	return nil
}

// timesOf returns the time stamps, or steps of ten seconds where there are none.
func timesOf(t *testing.T, rows [][]string) (at []time.Time) {
	t.Helper()
	for i, row := range rows[1:] {
		stamp := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(i) * 10 * time.Second)
		for c, head := range rows[0] {
			if head == "timestamp" {
				var err error
				if stamp, err = time.Parse(time.DateTime, row[c]); err != nil {
					t.Fatal(err)
				}
			}
		}
		at = append(at, stamp)
	}
	return at
}
