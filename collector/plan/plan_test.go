package plan_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"roundsman/collector/plan"
)

func even(baud int) plan.Line { return plan.Line{Baud: baud, CharBits: 11} }

// MODBUS over Serial Line V1.02, 2.5.1 (second-hand): characters of a read and its answer, with two t3.5,
// computed for the usual speeds.
func TestLineTimeIsTheTheoreticalMinimum(t *testing.T) {
	tests := []struct {
		name       string
		baud, bits int
		table      uint8
		count      uint16
		characters int
		wantMillis float64
	}{
		{"9600, 1 register", 9600, 11, 3, 1, 15, 25.2083},
		{"9600, 10 registers", 9600, 11, 3, 10, 33, 45.8333},
		{"9600, 60 registers", 9600, 11, 3, 60, 133, 160.4167},
		{"9600, 125 registers", 9600, 11, 4, 125, 263, 309.3750},
		{"9600, 8N1, 1", 9600, 10, 3, 1, 15, 22.9167},
		{"9600, 8N1, 125", 9600, 10, 3, 125, 263, 281.2500},
		{"19200, 1 register", 19200, 11, 3, 1, 15, 12.6042},
		{"19200, 10 registers", 19200, 11, 4, 10, 33, 22.9167},
		{"19200, 60 registers", 19200, 11, 3, 60, 133, 80.2083},
		{"19200, 125 registers", 19200, 11, 3, 125, 263, 154.6875},
		{"19200, 8N1, 10", 19200, 10, 3, 10, 33, 20.8333},
		{"19200, 2000 coils", 19200, 11, 1, 2000, 263, 154.6875},
		{"19200, 9 inputs are 2 bytes", 19200, 11, 2, 9, 15, 12.6042},
		{"115200, 1 register", 115200, 11, 3, 1, 15, 4.9323},
		{"115200, 10 registers", 115200, 11, 3, 10, 33, 6.6510},
		{"115200, 60 registers", 115200, 11, 3, 60, 133, 16.1997},
		{"115200, 125 registers", 115200, 11, 3, 125, 263, 28.6128},
		{"115200, 8N1, 125", 115200, 10, 3, 125, 263, 26.3299},
		{"bits unsaid are 11", 19200, 0, 3, 1, 15, 12.6042},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l := plan.Line{Baud: tt.baud, CharBits: tt.bits}
			r := plan.Request{Table: tt.table, Count: tt.count}
			if got := l.Bytes(r); got != tt.characters {
				t.Errorf("Bytes = %d characters, want %d", got, tt.characters)
			}
			if got := millis(l.Time(r)); math.Abs(got-tt.wantMillis) > 0.00006 {
				t.Errorf("Time = %.5f ms, want %.4f ms", got, tt.wantMillis)
			}
		})
	}
}

func millis(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// t3.5 of the same source: 3.5 characters up to 19 200 baud, 1.750 ms above.
func TestSilence(t *testing.T) {
	tests := []struct {
		baud, bits int
		want       float64 // microseconds
	}{
		{2400, 11, 16041.7}, {4800, 11, 8020.8}, {9600, 11, 4010.4}, {19200, 11, 2005.2},
		{38400, 11, 1750}, {57600, 11, 1750}, {115200, 11, 1750},
		{2400, 10, 14583.3}, {9600, 10, 3645.8}, {19200, 10, 1822.9}, {38400, 10, 1750},
		{0, 11, 0},
	}
	for _, tt := range tests {
		got := float64(plan.Line{Baud: tt.baud, CharBits: tt.bits}.Silence()) / float64(time.Microsecond)
		if math.Abs(got-tt.want) > 0.06 {
			t.Errorf("Silence at %d baud, %d bits = %.1f us, want %.1f us", tt.baud, tt.bits, got, tt.want)
		}
	}
}

func TestTimeAddsPauses(t *testing.T) {
	serial := even(19200)
	serial.Gap = 3 * time.Millisecond
	serial.Turnaround = func(unit uint8) time.Duration { return time.Duration(unit) * time.Millisecond }
	r := plan.Request{Unit: 7, Table: 3, Count: 125}
	if got, want := millis(serial.Time(r)), 154.6875+3+7; math.Abs(got-want) > 0.0001 {
		t.Errorf("serial Time = %.4f ms, want %.4f ms", got, want)
	}
	tcp := plan.Line{RoundTrip: time.Millisecond, PerByte: time.Microsecond}
	// MODBUS Messaging on TCP/IP V1.0b (from memory): 7 bytes of header on 5 and on 2 + 2N bytes.
	if got, want := tcp.Bytes(r), 12+9+250; got != want {
		t.Errorf("TCP Bytes = %d, want %d", got, want)
	}
	if got, want := tcp.Time(r), time.Millisecond+271*time.Microsecond; got != want {
		t.Errorf("TCP Time = %v, want %v", got, want)
	}
	serial.Gap = math.MaxInt64 / 4
	serial.Turnaround = nil
	items := []plan.Item{{1, 3, 0, 1}, {1, 3, 124, 1}}
	if got, err := plan.Build(items, nil, serial); err != nil || len(got) != 1 {
		t.Errorf("with an endless gap Build = %v, %v, want one request", got, err)
	}
}

// The largest gap of unwanted registers that a single read still bridges, from the same formula: 13 characters
// and two t3.5 against two characters a register.
func TestBreakEvenGap(t *testing.T) {
	turnaround := func(uint8) time.Duration { return 20 * time.Millisecond }
	tests := []struct {
		name string
		line plan.Line
		gap  float64 // registers
	}{
		{"9600", even(9600), 10.00},
		{"19200", even(19200), 10.00},
		{"19200 8N1", plan.Line{Baud: 19200, CharBits: 10}, 10.00},
		{"38400", even(38400), 12.61},
		{"57600", even(57600), 15.66},
		{"115200", even(115200), 24.83},
		{"115200 8N1", plan.Line{Baud: 115200, CharBits: 10}, 26.66},
		{"19200, device takes 20 ms", plan.Line{Baud: 19200, CharBits: 11, Turnaround: turnaround}, 27.45},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for gap := 0; gap < 60; gap++ {
				items := []plan.Item{{1, 3, 0, 6}, {1, 3, uint16(6 + gap), 6}}
				got, err := plan.Build(items, nil, tt.line)
				if err != nil {
					t.Fatal(err)
				}
				if merged, want := len(got) == 1, float64(gap) <= tt.gap; merged != want {
					t.Errorf("gap %d: merged %v, want %v (break-even %.2f)", gap, merged, want, tt.gap)
				}
			}
		})
	}
}

// Worked from the same formula: 19 200 8E1, then 115 200.
func TestMergeExamples(t *testing.T) {
	tests := []struct {
		name       string
		baud       int
		second     uint16
		wantReads  int
		wantMillis float64
	}{
		{"gap 4 merges", 19200, 10, 1, 29.7917},
		{"gap 10 costs the same, fewer requests win", 19200, 16, 1, 36.6667},
		{"gap 14 stays apart", 19200, 20, 2, 36.6667},
		{"115200: gap 22 merges", 115200, 28, 1, 11.2344},
		{"115200: gap 25 stays apart", 115200, 31, 2, 11.7743},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			line := even(tt.baud)
			got, err := plan.Build([]plan.Item{{1, 4, 0, 6}, {1, 4, tt.second, 6}}, nil, line)
			if err != nil {
				t.Fatal(err)
			}
			if len(got) != tt.wantReads {
				t.Errorf("%d requests %+v, want %d", len(got), got, tt.wantReads)
			}
			if ms := millis(line.Total(got)); math.Abs(ms-tt.wantMillis) > 0.00011 {
				t.Errorf("line time %.5f ms, want %.4f ms", ms, tt.wantMillis)
			}
		})
	}
}

func TestBuildNamesWhatItCannotRead(t *testing.T) {
	items := []plan.Item{
		{3, 4, 2, 4},      // 0: a good one
		{3, 4, 20, 11},    // 1: longer than the device gives
		{3, 4, 40, 2},     // 2: touches 41
		{3, 5, 0, 1},      // 3: no such table
		{3, 3, 7, 0},      // 4: nothing
		{3, 3, 65535, 2},  // 5: past the end
		{3, 4, 42, 1},     // 6: beside the forbidden one
		{3, 4, 39, 2},     // 7: before it, overlapping the refused item
		{1, 1, 0, 2001},   // 8: more bits than the protocol allows
		{1, 1, 100, 2000}, // 9: just as many
	}
	limit := func(unit, table uint8) plan.Limit {
		if unit == 3 && table == 4 {
			return plan.Limit{Max: 10, Forbidden: []plan.Span{{41, 41}, {50, 49}}}
		}
		return plan.Limit{}
	}
	got, err := plan.Build(items, limit, even(9600))
	want := []string{
		"unit 1: coil 0-2000: 2001 in one piece, the device gives at most 2000 a request",
		"unit 3: holding 7: asks for nothing",
		"unit 3: holding 65535-65536: runs past address 65535",
		"unit 3: input 20-30: 11 in one piece, the device gives at most 10 a request",
		"unit 3: input 40-41: touches an address that must not be read",
		"unit 3: table 5 0: no function code 1 to 4 reads it",
	}
	if err == nil || err.Error() != strings.Join(want, "\n") {
		t.Errorf("errors\n%v\nwant\n%s", err, strings.Join(want, "\n"))
	}
	var ie *plan.ItemError
	if !errors.As(err, &ie) || ie.Index != 8 {
		t.Errorf("errors.As gave %+v, want the item with index 8", ie)
	}
	served := map[int]bool{}
	for _, r := range got {
		for _, i := range r.Items {
			served[i] = true
		}
	}
	for _, i := range []int{0, 6, 7, 9} {
		if !served[i] {
			t.Errorf("item %d is not served by %+v", i, got)
		}
	}
	if len(served) != 4 {
		t.Errorf("served %v, want only 0, 6, 7, 9", served)
	}
}

func TestBuildNothing(t *testing.T) {
	if got, err := plan.Build(nil, nil, plan.Line{}); got != nil || err != nil {
		t.Errorf("Build(nil) = %v, %v, want nil, nil", got, err)
	}
}

// A plan is right if every item is served once and whole, and no request breaks a limit.
func TestEveryPlanIsLawful(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for n := 0; n < 300; n++ {
		c := randomCase(r, 1+r.IntN(60), 400)
		got, err := plan.Build(c.items, c.limitOf, c.line)
		refused := refusedItems(err)
		checkLawful(t, c, got, refused)
		if t.Failed() {
			t.Fatalf("case %d: %+v", n, c)
		}
	}
}

func checkLawful(t *testing.T, c planCase, got []plan.Request, refused map[int]bool) {
	t.Helper()
	served := map[int]int{}
	for _, q := range got {
		if int(q.Count) > c.limit.Max {
			t.Errorf("%+v asks for more than %d", q, c.limit.Max)
		}
		for _, s := range c.limit.Forbidden {
			if q.Start <= s.Last && int(s.First) < int(q.Start)+int(q.Count) {
				t.Errorf("%+v touches the forbidden %v", q, s)
			}
		}
		for _, i := range q.Items {
			it := c.items[i]
			served[i]++
			if it.Unit != q.Unit || it.Table != q.Table || it.Start < q.Start ||
				int(it.Start)+int(it.Count) > int(q.Start)+int(q.Count) {
				t.Errorf("item %+v is not inside its request %+v", it, q)
			}
		}
	}
	for i := range c.items {
		want := 1
		if refused[i] {
			want = 0
			if readable(c, c.items[i]) {
				t.Errorf("item %d %+v was refused for no reason", i, c.items[i])
			}
		}
		if served[i] != want {
			t.Errorf("item %d %+v served %d times, want %d", i, c.items[i], served[i], want)
		}
	}
}

func readable(c planCase, it plan.Item) bool {
	first, last := int(it.Start), int(it.Start)+int(it.Count)-1
	ok := it.Table >= 1 && it.Table <= 4 && it.Count > 0 && last < 65536 && int(it.Count) <= c.limit.Max
	for _, f := range c.limit.Forbidden {
		ok = ok && (int(f.Last) < first || int(f.First) > last)
	}
	return ok
}
