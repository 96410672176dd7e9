package mqtt

import (
	"sync"

	"roundsman/collector"
)

// Bounds of the queue between the client and the link.
const (
	queueMessages = 16384
	queueBytes    = 8 << 20 // of payload
)

// message is one publication as it arrived.
type message struct {
	topic    string
	payload  []byte // its beginning if it was longer than MaxPayload
	size     int    // of the payload as sent
	at       collector.Moment
	retained bool
}

// queue holds messages between the goroutine that reads the connection, which must not wait, and
// the link's loop. When it is full the oldest is dropped and counted: the
// newest value of a point is worth more than the one before.
type queue struct {
	ready chan struct{} // holds one token while there may be messages

	mu      sync.Mutex
	ring    []message
	head    int // of the oldest
	n       int
	bytes   int
	dropped uint64
}

func newQueue() *queue { return &queue{ready: make(chan struct{}, 1)} }

// put adds a message. It never waits for the loop.
func (q *queue) put(m message) {
	q.mu.Lock()
	for q.n > 0 && (q.n == queueMessages || q.bytes+len(m.payload) > queueBytes) {
		q.pop()
		q.dropped++
	}
	if q.n == len(q.ring) {
		q.grow()
	}
	q.ring[(q.head+q.n)%len(q.ring)] = m
	q.n++
	q.bytes += len(m.payload)
	q.mu.Unlock()
}

// wake tells the loop that there are messages. Call it after the last put of several.
func (q *queue) wake() {
	select {
	case q.ready <- struct{}{}:
	default:
	}
}

func (q *queue) pop() message {
	m := q.ring[q.head]
	q.ring[q.head] = message{}
	q.head = (q.head + 1) % len(q.ring)
	q.n--
	q.bytes -= len(m.payload)
	return m
}

// grow doubles the ring, up to queueMessages.
func (q *queue) grow() {
	bigger := make([]message, min(max(64, 2*len(q.ring)), queueMessages))
	for i := range q.n {
		bigger[i] = q.ring[(q.head+i)%len(q.ring)]
	}
	q.ring, q.head = bigger, 0
}

// take appends all messages to dst, oldest first, and returns how many were dropped since the last call.
func (q *queue) take(dst []message) ([]message, uint64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for q.n > 0 {
		dst = append(dst, q.pop())
	}
	dropped := q.dropped
	q.dropped = 0
	return dst, dropped
}
