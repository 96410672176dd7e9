package pack_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/exporter/record/pack"
)

// shapes are the kinds of signal a room has, as counts.
var shapes = map[string]func(r *rand.Rand, i int, last int64) int64{
	"constant": func(*rand.Rand, int, int64) int64 { return 7 },
	"ramp":     func(_ *rand.Rand, i int, _ int64) int64 { return int64(i) * 104 },
	"noise":    func(r *rand.Rand, _ int, _ int64) int64 { return 12000 + int64(r.NormFloat64()*20) },
	"walk":     func(r *rand.Rand, _ int, last int64) int64 { return last + int64(r.IntN(7)) - 3 },
	"contact":  func(_ *rand.Rand, i int, _ int64) int64 { return int64(i / 90 % 2) },
	"wild":     func(r *rand.Rand, _ int, _ int64) int64 { return r.Int64N(1<<53) - 1<<52 },
}

var marksOf = []pack.Mark{
	pack.Plain, pack.MarkOf(collector.Bad, collector.NoAnswer), pack.MarkOf(collector.Uncertain, collector.TooFast),
	pack.MarkOf(collector.Good, collector.OverRange), pack.MarkOf(collector.Unread, collector.NotRead), pack.MarkOf(collector.Uncertain, collector.NoFault),
}

// column makes n readings of a shape; with faults now and then for a while.
func column(r *rand.Rand, shape string, n int, faulty bool) pack.Column {
	c := pack.Column{Counts: make([]int64, n), Marks: make([]pack.Mark, n)}
	mark, last := pack.Plain, int64(0)
	for i := range n {
		if faulty && r.IntN(20) == 0 {
			mark = marksOf[r.IntN(len(marksOf))]
		}
		c.Marks[i] = mark
		if mark.Quality().Usable() {
			last = shapes[shape](r, i, last)
			c.Counts[i] = last
		}
	}
	return c
}

func TestColumnsComeBack(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for shape := range shapes {
		for _, n := range []int{0, 1, 2, 10, 3600} {
			for _, faulty := range []bool{false, true} {
				c := column(r, shape, n, faulty)
				data := pack.AppendColumn([]byte("before"), c)
				got, err := pack.DecodeColumn(data[len("before"):])
				if err != nil {
					t.Fatalf("%s, %d readings: %v", shape, n, err)
				}
				if d := cmp.Diff(c, got); d != "" {
					t.Errorf("%s, %d readings, faults %t: %s", shape, n, faulty, d)
				}
			}
		}
	}
}

func TestExtremesComeBack(t *testing.T) {
	c := pack.Column{Counts: []int64{math.MaxInt64, math.MinInt64, 0, -1, math.MinInt64, math.MaxInt64, 1}, Marks: make([]pack.Mark, 7)}
	for i := range c.Marks {
		c.Marks[i] = pack.Plain
	}
	got, err := pack.DecodeColumn(pack.AppendColumn(nil, c))
	if err != nil || !slices.Equal(c.Counts, got.Counts) {
		t.Errorf("got %d, %v, want %d", got.Counts, err, c.Counts)
	}
}

// TestSizes holds what a shape costs against its entropy where that is known.
func TestSizes(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	normal := 0.5 * math.Log2(2*math.Pi*math.E*800) / 8 // of the difference of two normal values, sigma 20 each: a bound
	for shape, most := range map[string]float64{"constant": 0.006, "ramp": 0.03, "noise": 1.06 * normal, "walk": 1.05 * math.Log2(7) / 8, "contact": 0.05} {
		n := 3600
		got := float64(len(pack.AppendColumn(nil, column(r, shape, n, false)))) / float64(n)
		if got > most {
			t.Errorf("%s: %.4f bytes a reading, want at most %.4f", shape, got, most)
		}
	}
}

func TestTimesComeBack(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for _, step := range []int64{1, 1000, 10000} {
		times := []int64{}
		at := int64(1764075600000)
		for range 1000 {
			times = append(times, at+r.Int64N(5))
			at += step
			if r.IntN(200) == 0 {
				at += r.Int64N(4e6) - 2e6 // an outage, or the clock set back
			}
		}
		data := pack.AppendTimes(nil, times)
		got, err := pack.DecodeTimes(data)
		if err != nil || !slices.Equal(times, got) {
			t.Fatalf("step %d: times differ, %v", step, err)
		}
	}
	grid := make([]int64, 3600)
	for i := range grid {
		grid[i] = 1764075600000 + int64(i)*1000
	}
	if n := len(pack.AppendTimes(nil, grid)); n > 40 {
		t.Errorf("an hour on an exact grid takes %d bytes, want at most 40", n)
	}
}

// sheet makes a window of points on some links, with columns of every shape.
func sheet(r *rand.Rand, points, rounds int) *pack.Sheet {
	s := &pack.Sheet{}
	for k := range 3 {
		var times []int64
		for i := range rounds + k {
			times = append(times, 1764075600000+int64(i)*1000+int64(k)*17)
		}
		s.Clocks = append(s.Clocks, times)
	}
	names := slices.Sorted(func(yield func(string) bool) {
		for n := range shapes {
			if !yield(n) {
				return
			}
		}
	})
	for i := range points {
		clock := i * 3 / points
		s.Series = append(s.Series, int64(i+1))
		s.Clock = append(s.Clock, clock)
		s.Columns = append(s.Columns, column(r, names[i%len(names)], rounds+clock, i%7 == 0))
	}
	return s
}

func TestSheetsComeBack(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for _, points := range []int{0, 1, 31, 32, 33, 1000} {
		s := sheet(r, points, 10)
		p, err := pack.OpenSheet(pack.AppendSheet(nil, s))
		if err != nil {
			t.Fatalf("%d points: %v", points, err)
		}
		if d := cmp.Diff(s.Clocks, p.Clocks) + cmp.Diff(s.Series, append([]int64(nil), p.Series...)) + cmp.Diff(s.Clock, append([]int(nil), p.Clock...)); d != "" {
			t.Errorf("%d points: %s", points, d)
		}
		for _, i := range r.Perm(points) {
			got, err := p.Column(i)
			if err != nil {
				t.Fatalf("%d points: column %d: %v", points, i, err)
			}
			if d := cmp.Diff(s.Columns[i], got); d != "" {
				t.Errorf("%d points: column %d: %s", points, i, d)
			}
		}
	}
}

// TestDamageIsTold changes each byte of a sheet and cuts it at each length: an error that says so, or data that were
// packed, never others.
func TestDamageIsTold(t *testing.T) {
	s := sheet(rand.New(rand.NewPCG(9, 10)), 40, 5)
	data := pack.AppendSheet(nil, s)
	missed := 0
	for i := range data {
		for _, broken := range [][]byte{data[:i], flipped(data, i)} {
			if p, err := unpackAll(broken); err == nil {
				missed++
				_ = p
			} else if !errors.Is(err, pack.ErrDamaged) {
				t.Fatalf("byte %d: %v", i, err)
			}
		}
	}
	// two bytes of check sum let one damage in 65,536 through
	if missed > 1 {
		t.Errorf("%d of %d damages were not noticed", missed, 2*len(data))
	}
}

func flipped(data []byte, i int) []byte {
	b := slices.Clone(data)
	b[i] ^= 0x41
	return b
}

func unpackAll(data []byte) (cols []pack.Column, err error) {
	p, err := pack.OpenSheet(data)
	if err != nil {
		return nil, err
	}
	for i := range p.Series {
		c, err := p.Column(i)
		if err != nil {
			return nil, err
		}
		cols = append(cols, pack.Column{Counts: slices.Clone(c.Counts), Marks: slices.Clone(c.Marks)})
	}
	return cols, nil
}

func TestGrid(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name  string
		point collector.Point
		want  float64
	}{
		{"a raw count", collector.Point{Resolution: 16.0 / 27648, Low: 0, High: 16}, 16.0 / 27648},
		{"a contact", collector.Point{Kind: collector.State, Resolution: 0, Low: nan, High: nan}, 1},
		{"words", collector.Point{Kind: collector.Text, Low: nan, High: nan}, 1},
		{"a range of 16", collector.Point{Low: 0, High: 16}, 0.0005},
		{"a range of 100", collector.Point{Low: 0, High: 100}, 0.005},
		{"a range of 120", collector.Point{Low: -10, High: 110}, 0.005},
		{"a range of 20000", collector.Point{Low: 0, High: 20000}, 1},
		{"two decimals shown", collector.Point{Low: nan, High: nan, Digits: 2}, 0.001},
		{"none shown", collector.Point{Low: nan, High: nan, Digits: 0}, 0.1},
		{"a count of litres", collector.Point{Kind: collector.Counter, Low: nan, High: nan}, 0.001},
	} {
		if got := pack.GridOf(&c.point).Step; got != c.want {
			t.Errorf("%s: step %v, want %v", c.name, got, c.want)
		}
	}
}

// TestGridHoldsValues: half a step at most, whatever the value; nothing lost of what a device sends in whole counts.
func TestGridHoldsValues(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	for _, step := range []float64{0.1, 0.05, 0.002, 16.0 / 27648, 1, 10, 1e-6, 3} {
		g := pack.Grid{Step: step}
		for range 2000 {
			v := r.NormFloat64() * math.Pow(10, float64(r.IntN(24)-6))
			in := collector.Reading{Quality: collector.Good, Value: v}
			n, m := g.Pack(&in)
			if out := g.Unpack(n, m); math.Abs(out-v) > step/2*(1+1e-9)+math.Abs(v)*1e-15 {
				t.Fatalf("step %v: %v came back as %v", step, v, out)
			}
		}
	}
	g := pack.Grid{Step: 120.0 / 16000}
	value := func(raw int) float64 { return -10 + float64(raw-4001)*120/16000 }
	g = g.Through(value(7777))
	for raw := range 27000 {
		in := collector.Reading{Quality: collector.Good, Value: value(raw)}
		n, m := g.Pack(&in)
		if out := g.Unpack(n, m); math.Abs(out-in.Value) > 1e-11 {
			t.Fatalf("raw %d: %v came back as %v", raw, in.Value, out)
		}
	}
	if got := (pack.Grid{Step: 0.1}).Value(3); got != 0.3 {
		t.Errorf("3 steps of 0.1 are %v, want 0.3", got)
	}
}

func TestMarks(t *testing.T) {
	g := pack.Grid{Step: 0.1}
	for _, c := range []struct {
		in   collector.Reading
		want float64
		mark string
	}{
		{collector.Reading{Value: 7.84, Quality: collector.Good}, 7.8, "good "},
		{collector.Reading{Value: 7.84, Quality: collector.Uncertain, Fault: collector.TooFast}, 7.8, "uncertain changed faster than it can"},
		{collector.Reading{Value: 7.84, Quality: collector.Bad, Fault: collector.SignalLow}, math.NaN(), "bad signal too low"},
		{collector.Reading{Value: math.NaN(), Quality: collector.Good}, math.NaN(), "bad not a number"},
		{collector.Reading{Value: 1e300, Quality: collector.Good}, 1e300, "good "},
		{collector.Reading{Value: math.Inf(-1), Quality: collector.Uncertain}, math.Inf(-1), "uncertain "},
	} {
		n, m := g.Pack(&c.in)
		got := g.Unpack(n, m)
		words := fmt.Sprint(m.Quality(), " ", m.Fault())
		if words != c.mark || got != c.want && !(math.IsNaN(got) && math.IsNaN(c.want)) {
			t.Errorf("%+v: %v %q, want %v %q", c.in, got, words, c.want, c.mark)
		}
	}
}

// A state that never changes for days is coded as zeros alone, and comes back all the same.
func TestNothingChanges(t *testing.T) {
	for _, n := range []int{1, 3600, 30_000, 100_000, 1_000_000} {
		for _, count := range []int64{0, 1, -7} {
			c := pack.Column{Counts: make([]int64, n), Marks: make([]pack.Mark, n)}
			for i := range c.Counts {
				c.Counts[i], c.Marks[i] = count, pack.Plain
			}
			data := pack.AppendColumn(nil, c)
			got, err := pack.DecodeColumn(data)
			if err != nil || !slices.Equal(got.Counts, c.Counts) || !slices.Equal(got.Marks, c.Marks) {
				t.Errorf("%d times %d in %d bytes: %v", n, count, len(data), err)
			}
			if n > 1000 && len(data) > 16+n/1000 {
				t.Errorf("%d times %d take %d bytes", n, count, len(data))
			}
		}
	}
}

func FuzzSheet(f *testing.F) {
	f.Add(pack.AppendSheet(nil, sheet(rand.New(rand.NewPCG(1, 1)), 3, 2)))
	f.Add(pack.AppendSheet(nil, &pack.Sheet{}))
	f.Fuzz(func(t *testing.T, data []byte) {
		cols, err := unpackAll(data)
		if err != nil && (cols != nil || !errors.Is(err, pack.ErrDamaged)) {
			t.Errorf("%v with %d columns", err, len(cols))
		}
	})
}

// FuzzColumn also decodes what carries a right check sum, so that the decoder itself is tried.
func FuzzColumn(f *testing.F) {
	r := rand.New(rand.NewPCG(1, 1))
	for shape := range shapes {
		f.Add(pack.AppendColumn(nil, column(r, shape, 20, true))[2:])
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		block := pack.Seal(data)
		c, err := pack.DecodeColumn(block)
		if err != nil {
			if !errors.Is(err, pack.ErrDamaged) {
				t.Error(err)
			}
			return
		}
		again, err := pack.DecodeColumn(pack.AppendColumn(nil, c))
		if err != nil || !slices.Equal(c.Counts, again.Counts) || !slices.Equal(c.Marks, again.Marks) {
			t.Errorf("what was decoded does not come back: %v", err)
		}
		if _, err := pack.DecodeTimes(block); err != nil && !errors.Is(err, pack.ErrDamaged) {
			t.Error(err)
		}
	})
}

func BenchmarkWindow(b *testing.B) {
	s := sheet(rand.New(rand.NewPCG(1, 1)), 1000, 10)
	var data []byte
	for b.Loop() {
		data = pack.AppendSheet(data[:0], s)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/10000, "ns/reading")
}

func BenchmarkDecodeHour(b *testing.B) {
	data := pack.AppendColumn(nil, column(rand.New(rand.NewPCG(1, 1)), "noise", 3600, false))
	for b.Loop() {
		if _, err := pack.DecodeColumn(data); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/3600, "ns/reading")
}

// TestOpenedAgain opens sheets one after the other with the same Packed, damaged ones between: each is what it is alone.
func TestOpenedAgain(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	var p pack.Packed
	sheets := []*pack.Sheet{sheet(r, 70, 10), sheet(r, 70, 12), sheet(r, 3, 9), sheet(r, 300, 10), sheet(r, 0, 0), sheet(r, 70, 10)}
	for round := range 60 {
		s := sheets[round%len(sheets)]
		data := pack.AppendSheet(nil, s)
		if round%5 == 4 {
			if cut := data[:r.IntN(len(data))]; p.Open(cut) == nil && len(p.Series) > 0 {
				t.Fatalf("round %d: %d of %d bytes are taken for a sheet", round, len(cut), len(data))
			}
		}
		if err := p.Open(data); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		if !slices.Equal(p.Series, s.Series) || !slices.Equal(p.Clock, s.Clock) || !slices.EqualFunc(s.Clocks, p.Clocks, slices.Equal) {
			t.Fatalf("round %d: %v, %v, %v", round, p.Series, p.Clock, p.Clocks)
		}
		for _, i := range r.Perm(len(s.Series)) {
			if got, err := p.Column(i); err != nil || !slices.Equal(got.Counts, s.Columns[i].Counts) || !slices.Equal(got.Marks, s.Columns[i].Marks) {
				t.Fatalf("round %d: column %d: %v", round, i, err)
			}
		}
	}
}
