package socket

import (
	"encoding/binary"
	"errors"
	"net"
)

// Publication is one message. Topic and Payload are only lent until Take returns.
type Publication struct {
	Topic    []byte
	Payload  []byte // its beginning if it is longer than the sieve keeps
	Size     int    // of the whole payload, in bytes
	Retained bool
}

// Intake gets the messages of a sieve, on the goroutine that reads.
type Intake interface {
	Take(p Publication)
	// Rest tells that all that came was taken and that the line is read next.
	Rest()
}

// Sieve takes the messages of quality of service 0 and 1 out of what a broker sends and acknowledges them. The client
// library that reads the sieve sees everything else: greetings, grants, answers to its pings, messages of quality 2.
// The library reads each packet by three system calls and hands it through five goroutines, which costs more than all
// that is made of a message; here one read brings all messages that wait, and one write acknowledges them (MQTT 3.1.1,
// 3.3 and 3.4).
//
// A message is acknowledged when Take has returned. One goroutine may read; anybody may write.
type Sieve struct {
	net.Conn
	pace   *Pace
	intake Intake
	most   int // bytes of a payload that are kept

	buf     []byte
	r, w    int    // what of buf is unread
	pass    int    // bytes of the present packet that are the client's
	greeted bool   // the first packet, which must be a CONNACK, has come
	acks    []byte // to be written before the next read
}

// sieveBuffer in bytes takes a hundred sensors' messages at once.
const sieveBuffer = 16 << 10

// longestTopic is what two bytes of length allow (MQTT 3.1.1, 1.5.3).
const longestTopic = 1<<16 - 1

// errPacket ends a connection whose packets cannot be told apart any more.
var errPacket = errors.New("the broker sends what is no MQTT packet")

// NewSieve returns a sieve over conn, which reads by way of pace. Of longer payloads only the beginning is kept, at least
// most bytes.
func NewSieve(conn net.Conn, pace *Pace, most int, in Intake) *Sieve {
	return &Sieve{Conn: conn, pace: pace, intake: in, most: most, buf: make([]byte, sieveBuffer)}
}

// Read returns what is the client's and takes the messages before it. It never returns bytes of two packets.
func (s *Sieve) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	for s.pass == 0 {
		if err := s.packet(); err != nil {
			return 0, err
		}
	}
	if err := s.need(1); err != nil {
		return 0, err
	}
	n := copy(p, s.buf[s.r:min(s.w, s.r+s.pass)])
	s.r += n
	s.pass -= n
	return n, nil
}

// packet takes the next packet if it is a message, or leaves it to the client.
func (s *Sieve) packet() error {
	head, length, err := s.header()
	if err != nil {
		return err
	}
	if kind := s.buf[s.r]; s.greeted && kind>>4 == 3 && kind&6 < 4 {
		return s.message(kind, head, length)
	}
	s.greeted = true
	s.pass = head + length
	return nil
}

// header returns how long the fixed header of the next packet is and how much follows it (MQTT 3.1.1, 2.2).
func (s *Sieve) header() (head, length int, err error) {
	for head = 1; ; head++ {
		if err := s.need(head + 1); err != nil {
			return 0, 0, err
		}
		b := s.buf[s.r+head]
		length |= int(b&127) << (7 * (head - 1))
		switch {
		case b < 128:
			return head + 1, length, nil
		case head == 4:
			return 0, 0, errPacket
		}
	}
}

// message takes a PUBLISH packet.
func (s *Sieve) message(kind byte, head, length int) error {
	if head+length > len(s.buf) {
		return s.long(kind, head, length)
	}
	if err := s.need(head + length); err != nil {
		return err
	}
	body := s.buf[s.r+head : s.r+head+length]
	s.r += head + length
	return s.take(kind, body, length)
}

// long takes a packet that does not fit into the buffer, of any length in bounded memory.
func (s *Sieve) long(kind byte, head, length int) error {
	s.r += head
	body := make([]byte, min(length, 2+longestTopic+2+s.most))
	for got := 0; got < length; {
		if err := s.need(1); err != nil {
			return err
		}
		n := min(s.w-s.r, length-got)
		copy(body[min(got, len(body)):], s.buf[s.r:s.r+n])
		s.r += n
		got += n
	}
	return s.take(kind, body, length)
}

// take hands over the message whose variable header and payload begin with body.
func (s *Sieve) take(kind byte, body []byte, length int) error {
	if len(body) < 2 {
		return errPacket
	}
	at := 2 + int(binary.BigEndian.Uint16(body))
	topic := body[2:min(at, len(body))]
	id := at
	if kind&6 != 0 {
		at += 2
	}
	if at > len(body) {
		return errPacket
	}
	s.pace.busy = true
	s.intake.Take(Publication{Topic: topic, Payload: body[at:], Size: length - at, Retained: kind&1 != 0})
	if kind&6 != 0 {
		s.acks = append(s.acks, 4<<4, 2, body[id], body[id+1])
	}
	return nil
}

// need reads until n bytes wait in the buffer; n is at most its length.
func (s *Sieve) need(n int) error {
	if s.r == s.w {
		s.r, s.w = 0, 0
	}
	for s.w-s.r < n {
		if len(s.buf)-s.r < n {
			s.w = copy(s.buf, s.buf[s.r:s.w])
			s.r = 0
		}
		if err := s.fill(); err != nil {
			return err
		}
	}
	return nil
}

// fill acknowledges what was taken and reads once.
func (s *Sieve) fill() error {
	s.intake.Rest()
	if len(s.acks) > 0 {
		if _, err := s.Conn.Write(s.acks); err != nil {
			return err
		}
		s.acks = s.acks[:0]
	}
	n, err := s.Conn.Read(s.buf[s.w:])
	s.w += n
	if n > 0 {
		return nil
	}
	return err
}
