package serial_test

import (
	"testing"
	"time"

	"roundsman/collector/modbus/serial"
)

// A pause is never shorter than asked for: the silence before a frame may not be.
func TestPauseIsNeverShort(t *testing.T) {
	for _, d := range []time.Duration{-time.Second, 0, 1, 10 * time.Microsecond, 24 * time.Microsecond, 26 * time.Microsecond,
		500 * time.Microsecond, 1750 * time.Microsecond, 2005 * time.Microsecond, 4011 * time.Microsecond, 6 * time.Millisecond} {
		for range 5 {
			begin := time.Now()
			serial.Pause(d)
			if took := time.Since(begin); took < d {
				t.Errorf("a pause of %v took %v", d, took)
			}
		}
	}
}

// BenchmarkPause tells by how much a pause of 1.75 ms is too long.
func BenchmarkPause(b *testing.B) {
	const d = 1750 * time.Microsecond
	var late time.Duration
	for b.Loop() {
		begin := time.Now()
		serial.Pause(d)
		late += time.Since(begin) - d
	}
	b.ReportMetric(float64(late.Nanoseconds())/1000/float64(b.N), "us-late/op")
}
