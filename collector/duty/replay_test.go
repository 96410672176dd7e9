package duty_test

import (
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
	"roundsman/collector/outsidetest"
)

// table is a CSV file with a header.
type table struct {
	column map[string]int
	rows   [][]string
}

func readTable(t *testing.T, path string) table {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var r io.Reader = f
	if strings.HasSuffix(path, ".gz") {
		if r, err = gzip.NewReader(f); err != nil {
			t.Fatal(err)
		}
	}
	rows, err := csv.NewReader(r).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	tb := table{column: map[string]int{}, rows: rows[1:]}
	for i, name := range rows[0] {
		tb.column[name] = i
	}
	return tb
}

func (tb table) number(t *testing.T, row int, column string) float64 {
	t.Helper()
	i, ok := tb.column[column]
	if !ok {
		t.Fatalf("no column %s", column)
	}
	v, err := strconv.ParseFloat(tb.rows[row][i], 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// reference is one on/off signal of a figures.json, made by an independent tool
// under the conventions of this package: a sample stands until the next, for
// three periods at most, the last for no time; a start is off followed by on.
type reference struct {
	Samples      int     `json:"samples"`
	Starts       uint64  `json:"starts"`
	Stops        int     `json:"stops"`
	FirstOn      bool    `json:"first_sample_on"`
	LastOn       bool    `json:"last_sample_on"`
	KnownSeconds float64 `json:"known_s"`
	RunSeconds   float64 `json:"run_s"`
	Duty         float64 `json:"duty_pct_of_known"`
	MostInDay    *int    `json:"most_starts_in_a_day"`
}

func readFigures(t *testing.T, path string) map[string]map[string]json.RawMessage {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var files map[string]map[string]json.RawMessage
	if err := json.Unmarshal(b, &files); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return files
}

// replay compares one signal.
func replay(t *testing.T, ref reference, spec duty.Spec, n int, at func(int) collector.Moment, value func(int) float64) {
	t.Helper()
	m := duty.New(spec)
	stops, inDay, most := 0, map[string]int{}, 0
	var told duty.Totals
	m.OnInterval(func(i duty.Interval) {
		told.Add(i)
		if i.Stopped {
			stops++
		}
	})
	starts := uint64(0)
	for i := range n {
		r := collector.Reading{Value: value(i), Quality: collector.Good, At: at(i)}
		m.Observe(r.At, &r)
		if s := m.Keep().Starts; s > starts {
			starts = s
			day := time.Unix(0, int64(r.At)).UTC().Format(time.DateOnly)
			inDay[day]++
			most = max(most, inDay[day])
		}
	}
	if m.Keep().State == duty.Stopping { // the last sample is off and stands for no time
		stops++
	}
	f := m.Figures(at(n - 1))
	k := m.Keep()
	for _, i := range k.Rest() {
		told.Add(i)
	}
	if told.Run != f.Run || told.Seen != f.Seen || told.Starts != f.Starts {
		t.Errorf("the intervals are %+v, the figures %+v", told, f)
	}
	percent := math.Round(100*f.Duty()*1000) / 1000
	t.Logf("starts %d (%d), stops %d (%d), run %v s (%v), seen %v s (%v), duty %v %% (%v)",
		f.Starts, ref.Starts, stops, ref.Stops, f.Run.Seconds(), ref.RunSeconds, f.Seen.Seconds(), ref.KnownSeconds, percent, ref.Duty)
	if n != ref.Samples {
		t.Errorf("%d samples, reference %d", n, ref.Samples)
	}
	if f.Starts != ref.Starts || stops != ref.Stops {
		t.Errorf("starts %d, stops %d, reference %d and %d", f.Starts, stops, ref.Starts, ref.Stops)
	}
	if f.Run.Seconds() != ref.RunSeconds || f.Seen.Seconds() != ref.KnownSeconds || percent != ref.Duty {
		t.Errorf("run %v s, seen %v s, duty %v %%, reference %v, %v, %v", f.Run.Seconds(), f.Seen.Seconds(), percent, ref.RunSeconds, ref.KnownSeconds, ref.Duty)
	}
	if first := f.Runs > f.Starts; first != ref.FirstOn {
		t.Errorf("ran when first seen: %v, reference %v", first, ref.FirstOn)
	}
	if ref.MostInDay != nil && most != *ref.MostInDay {
		t.Errorf("%d starts in a day, reference %d", most, *ref.MostInDay)
	}
}

func decode(t *testing.T, raw json.RawMessage, into any) {
	t.Helper()
	if err := json.Unmarshal(raw, into); err != nil {
		t.Fatalf("%s: %v", raw, err)
	}
}

// An air compressor: motor by current, delivery by pressure, load by its valve.
func TestReplayCompressor(t *testing.T) {
	dir := outsidetest.Data(t, "metropt3")
	for file, figures := range readFigures(t, filepath.Join(dir, "reference", "figures.json")) {
		tb := readTable(t, filepath.Join(dir, file))
		at := func(i int) collector.Moment { return collector.Moment(i) * collector.Moment(10*time.Second) }
		if c, ok := tb.column["timestamp"]; ok {
			at = func(i int) collector.Moment { return stamp(t, tb.rows[i][c], time.DateTime) }
		}
		for name, of := range map[string]struct {
			column string
			above  float64
		}{
			"motor_current_gt_1_A":    {"Motor_current", 1},
			"delivering_tp2_gt_2_bar": {"TP2", 2},
			"on_load_dv_eletric_1":    {"DV_eletric", 0},
		} {
			if figures[name] == nil {
				continue
			}
			t.Run(file+" "+name, func(t *testing.T) {
				var ref reference
				decode(t, figures[name], &ref)
				replay(t, ref, duty.Spec{Above: of.above, HoldAtMost: 30 * time.Second}, len(tb.rows), at,
					func(i int) float64 { return tb.number(t, i, of.column) })
			})
		}
	}
}

func stamp(t *testing.T, s, layout string) collector.Moment {
	t.Helper()
	v, err := time.Parse(layout, s)
	if err != nil {
		t.Fatal(err)
	}
	return collector.At(v)
}

// Eleven pumps of a water network, hour by hour.
func TestReplayPumps(t *testing.T) {
	dir := outsidetest.Data(t, "batadal")
	for file, figures := range readFigures(t, filepath.Join(dir, "reference", "figures.json")) {
		tb := readTable(t, filepath.Join(dir, file))
		var pumps map[string]reference
		decode(t, figures["pumps"], &pumps)
		for pump, ref := range pumps {
			t.Run(file+" "+pump, func(t *testing.T) {
				replay(t, ref, duty.Spec{HoldAtMost: 3 * time.Hour}, len(tb.rows),
					func(i int) collector.Moment { return stamp(t, tb.rows[i][0], "2006-01-02 15:04") },
					func(i int) float64 { return tb.number(t, i, "S_"+pump) })
			})
		}
	}
}

// A house's water, minute by minute: many short draws.
func TestReplayWaterMeter(t *testing.T) {
	dir := outsidetest.Data(t, "water-meter")
	for file, figures := range readFigures(t, filepath.Join(dir, "reference", "figures.json")) {
		tb := readTable(t, filepath.Join(dir, file))
		var ref reference
		decode(t, figures["flow_gt_0"], &ref)
		replay(t, ref, duty.Spec{Above: 1e-9, HoldAtMost: 3 * time.Minute}, len(tb.rows),
			func(i int) collector.Moment { return collector.Moment(tb.number(t, i, "unix_ts") * 1e9) },
			func(i int) float64 { return tb.number(t, i, "rate_l_min") })
	}
}

// A hydraulic rig, second by second; its one-second stops are real, so none is joined.
func TestReplayHydraulicRig(t *testing.T) {
	dir := outsidetest.Data(t, "hydraulic-rig")
	for file, figures := range readFigures(t, filepath.Join(dir, "reference", "figures.json")) {
		tb := readTable(t, filepath.Join(dir, file))
		for name, of := range map[string]struct {
			column string
			above  float64
		}{"high_load_eps1_gt_2550_W": {"EPS1", 2550}, "flow_fs1_gt_5_l_min": {"FS1", 5}} {
			t.Run(file+" "+name, func(t *testing.T) {
				var ref reference
				decode(t, figures[name], &ref)
				replay(t, ref, duty.Spec{Above: of.above, Join: -1, HoldAtMost: 3 * time.Second}, len(tb.rows),
					func(i int) collector.Moment { return collector.Moment(i) * collector.Moment(time.Second) },
					func(i int) float64 { return tb.number(t, i, of.column) })
			})
		}
	}
}
