package mqtt

import (
	"fmt"
	"testing"

	"roundsman/collector"
)

func TestFullQueueDropsTheOldestAndCounts(t *testing.T) {
	q := newQueue()
	const more = 100
	for i := range queueMessages + more {
		q.put(message{topic: fmt.Sprint(i), at: collector.Moment(i)})
	}
	got, dropped := q.take(nil)
	if len(got) != queueMessages || dropped != more {
		t.Fatalf("%d messages and %d dropped, want %d and %d", len(got), dropped, queueMessages, more)
	}
	for i, m := range got {
		if m.at != collector.Moment(i+more) {
			t.Fatalf("message %d is number %d, want %d", i, m.at, i+more)
		}
	}
	if got, dropped := q.take(nil); len(got) != 0 || dropped != 0 {
		t.Errorf("afterwards %d messages and %d dropped, want none", len(got), dropped)
	}
}

func TestQueueBoundsItsBytes(t *testing.T) {
	q := newQueue()
	const size = 64 << 10
	for range 1000 {
		q.put(message{payload: make([]byte, size)})
	}
	got, dropped := q.take(nil)
	if len(got) != queueBytes/size || int(dropped) != 1000-len(got) {
		t.Errorf("%d messages of %d bytes and %d dropped, want %d kept", len(got), size, dropped, queueBytes/size)
	}
	if q.bytes != 0 {
		t.Errorf("%d bytes in an empty queue", q.bytes)
	}
}

// The queue beside a plain slice under steps of uneven size.
func TestQueueKeepsOrder(t *testing.T) {
	q := newQueue()
	next, want := 0, 0
	var got []message
	for step := range 200 {
		for range step * 7 % 150 {
			q.put(message{at: collector.Moment(next)})
			next++
		}
		q.wake()
		if step%3 != 0 {
			continue
		}
		got, _ = q.take(got[:0])
		for _, m := range got {
			if int(m.at) != want {
				t.Fatalf("step %d: message %d, want %d", step, m.at, want)
			}
			want++
		}
		if len(got) > 0 && want != next {
			t.Fatalf("step %d: %d messages taken, want all %d", step, want, next)
		}
	}
	select {
	case <-q.ready:
	default:
		t.Error("messages were put and nobody was told")
	}
}
