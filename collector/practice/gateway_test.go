package practice

import (
	"context"
	"io"
	"net"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// Who subscribes a little after the gateway connected hears the drums too, not five minutes later.
func TestGatewaySendsAllAgainAfterItConnected(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		began := time.Now()
		var drums []time.Duration
		g := &gateway{tank: tankEvery, drum: drumEvery, read: func(now time.Time, drum bool) []message {
			if drum {
				drums = append(drums, now.Sub(began))
			}
			return nil
		}}
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute+drumEvery)
		defer cancel()
		drained := make(chan struct{})
		go func() {
			defer close(drained)
			_, _ = io.Copy(io.Discard, far)
		}()
		if err := g.publishing(ctx, near); err != nil {
			t.Error(err)
		}
		near.Close()
		<-drained
		want := []time.Duration{0, 5 * time.Second, 20 * time.Second, 20*time.Second + drumEvery}
		if !slices.Equal(drums, want) {
			t.Errorf("drums were sent at %v, want %v", drums, want)
		}
	})
}
