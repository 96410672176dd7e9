package pack_test

import (
	"compress/gzip"
	"encoding/csv"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"roundsman/collector"
	"roundsman/collector/outsidetest"
	"roundsman/exporter/record/pack"
)

// The goals: bytes a reading, times included, and against the entropy of the differences.
const (
	mostBytes   = 2.0
	mostEntropy = 1.4
	mostLive    = 2.75 // bytes in a window of ten readings, which is kept for an hour
)

// openData are the series that are read about as often as a room is: file, and how many rows make an hour.
var openData = []struct {
	folder, file string
	hour         int
}{
	{"metropt3", "normal-2020-02-01.csv", 360},
	{"hydraulic-rig", "cycles-0000-0359.csv.gz", 3600},
	{"skab", "normal-a.csv", 3600},
	{"water-meter", "2012-04.csv.gz", 1440}, // minutes: a day, as a point that is read so seldom would be packed
}

// TestOpenData packs each column of the open data in chunks, at the resolution its decimals show.
func TestOpenData(t *testing.T) {
	for _, d := range openData {
		t.Run(d.folder, func(t *testing.T) {
			each, overEntropy := sizes(t, d.folder, d.file, d.hour)
			t.Logf("%.3f bytes a reading, %.3f times the entropy of the differences", each, overEntropy)
			if each > mostBytes || overEntropy > mostEntropy {
				t.Errorf("%.3f bytes a reading, %.2f times the entropy; want at most %.1f and %.1f", each, overEntropy, mostBytes, mostEntropy)
			}
		})
	}
}

// sizes returns the bytes that a reading of a file takes, times included, and how often that is the entropy.
func sizes(t testing.TB, folder, file string, hour int) (each, overEntropy float64) {
	t.Helper()
	var bytes, readings, entropy float64
	rows := 0
	for name, counts := range readCounts(t, folder, file) {
		size := 0
		for from := 0; from < len(counts); from += hour {
			size += packed(t, counts[from:min(from+hour, len(counts))])
		}
		t.Logf("%-20s %7d readings %6.3f bytes each, entropy of the differences %6.3f", name, len(counts), float64(size)/float64(len(counts)), entropyOf(counts)/8)
		bytes += float64(size)
		rows = len(counts)
		readings += float64(len(counts))
		entropy += entropyOf(counts) / 8 * float64(len(counts))
	}
	bytes += float64(clocks(rows, hour))
	return bytes / readings, bytes / entropy
}

// BenchmarkOpenData reports the worst of the open data, and the mean of the files.
func BenchmarkOpenData(b *testing.B) {
	var worst, worstEntropy, sum float64
	for b.Loop() {
		worst, worstEntropy, sum = 0, 0, 0
		for _, d := range openData {
			each, overEntropy := sizes(b, d.folder, d.file, d.hour)
			worst, worstEntropy, sum = max(worst, each), max(worstEntropy, overEntropy), sum+each
		}
	}
	b.ReportMetric(worst, "B/reading-worst")
	b.ReportMetric(worstEntropy, "x-entropy-worst")
	b.ReportMetric(sum/float64(len(openData)), "B/reading-mean")
}

// TestOpenDataLive packs the same in windows of ten rows, as they are written before they are packed by point.
func TestOpenDataLive(t *testing.T) {
	for _, d := range openData {
		cols := readCounts(t, d.folder, d.file)
		var list [][]int64
		for _, c := range cols {
			list = append(list, c)
		}
		rows, size := len(list[0])/10*10, 0
		for from := 0; from < rows; from += 10 {
			s := pack.Sheet{Clocks: [][]int64{nil}}
			for i := range 10 {
				s.Clocks[0] = append(s.Clocks[0], int64(from+i)*1000)
			}
			for i, c := range list {
				s.Series, s.Clock = append(s.Series, int64(i)), append(s.Clock, 0)
				s.Columns = append(s.Columns, good(c[from:from+10]))
			}
			size += len(pack.AppendSheet(nil, &s))
		}
		each := float64(size) / float64(rows*len(list))
		t.Logf("%s: %.3f bytes a reading", d.folder, each)
		if each > mostLive {
			t.Errorf("%s: %.3f bytes a reading live, want at most %.2f", d.folder, each, mostLive)
		}
	}
}

func good(counts []int64) pack.Column {
	c := pack.Column{Counts: counts, Marks: make([]pack.Mark, len(counts))}
	for i := range c.Marks {
		c.Marks[i] = pack.Plain
	}
	return c
}

// packed returns how many bytes a chunk takes.
func packed(t testing.TB, counts []int64) int {
	t.Helper()
	data := pack.AppendColumn(nil, good(counts))
	got, err := pack.DecodeColumn(data)
	if err != nil {
		t.Fatal(err)
	}
	for i, n := range got.Counts {
		if n != counts[i] {
			t.Fatalf("reading %d: %d came back as %d", i, counts[i], n)
		}
	}
	return len(data)
}

// clocks returns what the times of all rows take; all columns share them.
func clocks(rows, hour int) (size int) {
	for from := 0; from < rows; from += hour {
		times := make([]int64, min(hour, rows-from))
		for i := range times {
			times[i] = int64(from+i) * 1000
		}
		size += len(pack.AppendTimes(nil, times))
	}
	return size
}

// entropyOf returns the entropy of order 0 of the differences, in bits.
func entropyOf(counts []int64) float64 {
	often := map[int64]int{}
	for i := 1; i < len(counts); i++ {
		often[counts[i]-counts[i-1]]++
	}
	n, h := float64(len(counts)-1), 0.0
	for _, k := range often {
		h -= float64(k) / n * math.Log2(float64(k)/n)
	}
	return h
}

// readCounts returns the numeric columns of a file as counts. The step is the last decimal the column shows, and where
// that is finer than a 20,000th of its range, what a point of that range without a resolution gets.
func readCounts(t testing.TB, folder, file string) map[string][]int64 {
	t.Helper()
	columns := map[string][]int64{}
	rows := readRows(t, outsidetest.Data(t, folder, file))
	for i, name := range rows[0] {
		if counts := countsOf(rows[1:], i); counts != nil && name != "unix_ts" && name != "cycle" && name != "second" {
			columns[name] = counts
		}
	}
	if len(columns) == 0 {
		t.Fatalf("%s: no columns", file)
	}
	return columns
}

func readRows(t testing.TB, path string) [][]string {
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
		t.Fatal(err)
	}
	return rows
}

func countsOf(rows [][]string, column int) []int64 {
	values, decimals := make([]float64, len(rows)), 0
	for i, row := range rows {
		v, err := strconv.ParseFloat(row[column], 64)
		if err != nil {
			return nil
		}
		values[i] = v
		if _, after, ok := strings.Cut(row[column], "."); ok {
			decimals = max(decimals, len(after))
		}
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		low, high = min(low, v), max(high, v)
	}
	step := math.Pow10(-decimals)
	if (high-low)/step > 20000 {
		step = pack.GridOf(&collector.Point{Low: low, High: high}).Step
	}
	g, counts := pack.Grid{Step: step}, make([]int64, len(values))
	for i, v := range values {
		counts[i], _ = g.Count(v)
	}
	return counts
}
