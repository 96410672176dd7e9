package metrics

import (
	"math"
	"os"
	"testing"
	"time"
)

// Lines of proc(5): the name may hold blanks and brackets, and field 22 counts from behind it.
func TestStartOf(t *testing.T) {
	const rest = " S 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 12345 20 21"
	for _, tt := range []struct {
		stat string
		want time.Duration // 0: an error
	}{
		{"42 (roundsman)" + rest, 123450 * time.Millisecond},
		{"42 (a) S 1 (b)" + rest, 123450 * time.Millisecond},
		{"42 (roundsman) S 1 2 3", 0},
		{"42 (roundsman) S 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 soon 20", 0},
		{"", 0},
	} {
		if got, err := startOf([]byte(tt.stat)); got != tt.want || (err != nil) != (tt.want == 0) {
			t.Errorf("%q: got %v, %v, want %v", tt.stat, got, err, tt.want)
		}
	}
}

// Without /proc, as in a hardened unit, the figures that need it are not known and the others are.
func TestWithoutProc(t *testing.T) {
	p := &process{started: -1, told: math.Inf(-1)}
	u := p.usage()
	if !math.IsNaN(u.resident) || !math.IsNaN(u.virtual) || !math.IsNaN(u.start) {
		t.Errorf("got %+v, want no memory and no start", u)
	}
	if math.IsNaN(u.cpu) || math.IsNaN(u.most) {
		t.Errorf("got %+v, want processor time and most descriptors", u)
	}
	if n := countFiles(t.TempDir() + "/none"); !math.IsNaN(n) {
		t.Errorf("no folder: %v, want no number", n)
	}
}

// Counting, the way before Linux 6.2, comes to what the folder's size says since.
func TestCountFiles(t *testing.T) {
	for range 2 {
		counted, told := countFiles("/proc/self/fd"), openFiles()
		if counted != told || counted < 3 {
			t.Errorf("counted %v, told %v", counted, told)
		}
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
	}
}
