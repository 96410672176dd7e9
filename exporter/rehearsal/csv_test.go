package rehearsal_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/configs/strict"
	"roundsman/exporter/rehearsal"
)

// room is three points: a pressure, a contact and a word.
func room() []collector.Point {
	return []collector.Point{
		{ID: 0, Name: "air.pressure", Unit: "bar", Low: 0, High: 16},
		{ID: 1, Name: "air.running", Kind: collector.State},
		{ID: 2, Name: "air.mode", Kind: collector.Text},
	}
}

func open(data string, more func(*rehearsal.CSVOptions)) (*rehearsal.CSV, error) {
	o := rehearsal.CSVOptions{Name: "d.csv", Points: room(), Near: func(w string, names []string) string { return strict.Near(w, names) }}
	if more != nil {
		more(&o)
	}
	return rehearsal.NewCSV(strings.NewReader(data), o)
}

// dump reads everything: a line a moment, '10s: air.pressure=7.5 air.running=bad(not a number)'.
func dump(src *rehearsal.CSV, err error) (string, error) {
	if err != nil {
		return "", err
	}
	var b strings.Builder
	for {
		at, readings, err := src.Next()
		if errors.Is(err, io.EOF) {
			return b.String(), nil
		}
		if err != nil {
			return b.String(), err
		}
		fmt.Fprintf(&b, "%s:", src.Form().Append(nil, at))
		for _, r := range readings {
			fmt.Fprintf(&b, " %s=", room()[r.Point].Name)
			switch {
			case !r.Quality.Usable():
				fmt.Fprintf(&b, "%s(%s)", r.Quality, r.Reason())
			case r.Text != "":
				b.WriteString(r.Text)
			default:
				fmt.Fprintf(&b, "%g", r.Value)
			}
			if r.Quality == collector.Uncertain {
				b.WriteString("?")
			}
			if r.At != at {
				fmt.Fprintf(&b, " at %d", r.At)
			}
		}
		b.WriteByte('\n')
	}
}

func TestReadings(t *testing.T) {
	tests := []struct{ name, data, want string }{
		{"wide", "time,air.pressure,air.running\n0,7.5,1\n10,,0\n20,bad,\n", "0: air.pressure=7.5 air.running=1\n10: air.running=0\n20: air.pressure=bad(recorded as bad)\n"},
		{"no end of last line", "time,air.pressure\n0,7.5\n1,7.6", "0: air.pressure=7.5\n1: air.pressure=7.6\n"},
		{"line ends of other systems, byte order mark, blank lines", "\ufefftime,air.pressure\r\n\r\n0,7.5\r\n1,7.6\r\n", "0: air.pressure=7.5\n1: air.pressure=7.6\n"},
		{"blanks and quotes", `time, air.pressure ,"air.mode"` + "\n" + `0, 7.5 ,"auto, ""eco"""` + "\n" + `"1","7.25",x` + "\n", "0: air.pressure=7.5 air.mode=auto, \"eco\"\n1: air.pressure=7.25 air.mode=x\n"},
		{"numbers", "time,air.pressure\n0,-0.25\n1,+3\n2,1e-3\n3,.5\n4,5.\n5,0.30000000000000004\n6,123456789012345678\n", "0: air.pressure=-0.25\n1: air.pressure=3\n2: air.pressure=0.001\n3: air.pressure=0.5\n4: air.pressure=5\n5: air.pressure=0.30000000000000004\n6: air.pressure=1.2345678901234568e+17\n"},
		{"states", "time,air.running\n0,true\n1,FALSE\n2,on\n3,Off\n4,1\n", "0: air.running=1\n1: air.running=0\n2: air.running=1\n3: air.running=0\n4: air.running=1\n"},
		{"not a number", "time,air.pressure\n0,NaN\n1,-inf\n", "0: air.pressure=bad(not a number)\n1: air.pressure=bad(not a number)\n"},
		{"unreadable", "time,air.pressure\n0,n/a\n1,0x1p3\n2,1_000\n3,true\n4,1e999\n", "0: air.pressure=bad(unreadable payload)\n1: air.pressure=bad(unreadable payload)\n2: air.pressure=bad(unreadable payload)\n3: air.pressure=bad(unreadable payload)\n4: air.pressure=bad(unreadable payload)\n"},
		{"long", "time,point,value\n0,air.pressure,7.5\n0,air.running,1\n1,air.pressure,bad\n1,air.running,\n2,air.running,on\n", "0: air.pressure=7.5 air.running=1\n1: air.pressure=bad(recorded as bad)\n2: air.running=1\n"},
		{"long with quality", "time,point,value,quality\n0,air.pressure,7.5,good\n1,air.pressure,7.5,uncertain\n2,air.pressure,7.5,bad\n3,air.pressure,,bad\n4,air.pressure,7.25,\n5,air.pressure,x,good\n", "0: air.pressure=7.5\n1: air.pressure=7.5?\n2: air.pressure=bad(recorded as bad)\n3: air.pressure=bad(recorded as bad)\n4: air.pressure=7.25\n5: air.pressure=bad(unreadable payload)\n"},
		{"times", "time,air.pressure\n2026-07-01T06:10:00.5+01:00,1\n2026-07-01T05:10:01Z,2\n2026-07-01 05:10:02.123456789123-00:00,3\n2026-12-31T23:59:60Z,4\n", "2026-07-01T06:10:00.5+01:00: air.pressure=1\n2026-07-01T05:10:01Z: air.pressure=2\n2026-07-01 05:10:02.123456789-00:00: air.pressure=3\n2027-01-01T00:00:00Z: air.pressure=4\n"},
		{"seconds", "time,air.pressure\n-1.5,1\n0,2\n1e1,3\n1333324800.25,4\n", "-1.5: air.pressure=1\n0: air.pressure=2\n10: air.pressure=3\n1333324800.25: air.pressure=4\n"},
		{"rows of one moment", "time,air.pressure,air.running\n0,1,\n0,,1\n0,2,0\n1,3,1\n", "0: air.pressure=2 air.running=0\n1: air.pressure=3 air.running=1\n"},
		{"out of order", "time,air.pressure\n5,1\n3,2\n6,3\n", "5: air.pressure=1\n6: air.pressure=3\n"},
		{"stopped in the last line", "time,air.pressure,air.running\n0,1,1\n1,2", "0: air.pressure=1 air.running=1\n"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := dump(open(tt.data, nil))
			if diff := cmp.Diff(tt.want, got); diff != "" || err != nil {
				t.Errorf("%q: %v (-want +got):\n%s", tt.data, err, diff)
			}
		})
	}
}

// A reader that gives one byte at a time must make no difference.
func TestReadByteByByte(t *testing.T) {
	const data = "time,air.pressure,air.running\r\n2026-07-01T06:10:00Z,7.5,1\r\n2026-07-01T06:10:01Z,7.25,bad"
	want, err := dump(open(data, nil))
	if err != nil {
		t.Fatal(err)
	}
	got, err := dump(rehearsal.NewCSV(iotest.OneByteReader(strings.NewReader(data)), rehearsal.CSVOptions{Points: room()}))
	if got != want || err != nil {
		t.Errorf("got %q, %v, want %q", got, err, want)
	}
}

func TestBadFiles(t *testing.T) {
	long := strings.Repeat("x", 60)
	tests := []struct{ name, data, want string }{
		{"empty", "", "d.csv: empty: expected a header such as time,air.pressure"},
		{"no time column", "stamp,air.pressure\n", `d.csv:1:1: the first column is "stamp": it must be time`},
		{"time is not first", "air.pressure,time\n", `d.csv:1:1: the first column is "air.pressure": it must be time, which is column 2`},
		{"first column without name", ",air.pressure\n", `d.csv:1:1: the first column has no name: it must be time`},
		{"semicolons", "time;air.pressure\n0;7,5\n", `d.csv:1:5: cells are separated by ";": expected commas, and numbers with a decimal point`},
		{"only time", "time\n0\n", `d.csv:1: no column but time: expected one for each point, or time,point,value`},
		{"unknown points, all at once", "time,air.presure,air.running,x\n", "d.csv:1:6: the site has no point \"air.presure\" (did you mean air.pressure?)\nd.csv:1:30: the site has no point \"x\""},
		{"a column twice", "time,air.running,air.running\n", "d.csv:1:18: column 3 is air.running, as column 2 is"},
		{"a column without name", "time,air.running,\n0,1,\n", "d.csv:1:18: column 3 has no name"},
		{"a long name", "time," + long + "\n", `d.csv:1:6: the site has no point "` + long[:37] + `..."`},
		{"an open quote", "time,\"air.running\n", "d.csv:1:6: a quote is not closed on its line"},
		{"text behind a quote", "time,air.mode\n0,\"a\"b\n", `d.csv:2:6: "b" behind a closing quote: expected a comma`},

		{"decimal comma in quotes", "time,air.pressure\n0,\"7,5\"\n", `d.csv:2:3: "7,5" has a decimal comma: write 7.5`},
		{"decimal commas", "time,air.pressure,air.running\n0,7,5,1,0\n", "d.csv:2:7: 5 cells, the header has 3: are there decimal commas? write 7.5"},
		{"too many cells", "time,air.pressure,air.running\n0,7.5,1,\n", "d.csv:2:9: 4 cells, the header has 3"},
		{"too few cells", "time,air.pressure,air.running\n0,7.5\n1,7,1\n", "d.csv:2: 2 cells, the header has 3"},
		{"no zone", "time,air.running\n2020-02-01 00:00:00,1\n", `d.csv:2:1: "2020-02-01 00:00:00" has no zone: write 2026-07-01T06:10:00Z, or +01:00 for the Z`},
		{"no such day", "time,air.running\n2026-02-29T00:00:00Z,1\n", `d.csv:2:1: "2026-02-29T00:00:00Z" is no such date or time of day`},
		{"no such hour", "time,air.running\n2026-02-28T24:00:00Z,1\n", `d.csv:2:1: "2026-02-28T24:00:00Z" is no such date or time of day`},
		{"a date of another custom", "time,air.running\n01.02.2026 10:00,1\n", `d.csv:2:1: "01.02.2026 10:00" is no time: expected RFC 3339 such as 2026-07-01T06:10:00Z, or seconds`},
		{"comma in the seconds", "time,air.running\n\"2026-07-01T06:10:00,5Z\",1\n", `d.csv:2:1: "2026-07-01T06:10:00,5Z" has a decimal comma: write a point`},
		{"decimal comma in a time", "time,air.running\n\"0,5\",1\n", `d.csv:2:1: "0,5" has a decimal comma: write a point`},
		{"milliseconds", "time,air.running\n1751350200000,1\n", `d.csv:2:1: "1751350200000" is beyond the years 1678 to 2262: seconds are expected, are these milliseconds?`},
		{"no time", "time,air.running\n,1\n", `d.csv:2:1: "" no time`},
		{"two kinds of time", "time,air.running\n0,1\n2026-07-01T06:10:00Z,1\n", `d.csv:3:1: "2026-07-01T06:10:00Z" is not of the kind of the times before it`},
		{"backwards", "time,air.running\n9,1\n8,1\n7,1\n", "d.csv:4: times run backwards: 2 rows are earlier than one before them (d.csv:3: 8): sort the file by time"},

		{"long: unknown point", "time,point,value\n0,air.runing,1\n", `d.csv:2:3: the site has no point "air.runing" (did you mean air.running?)`},
		{"long: unknown quality", "time,point,value,quality\n0,air.running,1,fine\n", `d.csv:2:17: unknown quality "fine": expected good, uncertain or bad`},
		{"long: too few cells", "time,point,value\n0,air.running\n1,air.running,1\n", "d.csv:2: 2 cells, the header has 3"},
		{"long: decimal comma", "time,point,value\n0,air.pressure,7,5\n", "d.csv:2:18: 4 cells, the header has 3"},
		{"long: decimal comma in quotes", "time,point,value\n0,air.pressure,\"7,5\"\n", `d.csv:2:16: "7,5" has a decimal comma: write 7.5`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := dump(open(tt.data, nil))
			if got := fmt.Sprint(err); got != tt.want {
				t.Errorf("%q:\ngot  %s\nwant %s", tt.data, got, tt.want)
			}
		})
	}
}

func TestReaderFails(t *testing.T) {
	broken := io.MultiReader(strings.NewReader("time,air.pressure\n0,1\n1,"), iotest.ErrReader(errors.New("input/output error")))
	_, err := dump(rehearsal.NewCSV(broken, rehearsal.CSVOptions{Name: "d.csv", Points: room()}))
	if got, want := fmt.Sprint(err), "d.csv:3: input/output error"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	endless := io.MultiReader(strings.NewReader("time,air.pressure\n"), iotest.OneByteReader(strings.NewReader("")), zeros{})
	_, err = dump(rehearsal.NewCSV(endless, rehearsal.CSVOptions{Name: "d.csv", Points: room()}))
	if got, want := fmt.Sprint(err), "d.csv:2: line is longer than 4 MiB: is this a CSV file?"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	clear(p)
	return len(p), nil
}

// What was put right is counted and its first places are named; nothing is passed over in silence.
func TestRepairsAreCounted(t *testing.T) {
	tests := []struct {
		name, data string
		more       func(*rehearsal.CSVOptions)
		want       []string
	}{
		{"nothing", "time,air.pressure\n0,1\n", nil, nil},
		{"out of order", "time,air.pressure\n5,1\n3,2\n6,3\n7,3\n", nil, []string{"1 rows earlier than one before them, left out: d.csv:3: 3"}},
		{"doubled rows", "time,air.pressure,air.running\n5,1,1\n5,2,1\n", nil,
			[]string{"2 readings of a point and time that came before, the last one taken: d.csv:3: air.pressure, d.csv:3: air.running"}},
		{"doubled, long", "time,point,value\n5,air.pressure,1\n5,air.running,1\n5,air.pressure,2\n", nil,
			[]string{"1 readings of a point and time that came before, the last one taken: d.csv:4: air.pressure"}},
		{"unreadable, the first few", "time,air.pressure\n0,a\n1,b\n2,c\n3,d\n", nil,
			[]string{`4 cells that cannot be read, taken as bad readings: d.csv:2: air.pressure "a", d.csv:3: air.pressure "b", d.csv:4: air.pressure "c", ...`}},
		{"NaN", "time,air.pressure\n0,nan\n", nil, []string{`1 cells that are no number (NaN or infinite), taken as bad readings: d.csv:2: air.pressure "nan"`}},
		{"cut short", "time,air.pressure,air.running\n0,1,1\n1,1", nil, []string{"1 last line cut short, left out: d.csv:3"}},
		{"computed, long", "time,point,value\n0,air.pressure,1\n0,air.running,1\n", func(o *rehearsal.CSVOptions) { o.Computed = []collector.PointID{0} },
			[]string{"1 readings of points that the site computes, passed over: d.csv:2: air.pressure"}},
		{"from and to", "time,air.pressure\n0,1\n1,1\n2,1\n3,1\n", func(o *rehearsal.CSVOptions) {
			from, to := collector.Moment(time.Second), collector.Moment(3*time.Second)
			o.From, o.To = &from, &to
		}, []string{"2 rows outside the time asked for"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			src, err := open(tt.data, tt.more)
			if _, err = dump(src, err); err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, r := range src.Ledger().Repairs {
				got = append(got, r.String())
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("%q (-want +got):\n%s", tt.data, diff)
			}
		})
	}
}

func TestLedgerCounts(t *testing.T) {
	src, err := open("time,air.pressure,air.running\n0,1,1\n1,,bad\n2,x,1\n3,1,1\n13,1,1\n14,1,1\n14,1,bad\n", nil)
	if _, err = dump(src, err); err != nil {
		t.Fatal(err)
	}
	l := src.Ledger()
	got := fmt.Sprint(l.Rows, l.Moments, l.Readings, l.Bad, l.Empty, l.Period, l.Gaps, l.Missing, l.Longest, l.GapAfter)
	if want := "7 6 11 3 1 1s 1 9 10s 3"; got != want {
		t.Errorf("rows, moments, readings, bad, empty, period, gaps, missing, longest, after: got %s, want %s", got, want)
	}
}

// The fast way to read a number must agree with the general one to the last bit.
func TestNumbersAreExact(t *testing.T) {
	for _, text := range []string{"0", "-0", "0.1", "0.3", "8.2", "8.3", "123456.789012", "999999999999999", "0.000000000000001", "-99999.9999999999", "00012.50"} {
		src, err := open("time,air.pressure\n0,"+text+"\n", nil)
		if err != nil {
			t.Fatal(err)
		}
		_, readings, err := src.Next()
		if err != nil {
			t.Fatal(err)
		}
		var want float64
		if _, err := fmt.Sscan(text, &want); err != nil {
			t.Fatal(err)
		}
		if got := readings[0].Value; math.Float64bits(got) != math.Float64bits(want) && text != "-0" {
			t.Errorf("%s: got %v, want %v", text, got, want)
		}
	}
}
