package modbus_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
)

// A link whose points are due once an hour, and one whose device is not there, still show that they are not stuck; one
// whose readings nobody takes does not.
func TestBeats(t *testing.T) {
	tests := []struct {
		name         string
		every        time.Duration
		dead, nobody bool // the device is not there; nobody takes the readings
		want         bool
	}{
		{"every second", time.Second, false, false, true},
		{"once an hour", time.Hour, false, false, true},
		{"no device", time.Hour, true, false, true},
		{"readings that nobody takes", time.Hour, false, true, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				r := newRig(ctx, map[uint8]*device.Bank{1: bank()})
				r.dead.Store(tt.dead)
				r.add(1, modbus.HoldingRegisters, 7)
				r.opts.Points[0].Every = tt.every
				l, err := modbus.New(r.opts, r.points, collector.NewClock())
				if err != nil {
					t.Fatal(err)
				}
				out := make(chan collector.Batch)
				done := make(chan error, 1)
				go func() { done <- l.Run(ctx, out) }()
				if !tt.nobody {
					go func() {
						for {
							select {
							case <-out:
							case <-ctx.Done():
								return
							}
						}
					}()
				}
				time.Sleep(time.Minute)
				for range 5 {
					before := l.Status().Beats
					time.Sleep(collector.BeatEvery + time.Millisecond)
					after := l.Status().Beats
					if moved := after[collector.Owner] != before[collector.Owner]; moved != tt.want {
						t.Errorf("the link's beats went from %d to %d, want a change: %v", before[collector.Owner], after[collector.Owner], tt.want)
					}
					if after[collector.Keeper] != 0 {
						t.Errorf("%d beats of a goroutine that there is not", after[collector.Keeper])
					}
				}
				cancel()
				if err := <-done; !errors.Is(err, context.Canceled) {
					t.Errorf("run ended with %v", err)
				}
			})
		})
	}
}
