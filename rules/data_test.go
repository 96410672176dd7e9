package rules_test

import (
	"bufio"
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/outsidetest"
	"roundsman/rules"
)

// table is a CSV file by column, with the time of each row in seconds and its label in the figures.
type table struct {
	columns map[string][]string
	seconds []float64
	label   func(row int) any
}

func readTable(t *testing.T, path string) *table {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var in io.Reader = bufio.NewReader(f)
	if strings.HasSuffix(path, ".gz") {
		if in, err = gzip.NewReader(in); err != nil {
			t.Fatal(err)
		}
	}
	rows, err := csv.NewReader(in).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	tab := &table{columns: map[string][]string{}}
	for c, name := range rows[0] {
		list := make([]string, len(rows)-1)
		for r, row := range rows[1:] {
			list[r] = row[c]
		}
		tab.columns[name] = list
	}
	tab.readTimes(t)
	return tab
}

func (tab *table) number(t *testing.T, column string, row int) float64 {
	text := tab.columns[column][row]
	if text == "" {
		return math.NaN()
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatalf("%s row %d: %v", column, row, err)
	}
	return v
}

func (tab *table) numbers(t *testing.T, column string) []float64 {
	list := make([]float64, len(tab.columns[column]))
	for row := range list {
		list[row] = tab.number(t, column, row)
	}
	return list
}

// readTimes knows how each data set tells time.
func (tab *table) readTimes(t *testing.T) {
	t.Helper()
	for column, layout := range map[string]string{
		"timestamp": time.DateTime, "datetime": time.DateTime, "time": "2006-01-02 15:04", "time_utc": time.RFC3339,
	} {
		if list, ok := tab.columns[column]; ok {
			for _, text := range list {
				at, err := time.Parse(layout, text)
				if err != nil {
					t.Fatal(err)
				}
				tab.seconds = append(tab.seconds, float64(at.Unix()))
			}
			tab.label = func(row int) any { return list[row] }
			return
		}
	}
	n := 0
	for _, list := range tab.columns {
		n = len(list)
	}
	for row := range n {
		switch {
		case tab.columns["sample"] != nil:
			tab.seconds = append(tab.seconds, 10*tab.number(t, "sample", row))
			tab.label = func(row int) any { return tab.number(t, "sample", row) }
		case tab.columns["cycle"] != nil:
			tab.seconds = append(tab.seconds, 60*tab.number(t, "cycle", row)+tab.number(t, "second", row))
			tab.label = func(row int) any {
				return fmt.Sprintf("%s:%02g", tab.columns["cycle"][row], tab.number(t, "second", row))
			}
		default:
			tab.seconds = append(tab.seconds, tab.number(t, "unix_ts", row))
			tab.label = func(row int) any {
				return time.Unix(int64(tab.number(t, "unix_ts", row)), 0).UTC().Format(time.RFC3339)
			}
		}
	}
}

// figure is one alarm figure of the reference script.
type figure struct {
	Signal    string
	Direction string
	Sp        float64
	Deadband  float64
	OnDelayS  float64 `json:"on_delay_s"`
	Raised    int
	Cleared   int
	ActiveS   float64 `json:"active_s"`
	First     [][2]any
}

func readFigures(t *testing.T, set string) map[string][]figure {
	t.Helper()
	text, err := os.ReadFile(outsidetest.Data(t, set, "reference", "figures.json"))
	if err != nil {
		t.Fatal(err)
	}
	var files map[string]struct{ Alarms []figure }
	if err := json.Unmarshal(text, &files); err != nil {
		t.Fatal(err)
	}
	figures := map[string][]figure{}
	for name, f := range files {
		figures[name] = f.Alarms
	}
	return figures
}

func (f *figure) rule(i int, point collector.PointID) rules.Rule {
	r := rules.Rule{
		Name: fmt.Sprintf("%d %s %s %g db %g delay %g s", i, f.Signal, f.Direction, f.Sp, f.Deadband, f.OnDelayS), Point: point, Kind: rules.High,
		Limit: f.Sp, Deadband: f.Deadband, OnDelay: time.Duration(f.OnDelayS * 1e9), Other: collector.NoPoint,
	}
	if f.Direction == "low" {
		r.Kind = rules.Low
	}
	return r
}

// episode is one alarm by its rows; end -1 while active.
type episode struct{ start, end int }

// replay runs all figures' rules over a file at once. The reference script looks at samples only, so a start or
// end between two samples is given the row of the later one.
func replay(t *testing.T, tab *table, figures []figure) [][]episode {
	t.Helper()
	ids := map[string]collector.PointID{}
	var list []collector.Point
	var set rules.Set
	for i := range figures {
		signal := figures[i].Signal
		if _, ok := ids[signal]; !ok {
			ids[signal] = collector.PointID(len(list))
			list = append(list, collector.Point{ID: ids[signal], Name: signal})
		}
		set.Rules = append(set.Rules, figures[i].rule(i, ids[signal]))
	}
	engine, err := rules.New(list, set)
	if err != nil {
		t.Fatal(err)
	}
	values := map[string][]float64{}
	for signal := range ids {
		values[signal] = tab.numbers(t, signal)
	}
	found := make([][]episode, len(figures))
	var events []rules.Event
	var readings []collector.Reading
	for row, at := range tab.seconds {
		readings = readings[:0]
		for signal, id := range ids {
			if v := values[signal][row]; !math.IsNaN(v) { // an absent sample changes nothing
				readings = append(readings, good(int(id), v))
			}
		}
		events, _ = engine.Step(collector.Moment(at*1e9), readings, events[:0])
		for _, ev := range events {
			switch e := &found[ev.Rule]; ev.Kind {
			case rules.EventStarted:
				*e = append(*e, episode{row, -1})
			case rules.EventReturned:
				(*e)[len(*e)-1].end = row
			}
		}
	}
	return found
}

// The counts of an independent script (pandas) over open data, rule by rule: raised, cleared, seconds active and the
// first alarms. Makers and licences of the data are named beside them.
func TestOpenData(t *testing.T) {
	for _, set := range []string{"metropt3", "hydraulic-rig", "skab", "batadal", "usgs-turbidity", "water-meter"} {
		for file, figures := range readFigures(t, set) {
			t.Run(set+"/"+file, func(t *testing.T) {
				t.Parallel()
				tab := readTable(t, outsidetest.Data(t, set, file))
				for i, found := range replay(t, tab, figures) {
					compare(t, tab, &figures[i], found)
				}
			})
		}
	}
}

func compare(t *testing.T, tab *table, want *figure, found []episode) {
	t.Helper()
	// The engine lets a value hold until the next reading, so a delay can end between two samples; the script
	// looks at samples only. Where seconds are missing and the next sample denies, that is an alarm without a sample.
	between := 0
	for _, e := range found {
		if e.start == e.end && want.OnDelayS > 0 {
			between++
		}
	}
	found = slices.DeleteFunc(found, func(e episode) bool { return e.start == e.end && want.OnDelayS > 0 })
	got := figure{Raised: len(found)}
	end := tab.seconds[len(tab.seconds)-1]
	for _, e := range found {
		until := end
		first := [2]any{tab.label(e.start), nil}
		if e.end >= 0 {
			got.Cleared++
			until = tab.seconds[e.end]
			first[1] = tab.label(e.end)
		}
		got.ActiveS += until - tab.seconds[e.start]
		if len(got.First) < len(want.First) {
			got.First = append(got.First, first)
		}
	}
	name := fmt.Sprintf("%s %s %g db %g delay %g s", want.Signal, want.Direction, want.Sp, want.Deadband, want.OnDelayS)
	t.Logf("%s: raised %d (%d), cleared %d (%d), active %.0f s (%.0f), between samples %d", name, got.Raised, want.Raised, got.Cleared, want.Cleared, got.ActiveS, want.ActiveS, between)
	if got.Raised != want.Raised || got.Cleared != want.Cleared || math.Abs(got.ActiveS-want.ActiveS) > 0.001 {
		t.Errorf("%s: differs from the reference", name)
	}
	if fmt.Sprint(got.First) != fmt.Sprint(want.First) {
		t.Errorf("%s: first alarms %v, want %v", name, got.First, want.First)
	}
}
