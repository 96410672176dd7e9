package scaling_test

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/outsidetest"
	"roundsman/collector/scaling"
)

// series is a file of the open data: its columns by name.
type series map[string][]string

func (s series) at(t *testing.T, column, layout string, i int) collector.Moment {
	t.Helper()
	at, err := time.Parse(layout, s[column][i])
	if err != nil {
		t.Fatal(err)
	}
	return collector.At(at)
}

func (s series) number(t *testing.T, column string, i int) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s[column][i], 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func readSeries(t *testing.T, name string) series {
	t.Helper()
	f, err := os.Open(outsidetest.Data(t, name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	s := series{}
	for _, row := range rows[1:] {
		for i, cell := range row {
			s[rows[0][i]] = append(s[rows[0][i]], cell)
		}
	}
	return s
}

// figures are the reference figures of one file, made by others' tools.
type figures struct {
	Spacing struct {
		Rows  int     `json:"rows"`
		MaxDt float64 `json:"max_dt_s"`
	} `json:"spacing"`
	Stats map[string]struct {
		N    int     `json:"n"`
		Min  float64 `json:"min"`
		Mean float64 `json:"mean"`
		Max  float64 `json:"max"`
	} `json:"stats"`
}

func reference(t *testing.T, folder, file string) figures {
	t.Helper()
	text, err := os.ReadFile(outsidetest.Data(t, folder+"/reference/figures.json"))
	if err != nil {
		t.Fatal(err)
	}
	var all map[string]figures
	if err := json.Unmarshal(text, &all); err != nil {
		t.Fatal(err)
	}
	if len(all[file].Stats) == 0 {
		t.Fatalf("no reference figures for %s", file)
	}
	return all[file]
}

// tally adds what a channel made of a series.
type tally struct {
	n                int
	sum, least, most float64
	longest          time.Duration
	doubted          int
}

// replay sends a series through a loop: each value becomes the current that a
// transmitter of the range lo..hi would send, in nanoamperes, and is judged.
func replay(t *testing.T, s series, column, clock, layout string, lo, hi, rate float64) tally {
	t.Helper()
	spec := scaling.Spec{
		Points: []scaling.Pair{{Raw: 4e6, Value: lo}, {Raw: 20e6, Value: hi}}, Loop: true, RawPerMilliamp: 1e6,
		Low: lo, High: hi, MaxRate: rate, Step: (hi - lo) / 16e6,
	}
	c := channel(t, spec)
	sum := tally{least: math.Inf(1), most: math.Inf(-1)}
	var before collector.Moment
	for i := range s[column] {
		at, v := s.at(t, clock, layout, i), s.number(t, column, i)
		r := c.Judge(math.Round(4e6+(v-lo)/(hi-lo)*16e6), at)
		if i > 0 {
			gap := at.Sub(before)
			sum.longest = max(sum.longest, gap)
			if gap > time.Hour && r.Quality != good {
				t.Errorf("%s: first reading after a gap of %v: %s", s[clock][i], gap, r.Reason())
			}
		}
		before = at
		if !r.Quality.Usable() {
			t.Fatalf("%s: %v is not usable: %s", s[clock][i], v, r.Reason())
		}
		if r.Quality == uncertain {
			sum.doubted++
		}
		sum.n++
		sum.sum += r.Value
		sum.least, sum.most = min(sum.least, r.Value), max(sum.most, r.Value)
	}
	return sum
}

func compare(t *testing.T, what string, got tally, want figures, column string, within float64) {
	t.Helper()
	w := want.Stats[column]
	mean := got.sum / float64(got.n)
	if got.n != w.N || math.Abs(got.least-w.Min) > within || math.Abs(got.most-w.Max) > within ||
		math.Abs(mean-w.Mean) > within || got.longest.Seconds() != want.Spacing.MaxDt {
		t.Errorf("%s: n %d, min %v, mean %.6f, max %v, longest gap %v; reference %d, %v, %v, %v, %v s",
			what, got.n, got.least, mean, got.most, got.longest, w.N, w.Min, w.Mean, w.Max, want.Spacing.MaxDt)
	}
	t.Logf("%s: %d readings, %d uncertain, min %.4g (reference %v), mean %.6f (%v), max %.6g (%v), longest gap %v (%v s)",
		what, got.n, got.doubted, got.least, w.Min, mean, w.Mean, got.most, w.Max, got.longest, want.Spacing.MaxDt)
}

// River turbidity with gaps of up to a week (U.S. Geological Survey, station
// 01362500): a storm rises fast, is doubted at most and never lost.
func TestRiverTurbidity(t *testing.T) {
	for _, file := range []string{"coldbrook-2019-06-08.csv", "coldbrook-2020-04.csv"} {
		s := readSeries(t, "usgs-turbidity/"+file)
		const rate = 20.0 / 900 // twice 10 FNU a quarter of an hour
		got := replay(t, s, "turbidity_fnu", "time_utc", time.RFC3339, 0, 1600, rate)
		compare(t, file, got, reference(t, "usgs-turbidity", file), "turbidity_fnu", 1e-4)
		if got.doubted == 0 || got.doubted > got.n/50 {
			t.Errorf("%s: %d of %d readings doubted", file, got.doubted, got.n)
		}
	}
}

// A water loop read each second, with seconds missing (Skoltech Anomaly
// Benchmark): a missing second gives a change more time, and no more.
func TestWaterLoop(t *testing.T) {
	for _, file := range []string{"drain-12.csv", "leak-01.csv", "normal-a.csv", "valve1-00.csv", "valve1-01.csv", "valve2-00.csv"} {
		s := readSeries(t, "skab/"+file)
		want := reference(t, "skab", file)
		got := replay(t, s, "Temperature", "datetime", time.DateTime, 0, 120, 1)
		compare(t, file+" temperature", got, want, "Temperature", 1e-5)
		if got.doubted > got.n/50 {
			t.Errorf("%s: %d of %d temperatures doubted", file, got.doubted, got.n)
		}
		got = replay(t, s, "Pressure", "datetime", time.DateTime, -1, 3, 2)
		compare(t, file+" pressure", got, want, "Pressure", 1e-6)
	}
}

// Creek sensors with bad readings labelled by experts (C. Leigh et al., Science
// of the Total Environment 664 (2019) 885-898): what range, rate and spike checks
// find of them, and of what is not labelled.
func TestExpertsLabels(t *testing.T) {
	s := readSeries(t, "creek-sensors/sandy-creek.csv")
	want := reference(t, "creek-sensors", "sandy-creek.csv")
	tests := []struct {
		column string
		spec   scaling.Spec
		must   string // types of label that must all be found
	}{
		{"level", scaling.Spec{Low: 0, High: none, MaxRate: 2.0 / 3600, Step: 0.001, Unit: "m"}, "F"},
		{"cond", scaling.Spec{Low: 0, High: 2000, MaxRate: 100.0 / 3600, Step: 0.01, Unit: "uS/cm"}, "A"},
		{"tur", scaling.Spec{Low: 0, High: 1000, MaxRate: 25.0 / 3600, Step: 0.01, Unit: "NTU"}, "A"},
		{"tur", scaling.Spec{Low: 0, High: 1000, Spike: 7, Step: 10, Unit: "NTU"}, ""},
	}
	for _, tt := range tests {
		c := channel(t, tt.spec)
		labelled, found, others, n, sum := map[string]int{}, map[string]int{}, 0, 0, 0.0
		for i := range s[tt.column] {
			v := s.number(t, tt.column, i)
			r := c.Judge(v, s.at(t, "time_local", "2006-01-02 15:04", i))
			n, sum = n+1, sum+v
			caught := r.Quality != good
			if s["label_"+tt.column][i] == "1" {
				kind := s["type_"+tt.column][i]
				labelled[kind]++
				if caught {
					found[kind]++
				}
			} else if caught {
				others++
			}
		}
		ref := want.Stats[tt.column]
		if n != ref.N || math.Abs(sum/float64(n)-ref.Mean) > 1e-6 {
			t.Errorf("%s: %d readings of mean %.6f, reference %d of %v", tt.column, n, sum/float64(n), ref.N, ref.Mean)
		}
		t.Logf("%s, rate %.3g/s, spike window %d: labelled by experts %v, of these caught %v; caught and not labelled %d of %d",
			tt.column, tt.spec.MaxRate, tt.spec.Spike, labelled, found, others, n)
		for _, kind := range tt.must {
			if k := string(kind); found[k] != labelled[k] || labelled[k] == 0 {
				t.Errorf("%s: %d of %d bad readings of type %s found", tt.column, found[k], labelled[k], k)
			}
		}
		if others > n/50 {
			t.Errorf("%s: %d of %d readings doubted that no expert doubts", tt.column, others, n)
		}
	}
}
