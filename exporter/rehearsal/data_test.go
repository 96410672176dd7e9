package rehearsal_test

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/outsidetest"
	"roundsman/exporter/rehearsal"
	"roundsman/rules"
)

// dataset is an open data file as recorded data for a rehearsal: its own columns, its time as seconds.
type dataset struct {
	columns []string
	times   []collector.Moment
	csv     []byte
}

// load rewrites the time of a file as seconds and keeps the rest of each row as it is, cell for cell. Columns of time are
// left out, and so is what a set tells of itself (labels). Columns that are not among those wanted, if any are named, too.
func load(t *testing.T, set, file string, wanted ...string) *dataset {
	t.Helper()
	rows := readRows(t, outsidetest.Data(t, set, file))
	head := rows[0]
	var keep []int
	for c, name := range head {
		switch name {
		case "timestamp", "datetime", "time", "time_utc", "unix_ts", "sample", "cycle", "second", "anomaly", "changepoint", "ATT_FLAG":
		default:
			if len(wanted) == 0 || slices.Contains(wanted, name) {
				keep = append(keep, c)
			}
		}
	}
	d := &dataset{}
	var b bytes.Buffer
	b.WriteString("time")
	for _, c := range keep {
		d.columns = append(d.columns, head[c])
		b.WriteString("," + head[c])
	}
	b.WriteByte('\n')
	for _, row := range rows[1:] {
		at := secondsOf(t, head, row)
		d.times = append(d.times, collector.Moment(at*1e9))
		b.WriteString(strconv.FormatFloat(at, 'f', -1, 64))
		for _, c := range keep {
			b.WriteString("," + row[c])
		}
		b.WriteByte('\n')
	}
	d.csv = b.Bytes()
	return d
}

func readRows(t *testing.T, path string) [][]string {
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
	return rows
}

// secondsOf knows how each data set tells time; see the READMEs beside the data.
func secondsOf(t *testing.T, head, row []string) float64 {
	t.Helper()
	number := func(c int) float64 {
		v, err := strconv.ParseFloat(row[c], 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for c, name := range head {
		switch name {
		case "sample":
			return 10 * number(c)
		case "cycle":
			return 60*number(c) + number(c+1)
		case "unix_ts":
			return number(c)
		case "timestamp", "datetime", "time", "time_utc":
			return float64(wall(t, row[c]).Unix())
		}
	}
	t.Fatalf("no time in %v", head)
	return 0
}

func wall(t *testing.T, text string) time.Time {
	t.Helper()
	for _, layout := range []string{time.DateTime, "2006-01-02 15:04", time.RFC3339} {
		if at, err := time.Parse(layout, text); err == nil {
			return at
		}
	}
	t.Fatalf("%q is no time", text)
	return time.Time{}
}

// points makes a point of each column.
func (d *dataset) points() []collector.Point {
	list := make([]collector.Point, len(d.columns))
	for i, name := range d.columns {
		list[i] = collector.Point{ID: collector.PointID(i), Name: name, Low: math.NaN(), High: math.NaN()}
	}
	return list
}

func (d *dataset) id(name string) collector.PointID {
	return collector.PointID(slices.Index(d.columns, name))
}

// figure is one alarm figure of the reference script, fileFigures what it says of a file.
type figure struct {
	Signal    string
	Direction string
	Sp        float64
	Deadband  float64
	OnDelayS  float64 `json:"on_delay_s"`
	Raised    int
	Cleared   int
	ActiveS   float64 `json:"active_s"`
}

type fileFigures struct {
	Alarms  []figure
	Spacing struct {
		Rows           uint64
		Gaps           uint64
		MissingSamples uint64  `json:"missing_samples"`
		MaxDt          float64 `json:"max_dt_s"`
		Nominal        float64 `json:"nominal_period_s"`
	}
}

// signals are the columns that the figures are about.
func (f *fileFigures) signals() []string {
	var list []string
	for i := range f.Alarms {
		list = append(list, f.Alarms[i].Signal)
	}
	return list
}

func readFigures(t *testing.T, set string) map[string]fileFigures {
	t.Helper()
	text, err := os.ReadFile(outsidetest.Data(t, set, "reference", "figures.json"))
	if err != nil {
		t.Fatal(err)
	}
	var files map[string]fileFigures
	if err := json.Unmarshal(text, &files); err != nil {
		t.Fatal(err)
	}
	return files
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

// The counts of an independent script (pandas, checked by a second one in awk) over open data, file by file: alarms raised and
// cleared, seconds active, gaps and missing samples. Makers and licences of the data are named beside them.
func TestOpenData(t *testing.T) {
	for _, set := range []string{"metropt3", "hydraulic-rig", "skab", "batadal", "usgs-turbidity"} {
		for file, figures := range readFigures(t, set) {
			t.Run(set+"/"+file, func(t *testing.T) {
				t.Parallel()
				d := load(t, set, file, figures.signals()...)
				site := rehearsal.Site{Points: d.points()}
				for i := range figures.Alarms {
					site.Rules.Rules = append(site.Rules.Rules, figures.Alarms[i].rule(i, d.id(figures.Alarms[i].Signal)))
				}
				report, ledger := rehearse(t, site, bytes.NewReader(d.csv), rehearsal.Options{NoSuggestions: true})
				compareFigures(t, d, figures.Alarms, report)
				compareSpacing(t, &figures, ledger)
			})
		}
	}
}

// compareFigures puts starts and ends to the next sample: the script looks at samples only, the engine lets a value hold, so a
// delay can end between two of them. An alarm that no sample sees is none to the script.
func compareFigures(t *testing.T, d *dataset, figures []figure, report *rehearsal.Report) {
	t.Helper()
	got := make([]figure, len(figures))
	between := 0
	for _, a := range report.Alarms {
		from, to := d.sample(a.Start.At), len(d.times)-1
		if !a.Active {
			to = d.sample(a.End.At)
		}
		g := &got[a.Rule]
		if from == to && !a.Active && figures[a.Rule].OnDelayS > 0 {
			between++
			continue
		}
		g.Raised++
		if !a.Active {
			g.Cleared++
		}
		g.ActiveS += d.times[to].Sub(d.times[from]).Seconds()
	}
	for i := range figures {
		want := &figures[i]
		if g := &got[i]; g.Raised != want.Raised || g.Cleared != want.Cleared || math.Abs(g.ActiveS-want.ActiveS) > 0.001 {
			t.Errorf("%s: raised %d, cleared %d, active %g s; want %d, %d, %g", report.Rules[i].Name, g.Raised, g.Cleared, g.ActiveS, want.Raised, want.Cleared, want.ActiveS)
		}
	}
	t.Logf("%d figures agree; %d alarms began and ended between two samples", 3*len(figures), between)
}

// sample returns the first row at or after the moment.
func (d *dataset) sample(m collector.Moment) int {
	return sort.Search(len(d.times), func(i int) bool { return d.times[i] >= m })
}

func compareSpacing(t *testing.T, f *fileFigures, l rehearsal.Ledger) {
	t.Helper()
	want := &f.Spacing
	longest := want.MaxDt
	if want.Gaps == 0 {
		longest = 0
	}
	if l.Rows != want.Rows || l.Gaps != want.Gaps || l.Missing != want.MissingSamples || l.Longest.Seconds() != longest || math.Abs(l.Period.Seconds()-want.Nominal) > 0.05*want.Nominal {
		t.Errorf("rows %d, gaps %d, missing %d, longest %v, period %v; want %d, %d, %d, %g, %g", l.Rows, l.Gaps, l.Missing, l.Longest, l.Period,
			want.Rows, want.Gaps, want.MissingSamples, longest, want.Nominal)
	}
}
