package mqtt_test

import (
	"context"
	"net"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/collector/mqtt"
)

// wantBeats holds both goroutines of a link to have come round within d, several times over.
func wantBeats(t *testing.T, l collector.Link, d time.Duration) {
	t.Helper()
	for range 5 {
		before := l.Status().Beats
		time.Sleep(d + time.Millisecond)
		after := l.Status().Beats
		for _, who := range []int{collector.Owner, collector.Keeper} {
			if after[who] == before[who] {
				t.Errorf("goroutine %d stays at beat %d for %v", who, after[who], d)
			}
		}
	}
}

// A broker that has nothing to say does not make the link look stuck, nor does one that is not there.
func TestBeats(t *testing.T) {
	t.Run("silent broker", func(t *testing.T) {
		bubble(t, func(t *testing.T, b *pipeBroker) {
			r := start(t, b, mqtt.Options{}, mqtt.Point{ID: 1, Topic: "yard/level"})
			defer r.stop()
			settle()
			wantBeats(t, r.link, collector.BeatEvery)
		})
	})
	t.Run("no broker", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			refuse := func(context.Context, string, string) (net.Conn, error) { return nil, syscall.ECONNREFUSED }
			r := startOver(t, refuse, mqtt.Options{}, mqtt.Point{ID: 1, Topic: "yard/level"})
			defer r.stop()
			time.Sleep(time.Minute)
			wantBeats(t, r.link, 15*time.Second) // its longest pause
		})
	})
}
