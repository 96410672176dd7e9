package socket_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"roundsman/collector/mqtt/socket"
)

// script is a broker's end: what it sends, in pieces, and what was written to it.
type script struct {
	net.Conn
	pieces  [][]byte
	written []byte
	reads   int
}

func (c *script) Read(p []byte) (int, error) {
	c.reads++
	if len(c.pieces) == 0 {
		return 0, io.EOF
	}
	n := copy(p, c.pieces[0])
	if c.pieces[0] = c.pieces[0][n:]; len(c.pieces[0]) == 0 {
		c.pieces = c.pieces[1:]
	}
	return n, nil
}

func (c *script) Write(p []byte) (int, error) {
	c.written = append(c.written, p...)
	return len(p), nil
}

// basket keeps what a sieve takes.
type basket struct {
	taken []string
	rests int
	took  int // since the last rest
}

func (b *basket) Take(p socket.Publication) {
	b.taken = append(b.taken, fmt.Sprintf("%s %d %v %s", p.Topic, p.Size, p.Retained, p.Payload))
	b.took++
}

func (b *basket) Rest() {
	b.took = 0
	b.rests++
}

func packet(t testing.TB, p packets.ControlPacket) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := p.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func publication(t testing.TB, topic, payload string, qos byte, id uint16, retained bool) []byte {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Payload, p.Qos, p.MessageID, p.Retain = topic, []byte(payload), qos, id, retained
	return packet(t, p)
}

func greeting(t testing.TB) []byte { return packet(t, packets.NewControlPacket(packets.Connack)) }

// paced returns a sieve over a line that keeps 64 bytes of a payload.
func paced(line net.Conn, every time.Duration, in socket.Intake) *socket.Sieve {
	pace := socket.NewPace(line, every)
	return socket.NewSieve(pace, pace, 64, in)
}

// sieved reads all of a broker's bytes through a sieve.
func sieved(pieces ...[]byte) (left []byte, line *script, got *basket, err error) {
	line, got = &script{pieces: pieces}, &basket{}
	left, err = io.ReadAll(paced(line, 0, got))
	return left, line, got, err
}

// Messages of quality 0 and 1 are taken and acknowledged in one write; everything else is the client's, byte for byte.
func TestSieve(t *testing.T) {
	suback := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
	suback.MessageID, suback.ReturnCodes = 7, []byte{0, 1, 0x80}
	pong := packet(t, packets.NewControlPacket(packets.Pingresp))
	second := publication(t, "c", "3", 2, 9, false)
	all := slices.Concat(greeting(t), packet(t, suback), publication(t, "a", "1", 0, 0, true), publication(t, "b/ü", "2", 1, 0x1234, false),
		pong, second, publication(t, "a", "", 1, 2, false))
	left, line, got, err := sieved(all)
	if err != nil {
		t.Fatal(err)
	}
	if want := slices.Concat(greeting(t), packet(t, suback), pong, second); !bytes.Equal(left, want) {
		t.Errorf("the client gets % x, want % x", left, want)
	}
	if want := []string{"a 1 true 1", "b/ü 1 false 2", "a 0 false "}; !slices.Equal(got.taken, want) {
		t.Errorf("taken %q, want %q", got.taken, want)
	}
	if want := []byte{0x40, 2, 0x12, 0x34, 0x40, 2, 0, 2}; !bytes.Equal(line.written, want) {
		t.Errorf("written % x, want the two acknowledgements % x", line.written, want)
	}
	if line.reads != 2 || got.took != 0 {
		t.Errorf("%d reads and %d messages after the last rest, want one read of all, one of the end, and none", line.reads, got.took)
	}
}

// A message before the greeting is a mistake of the broker that the client must see: MQTT 3.1.1, 3.2.
func TestFirstPacketIsTheClients(t *testing.T) {
	first := publication(t, "a", "1", 0, 0, false)
	left, _, got, _ := sieved(first)
	if !bytes.Equal(left, first) || len(got.taken) > 0 {
		t.Errorf("the client gets % x, taken %q, want all and none", left, got.taken)
	}
}

// However long a packet says it is, only so much is kept of it.
func TestLongPayloads(t *testing.T) {
	for _, size := range []int{16 << 10, 66 << 10, 200 << 10, 3 << 20} {
		long := strings.Repeat("x", size)
		_, line, got, err := sieved(greeting(t), publication(t, "a", long, 1, 5, false), publication(t, "b", "1", 0, 0, false))
		if err != nil || len(got.taken) != 2 || got.taken[1] != "b 1 false 1" {
			t.Fatalf("%d bytes: %d messages, %v", size, len(got.taken), err)
		}
		kept := strings.TrimPrefix(got.taken[0], fmt.Sprintf("a %d false ", size))
		if len(kept) < 64 || len(kept) > 140<<10 || kept != long[:len(kept)] {
			t.Errorf("of %d bytes %d are kept: %.40s", size, len(kept), kept)
		}
		if !bytes.Equal(line.written, []byte{0x40, 2, 0, 5}) {
			t.Errorf("acknowledged by % x", line.written)
		}
	}
}

// Bytes that cannot be told apart end the connection; a packet cut short ends it as the line did.
func TestSieveRefuses(t *testing.T) {
	for name, bad := range map[string]string{
		"length of five bytes": "\x30\xff\xff\xff\xff\x01",
		"no topic":             "\x30\x01\x00",
		"topic too long":       "\x30\x03\x00\x05a",
		"no id":                "\x32\x03\x00\x01a",
	} {
		if _, line, got, err := sieved(greeting(t), []byte(bad)); err == nil || errors.Is(err, io.EOF) || len(got.taken)+len(line.written) > 0 {
			t.Errorf("%s: %v, taken %q, written % x", name, err, got.taken, line.written)
		}
	}
	whole := publication(t, "a", "12345", 1, 1, false)
	for cut := range len(whole) {
		if _, line, got, err := sieved(greeting(t), whole[:cut]); err != nil || len(got.taken)+len(line.written) > 0 {
			t.Errorf("cut at %d: %v, taken %q, written % x", cut, err, got.taken, line.written)
		}
	}
}

// FuzzSieve holds the sieve against the library's own reading of the same bytes: the same messages in the same order, and
// for the client the same packets, however the bytes are cut.
func FuzzSieve(f *testing.F) {
	f.Add([]byte("\x30\x05\x00\x01a12\xd0\x00\x32\x06\x00\x01b\x00\x0712\x34\x06\x00\x01c\x00\x0712"), uint64(1))
	f.Add([]byte("\x90\x03\x00\x01\x00\x31\x80\x01"+strings.Repeat("\x00", 128)), uint64(2))
	f.Fuzz(func(t *testing.T, stream []byte, seed uint64) {
		stream = append(greeting(t), stream...)
		var want []string
		r, read := bytes.NewReader(stream), 0
		var client []byte
		for {
			p, err := packets.ReadPacket(r)
			if err != nil {
				break
			}
			next := len(stream) - r.Len()
			if m, ok := p.(*packets.PublishPacket); ok && m.Qos < 2 {
				want = append(want, fmt.Sprintf("%s %d %v %s", m.TopicName, len(m.Payload), m.Retain, m.Payload))
			} else {
				client = append(client, stream[read:next]...)
			}
			read = next
		}
		cut := rand.New(rand.NewPCG(seed, 0))
		var pieces [][]byte
		for rest := stream[:read]; len(rest) > 0; {
			n := 1 + cut.IntN(len(rest))
			pieces, rest = append(pieces, slices.Clone(rest[:n])), rest[n:]
		}
		left, _, got, err := sieved(pieces...)
		if err != nil {
			t.Fatalf("%v in % x, which the library reads", err, stream[:read])
		}
		if !bytes.Equal(left, client) || !slices.Equal(got.taken, want) {
			t.Fatalf("% x: the client gets % x, taken %q, want % x and %q", stream[:read], left, got.taken, client, want)
		}
	})
}

// A thousand messages a second are read fifty times a second; one alone is read when it comes.
func TestPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		line := &trickle{start: time.Now(), greeting: greeting(t), message: publication(t, "a", "1", 0, 0, false)}
		got := &basket{}
		s := paced(line, 20*time.Millisecond, got)
		if _, err := io.Copy(io.Discard, s); err != nil {
			t.Fatal(err)
		}
		if len(got.taken) != trickled || line.reads > 60 {
			t.Errorf("%d messages by %d reads, want %d by about 50", len(got.taken), line.reads, trickled)
		}
	})
	synctest.Test(t, func(t *testing.T) { // the same with nothing but pongs, and with more than a read takes
		pong := packet(t, packets.NewControlPacket(packets.Pingresp))
		line := &script{pieces: [][]byte{greeting(t), pong, pong, bytes.Repeat(publication(t, "a", "1", 0, 0, false), 10000)}}
		begun, got := time.Now(), &basket{}
		if _, err := io.Copy(io.Discard, paced(line, time.Hour, got)); err != nil {
			t.Fatal(err)
		}
		if waited := time.Since(begun); len(got.taken) != 10000 || waited > time.Hour {
			t.Errorf("%d messages in %v, want all and at most one wait, at the end", len(got.taken), waited)
		}
	})
}

// trickle has a message each millisecond for a second.
type trickle struct {
	net.Conn
	start             time.Time
	greeting, message []byte
	sent, reads       int
}

const trickled = 1000

func (c *trickle) Read(p []byte) (n int, err error) {
	c.reads++
	if c.greeting != nil {
		n, c.greeting = copy(p, c.greeting), nil
		return n, nil
	}
	if c.sent == trickled {
		return 0, io.EOF
	}
	next := c.start.Add(time.Duration(c.sent+1) * time.Millisecond)
	time.Sleep(time.Until(next))
	for due := int(time.Since(c.start) / time.Millisecond); c.sent < due && c.sent < trickled; c.sent++ {
		n += copy(p[n:], c.message)
	}
	return n, nil
}

// Taking messages costs no memory.
func TestSieveDoesNotAllocate(t *testing.T) {
	one := bytes.Repeat(publication(t, "yard/tank/7", `{"level":1.92}`, 1, 5, false), 300)
	line, got := &script{written: make([]byte, 0, 1<<20)}, new(silent)
	s := paced(line, 0, got)
	pieces := make([][]byte, 1)
	buf := make([]byte, 64)
	pieces[0], line.pieces = greeting(t), pieces
	if n, err := s.Read(buf); err != nil || n != 4 {
		t.Fatal(n, err)
	}
	allocs := testing.AllocsPerRun(50, func() {
		line.written, pieces[0] = line.written[:0], one
		line.pieces = pieces
		if _, err := s.Read(buf); err != io.EOF {
			t.Fatal(err)
		}
	})
	if allocs > 0 || *got < 300 {
		t.Errorf("%v allocations for 300 messages, %d taken", allocs, *got)
	}
}

// silent counts.
type silent int

func (n *silent) Take(socket.Publication) { *n++ }
func (n *silent) Rest()                   {}
