package units_test

import (
	"math"
	"testing"
	"time"

	"roundsman/collector/units"
)

// What parses is finite and writes back to a text that parses to the same.
func FuzzParseQuantity(f *testing.F) {
	for _, seed := range []string{
		"5.5 bar", "80psi", "-10 °C", "1e3 Pa", "2 %/min", "10 L/min/s", "42", "5 1/min", "5/min", // good
		"5,5 bar", "1.2.3 L", "NaN", "inf", "1e999", "", "+", ".", "5e", "5 e3", "0x1p3 m", // bad numbers
		"1 bar/m", "1 /", "1 //s", "1 s/s/s/s", "1 µ", "1 \xff", // bad units
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		q, err := units.ParseQuantity(text)
		if err != nil {
			if q != (units.Quantity{}) {
				t.Fatalf("%q gives %v with its error", text, q)
			}
			return
		}
		if math.IsNaN(q.Value) || math.IsInf(q.Value, 0) {
			t.Fatalf("%q is %v", text, q.Value)
		}
		again, err := units.ParseQuantity(q.String())
		if err != nil || again != q {
			t.Fatalf("%q prints as %q, which reads as %v, %v", text, q, again, err)
		}
		base, _ := units.Base(q.Unit)
		if q.Unit != units.None {
			if _, err := q.In(base); err != nil {
				t.Fatalf("%q in its base: %v", text, err)
			}
		}
	})
}

// What parses is not negative and writes back to the same duration.
func FuzzParseDuration(f *testing.F) {
	for _, seed := range []string{"15s", "1 h 30 min", "2m30s", "0", "30d", "0.1ms", "-1s", "5", "1e9d", "1h,5m", "106751d 23h 47m", "9 µs"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		d, err := units.ParseDuration(text)
		if d < 0 || err != nil && d != 0 {
			t.Fatalf("%q is %v, %v", text, d, err)
		}
		if err != nil || d%time.Microsecond != 0 {
			return // the text form below has microseconds
		}
		if again, err := units.ParseDuration(d.String()); err != nil || again != d {
			t.Fatalf("%q is %v, which reads as %v, %v", text, d, again, err)
		}
	})
}

func BenchmarkParseQuantity(b *testing.B) {
	for b.Loop() {
		if _, err := units.ParseQuantity("0.08 bar/s"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkConvert(b *testing.B) {
	psi, _ := units.Parse("psi")
	bar, _ := units.Parse("bar")
	for b.Loop() {
		if _, _, err := units.Convert(psi, bar); err != nil {
			b.Fatal(err)
		}
	}
}
