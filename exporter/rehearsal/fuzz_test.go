package rehearsal_test

import (
	"encoding/csv"
	"errors"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"

	"roundsman/collector"
	"roundsman/exporter/rehearsal"
)

// FuzzCSV throws files at the reader: it never panics, its moments rise, each point comes at most once a moment, and
// nothing gets lost: cells are readings, empty, or counted as repaired.
func FuzzCSV(f *testing.F) {
	for _, s := range []string{
		"time,air.pressure,air.running,air.mode\n0,7.5,1,auto\n1,,bad,\n2,7.25,true,\"a,\"\"b\"\n",
		"time,point,value,quality\n0,air.pressure,7.5,good\n0,air.running,1,\n1,air.pressure,,bad\n",
		"time,point,value\n0,air.mode,x\n0,air.mode,y\n",
		"time,air.pressure\n2026-07-01T06:10:00.5+01:00,1\n2026-07-01 06:10:01Z,2\n2016-12-31T23:59:60Z,1\n",
		"time,air.pressure\r\n-1.5,1e3\r\n-1,\"7,5\"\r\n", "\ufefftime,air.pressure\n9223372036,1\n9300000000,1", "time;air.pressure\n", "time,air.pressure\n5,1\n4,1\n3,1\n",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, data string) {
		src, err := open(data, nil)
		if err != nil {
			if src != nil {
				t.Fatal("a source beside an error")
			}
			return
		}
		last, moments, readings := collector.Moment(math.MinInt64), uint64(0), uint64(0)
		for {
			at, batch, err := src.Next()
			if err != nil {
				if !errors.Is(err, io.EOF) && !strings.HasPrefix(err.Error(), "d.csv:") {
					t.Fatalf("an error without its place: %v", err)
				}
				break
			}
			if at <= last && moments > 0 {
				t.Fatalf("moment %d after %d", at, last)
			}
			seen := map[collector.PointID]bool{}
			for _, r := range batch {
				if seen[r.Point] || r.At != at || r.Quality == collector.Unread {
					t.Fatalf("reading %+v in %v", r, batch)
				}
				seen[r.Point] = true
			}
			last, moments, readings = at, moments+1, readings+uint64(len(batch))
			formAgrees(t, src.Form(), at)
		}
		if l := src.Ledger(); l.Moments < moments || l.Moments > moments+1 || l.Readings != readings || l.Bad > l.Readings+3 {
			t.Fatalf("%d moments and %d readings came, the ledger says %+v", moments, readings, l)
		}
	})
}

// formAgrees: a time as it would stand in the data reads back as the same moment.
func formAgrees(t *testing.T, f rehearsal.Form, at collector.Moment) {
	t.Helper()
	text := string(f.Append(nil, at))
	back, err := rehearsal.ParseTime(text)
	if err != nil || back.At != at {
		t.Fatalf("%d is written as %s, which reads as %d, %v", at, text, back.At, err)
	}
}

// FuzzWideAgainstLibrary compares plain wide files, made of the fuzzer's numbers, with encoding/csv and strconv.
func FuzzWideAgainstLibrary(f *testing.F) {
	f.Add("7.5", "-0.25", "1e3")
	f.Add("0.30000000000000004", "999999999999999.5", ".5")
	f.Add("00", "5.", "+1")
	f.Add("x", "", "nan")
	f.Fuzz(func(t *testing.T, a, b, c string) {
		for _, cell := range []string{a, b, c} {
			if strings.ContainsAny(cell, "\",\r\n") || strings.TrimSpace(cell) != cell {
				return
			}
		}
		data := "time,air.pressure\n0," + a + "\n1," + b + "\n2," + c + "\n"
		rows, err := csv.NewReader(strings.NewReader(data)).ReadAll()
		if err != nil {
			return
		}
		src, err := open(data, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range rows[1:] {
			_, batch, err := src.Next()
			if err != nil {
				t.Fatalf("%q: %v", data, err)
			}
			want, err := strconv.ParseFloat(row[1], 64)
			decimal := err == nil && !math.IsInf(want, 0) && !math.IsNaN(want) && !strings.ContainsAny(row[1], "xX_pPnN")
			switch {
			case row[1] == "":
				if len(batch) != 0 {
					t.Fatalf("an empty cell read as %+v", batch[0])
				}
			case decimal && len(row[1]) <= 400 && (!batch[0].Quality.Usable() || batch[0].Value != want):
				t.Fatalf("%q: got %+v, want %v", row[1], batch[0], want)
			case !decimal && batch[0].Quality.Usable():
				t.Fatalf("%q: got %+v, want a bad reading", row[1], batch[0])
			}
		}
	})
}
