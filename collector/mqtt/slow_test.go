package mqtt_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/mqtt"
)

// While nobody takes the batches the connection goes on: pings are answered,
// messages are taken off the line, the oldest are dropped and counted, and the newest is there in the end.
func TestSlowReceiverDoesNotHoldUpTheConnection(t *testing.T) {
	bubble(t, func(t *testing.T, b *pipeBroker) {
		l := newLink(t, b, mqtt.Point{ID: 1, Topic: "a"})
		ctx, cancel := context.WithCancel(t.Context())
		out := make(chan collector.Batch)
		var work sync.WaitGroup
		work.Go(func() {
			if err := l.Run(ctx, out); err != nil {
				t.Error(err)
			}
		})
		<-out // the link is up
		const messages = 20000
		for i := range messages {
			b.publish("a", fmt.Sprint(i), false)
			if i%1000 == 0 {
				time.Sleep(time.Second)
			}
		}
		time.Sleep(2 * time.Minute)
		if dials, _ := b.dialled(); !l.Status().Up || dials != 1 {
			t.Errorf("up %v after %d connections, want the first one still up: %s", l.Status().Up, dials, l.Status().LastError)
		}
		got := 0
		for last := -1.0; last != messages-1; {
			batch := <-out
			for _, r := range batch.Readings {
				if r.Value <= last {
					t.Fatalf("%v after %v, want rising values", r.Value, last)
				}
				last = r.Value
				got++
			}
		}
		if dropped := int(l.Status().Dropped); dropped == 0 || got+dropped != messages {
			t.Errorf("%d read and %d dropped, want %d together and some of both", got, dropped, messages)
		}
		cancel()
		work.Wait()
	})
}
