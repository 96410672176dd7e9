package mqtt

import (
	"bytes"

	paho "github.com/eclipse/paho.mqtt.golang"

	"roundsman/collector"
	"roundsman/collector/mqtt/socket"
)

// intake puts the messages of one connection into the link's queue. The goroutine that reads the connection owns it.
type intake struct {
	link   *Link
	at     collector.Moment // when the messages at hand were read; 0: none is
	topics map[string]string
	chunk  []byte // the payloads of many messages lie one behind the other
}

// chunkSize is in bytes. A payload that is still wanted keeps its chunk; the queue's bound counts payloads.
const chunkSize = 4096

func newIntake(l *Link) *intake { return &intake{link: l, topics: make(map[string]string)} }

// Take copies a message into the queue.
func (in *intake) Take(p socket.Publication) {
	if in.at == 0 {
		in.at = in.link.clock.Now()
	}
	payload := p.Payload
	if p.Size > in.link.opts.MaxPayload {
		payload = payload[:min(len(payload), quoted)]
	}
	in.link.queue.put(message{topic: in.topic(p.Topic), payload: in.keep(payload), size: p.Size, at: in.at, retained: p.Retained})
}

// Rest wakes the owner of the points for all that was taken.
func (in *intake) Rest() {
	if in.at != 0 {
		in.at = 0
		in.link.queue.wake()
	}
}

// topic returns a topic as a string, the same one for the same topic.
func (in *intake) topic(b []byte) string {
	if s, ok := in.topics[string(b)]; ok {
		return s
	}
	s := string(b)
	if len(in.topics) < knownTopics {
		in.topics[s] = s
	}
	return s
}

// keep copies a payload.
func (in *intake) keep(b []byte) []byte {
	if len(b) > chunkSize/4 {
		return bytes.Clone(b)
	}
	if len(b) > cap(in.chunk)-len(in.chunk) {
		in.chunk = make([]byte, 0, chunkSize)
	}
	from := len(in.chunk)
	in.chunk = append(in.chunk, b...)
	return in.chunk[from:len(in.chunk):len(in.chunk)]
}

// handle copies a message of quality of service 2, which comes by way of the client, into the queue. The client delivers
// nothing else until it returns.
func (l *Link) handle(_ paho.Client, m paho.Message) {
	payload := m.Payload()
	size := len(payload)
	if size > l.opts.MaxPayload {
		payload = bytes.Clone(payload[:min(size, quoted)])
	}
	l.queue.put(message{topic: m.Topic(), payload: payload, size: size, at: l.clock.Now(), retained: m.Retained()})
	l.queue.wake()
}
