package mqtt

import (
	"testing"
	"time"

	"roundsman/collector"
)

// BenchmarkRead prints what one message costs from the queue to its reading.
func BenchmarkRead(b *testing.B) {
	points := []collector.Point{{Name: "level", Unit: "m"}, {Name: "battery", Unit: "V"}}
	for _, bm := range []struct {
		name, payload string
		points        []Point
	}{
		{"number", "1.92", []Point{{Topic: "a", StaleAfter: time.Minute}}},
		{"unit", "38.4 kg", []Point{{Topic: "a", Units: func(string) (float64, float64, bool) { return 1, 0, true }}}},
		{"json", `{"ts":1764057600,"level":1.92,"battery":3.61}`, []Point{{Topic: "a", Value: "/level", StaleAfter: time.Minute}}},
		{"two-points-and-stamp", `{"ts":"2025-11-25T08:00:00Z","level":1.92,"battery":3.61}`,
			[]Point{{Topic: "a", Value: "/level", Time: "/ts"}, {ID: 1, Topic: "a", Value: "/battery", Time: "/ts"}}},
	} {
		b.Run(bm.name, func(b *testing.B) {
			t, err := newTable(withDefaults(Options{Points: bm.points}), points)
			if err != nil {
				b.Fatal(err)
			}
			m := message{topic: "a", payload: []byte(bm.payload), size: len(bm.payload)}
			wall := time.Date(2025, 11, 25, 8, 0, 1, 0, time.UTC)
			dst := make([]collector.Reading, 0, 16)
			b.ReportAllocs()
			for b.Loop() {
				for _, p := range t.points {
					p.stamp = time.Time{} // else the repeated stamp ends it early
				}
				m.at++
				dst, _ = t.read(dst[:0], &m, instant{m.at, wall})
				if len(dst) != len(bm.points) || dst[0].Quality != collector.Good {
					b.Fatalf("%+v", dst)
				}
			}
		})
	}
}
