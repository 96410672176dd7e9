package wire_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"testing"
	"testing/synctest"
	"time"

	gomodbus "github.com/goburrow/modbus"

	"roundsman/collector/modbus/wire"
)

// slow is the timing of a 19,200 baud line, 8E1.
var slow = wire.Timing{Timeout: 300 * time.Millisecond, Char: 572917 * time.Nanosecond, Silence: 2005 * time.Microsecond}

// Frames of MODBUS Application Protocol V1.1b3, section 6, with the CRCs of MODBUS over Serial Line
// V1.02 (computed with pymodbus): the transporter must take them as they stand.
func TestRTUKnownFrames(t *testing.T) {
	tests := []struct{ request, answer, data string }{
		{"11 01 0013 0013 8E92", "11 01 03 CD6B05 4012", "CD6B05"},
		{"11 02 00C4 0016 BAA9", "11 02 03 ACDB35 2018", "ACDB35"},
		{"11 03 006B 0003 7687", "11 03 06 022B 0000 0064 C8BA", "022B00000064"},
		{"11 04 0008 0001 B298", "11 04 02 000A F8F4", "000A"},
	}
	for _, tt := range tests {
		synctest.Test(t, func(t *testing.T) {
			request := fill(tt.request, []byte{0, 0})
			s := &script{size: 8, answers: [][]step{{{bytes: tt.answer}}}}
			tr := wire.NewRTU(s.open, slow)
			defer tr.Close()
			connect(t, tr)
			h := gomodbus.NewRTUClientHandler("")
			h.SlaveId = 0x11
			adu, err := h.Encode(&gomodbus.ProtocolDataUnit{FunctionCode: request[1], Data: request[2:6]})
			if err != nil || !bytes.Equal(adu, request) {
				t.Fatalf("request % X, %v, want %s", adu, err, tt.request)
			}
			answer, err := tr.Send(adu)
			if err != nil {
				t.Fatalf("%s: %v", tt.request, err)
			}
			if got := hex.EncodeToString(answer[3 : len(answer)-2]); got != hex.EncodeToString(fill(tt.data, []byte{0, 0})) {
				t.Errorf("%s: data %s, want %s", tt.request, got, tt.data)
			}
		})
	}
}

func TestRTUAnswers(t *testing.T) {
	proper := rtu("01 03 04 0001 0002")
	echo := rtu("01 03 0000 0002")
	tests := []struct {
		name   string
		answer []step
		want   wire.Reason // 0: the two registers
	}{
		{"proper", []step{{bytes: proper}}, 0},
		{"byte by byte", pieces(proper), 0},
		{"after another unit's", []step{{bytes: rtu("02 03 04 0BAD 0BAD")}, {wait: 5 * time.Millisecond, bytes: proper}}, 0},
		{"after another question's", []step{{bytes: rtu("01 03 02 0BAD")}, {wait: 5 * time.Millisecond, bytes: proper}}, 0},
		{"both in one piece", []step{{bytes: rtu("01 04 04 0BAD 0BAD") + proper}}, 0},
		{"after our own echo", []step{{bytes: echo}, {wait: 5 * time.Millisecond, bytes: proper}}, 0},
		{"echo in pieces", append(pieces(echo), step{bytes: proper}), 0},
		{"echo alone", []step{{bytes: echo}}, wire.Echo},
		{"nothing", nil, wire.TimedOut},
		{"half a frame", []step{{bytes: proper[:8]}}, wire.WrongLength},
		{"two bytes", []step{{bytes: proper[:4]}}, wire.WrongLength},
		{"one byte", []step{{bytes: proper[:2]}}, wire.WrongLength},
		{"spoiled", []step{{bytes: proper[:10] + "FF" + proper[12:]}}, wire.BadCRC},
		{"garbage", []step{{bytes: "FFFEFDFCFBFAF9F8F7F6F5F4F3F2F1F0"}}, wire.Garbage},
		{"a burst of noise", noise(), wire.Garbage},
		{"another unit alone", []step{{bytes: rtu("02 03 04 0BAD 0BAD")}}, wire.WrongUnit},
		{"another function", []step{{bytes: rtu("01 04 04 0BAD 0BAD")}}, wire.WrongFunction},
		{"another function's exception", []step{{bytes: rtu("01 84 02")}}, wire.WrongFunction},
		{"one register of two", []step{{bytes: rtu("01 03 02 0001")}}, wire.WrongLength},
		{"byte count too large", []step{{bytes: rtu("01 03 06 0001 0002")}}, wire.WrongLength},
		{"byte count too small", []step{{bytes: rtu("01 03 02 0001 0002")}}, wire.BadCRC},
		{"hang-up", []step{{hang: true}}, wire.Closed},
		{"hang-up within a frame", []step{{bytes: proper[:8]}, {hang: true}}, wire.Closed},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, stream := range []bool{false, true} {
				synctest.Test(t, func(t *testing.T) {
					first, last := []step{{bytes: rtu("01 03 04 1111 1111")}}, []step{{bytes: rtu("01 03 04 2222 2222")}}
					s := &script{size: 8, answers: [][]step{first, tt.answer, last}}
					tr := wire.NewRTU(s.open, slow)
					if stream {
						tr = wire.NewRTUOverTCP(s.open, slow)
					}
					defer tr.Close()
					connect(t, tr)
					c := client(tr, false)
					wantRegisters(t, c, 0x11, 0x11, 0x11, 0x11)
					data, err := c.ReadHoldingRegisters(0, 2)
					if wantReason(t, err, tt.want); tt.want == 0 && !bytes.Equal(data, []byte{0, 1, 0, 2}) {
						t.Errorf("got % X, want 00 01 00 02", data)
					}
					if open := tt.want == 0 || !stream && tt.want != wire.Closed; tr.Connected() != open {
						t.Errorf("stream %v: connected %v, want %v", stream, tr.Connected(), open)
					}
					connect(t, tr)
					wantRegisters(t, c, 0x22, 0x22, 0x22, 0x22)
					time.Sleep(time.Second) // until the script's last connection has ended
				})
			}
		})
	}
}

// noise is what a line without termination may send.
func noise() []step {
	var out []step
	for range 20 {
		out = append(out, step{wait: 10 * time.Millisecond, bytes: "FFC7"})
	}
	return out
}

// An exception that comes byte by byte, as on a real line, is that exception, and
// the next answers are their own questions'. The library's transporter takes four
// of its five bytes and gives values of the question before for ever after.
func TestRTUPacedException(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &script{size: 8, answers: [][]step{
			pieces(rtu("01 03 04 0190 0190")), pieces(rtu("01 83 02")),
			pieces(rtu("01 03 04 01F4 01F4")), pieces(rtu("01 83 41")), pieces(rtu("01 03 04 0258 0258")),
		}}
		tr := wire.NewRTU(s.open, slow)
		defer tr.Close()
		connect(t, tr)
		c := client(tr, false)
		for i, want := range []byte{0, 2, 0, 0x41, 0} {
			data, err := c.ReadHoldingRegisters(uint16(100*i), 2)
			var x *gomodbus.ModbusError
			switch {
			case want != 0 && (!errors.As(err, &x) || x.ExceptionCode != want):
				t.Errorf("question %d: got % X, %v, want exception %02X", i, data, err, want)
			case want == 0 && (err != nil || int(binary.BigEndian.Uint16(data)) != 400+50*i):
				t.Errorf("question %d: got % X, %v, want %d", i, data, err, 400+50*i)
			}
		}
	})
}

// silences is a line that notes how long it was quiet before each request.
type silences struct {
	wire.Conn
	heard time.Time
	gaps  []time.Duration
}

func (s *silences) Read(b []byte) (int, error) {
	n, err := s.Conn.Read(b)
	if n > 0 {
		s.heard = time.Now()
	}
	return n, err
}

func (s *silences) Write(b []byte) (int, error) {
	s.gaps = append(s.gaps, time.Since(s.heard))
	return s.Conn.Write(b)
}

// Requests keep 3.5 characters of silence whatever came before, or the gap where that is longer.
func TestRTUSilence(t *testing.T) {
	for _, gap := range []time.Duration{0, time.Millisecond, 50 * time.Millisecond} {
		synctest.Test(t, func(t *testing.T) {
			proper := rtu("01 03 04 0001 0002")
			s := &script{size: 8, answers: [][]step{
				pieces(proper), pieces(rtu("01 83 02")), {{bytes: proper}}, {{bytes: "0102"}}, {{bytes: proper}}, {{bytes: proper}},
			}}
			line := &silences{heard: time.Now()}
			timing := slow
			timing.Gap = gap
			tr := wire.NewRTU(func(ctx context.Context) (wire.Conn, error) {
				var err error
				line.Conn, err = s.open(ctx)
				return line, err
			}, timing)
			defer tr.Close()
			connect(t, tr)
			c := client(tr, false)
			for range 6 {
				c.ReadHoldingRegisters(0, 2)
			}
			const drain = time.Millisecond // a pipe cannot be looked at without waiting
			for i, got := range line.gaps {
				least := max(slow.Silence, gap)
				if i == 0 {
					least = slow.Silence
				}
				if got < least || i < 4 && got > least+2*drain {
					t.Errorf("gap %v, request %d: %v of silence, want %v", gap, i, got, least)
				}
			}
		})
	}
}

// question is one request as it reached the device.
type question struct {
	frame []byte
	at    time.Time
}

// queue is a device on a pipe that works off its questions one after the other,
// as a slow device with an input buffer does. The first register of an answer
// is the address asked for, the second the time in ms when the question came.
// Addresses divisible by seven are refused.
func queue(ctx context.Context, c net.Conn, delay func() time.Duration, lose func() bool) {
	questions := make(chan question, 64)
	go func() {
		defer close(questions)
		for {
			b := make([]byte, 8)
			if _, err := io.ReadFull(c, b); err != nil {
				return
			}
			questions <- question{b, time.Now()}
		}
	}()
	for q := range questions {
		time.Sleep(delay())
		if ctx.Err() != nil || lose() {
			continue
		}
		c.SetWriteDeadline(time.Now().Add(time.Second))
		c.Write(q.answer())
	}
}

func (q question) answer() []byte {
	address, n := binary.BigEndian.Uint16(q.frame[2:]), binary.BigEndian.Uint16(q.frame[4:])
	body := []byte{q.frame[0], q.frame[1] | 0x80, 2}
	if address%7 != 0 {
		body = []byte{q.frame[0], q.frame[1], byte(2 * n)}
		body = binary.BigEndian.AppendUint16(body, address)
		body = binary.BigEndian.AppendUint16(body, uint16(q.at.UnixMilli()))
		body = append(body, make([]byte, 2*n-4)...)
	}
	frame, err := hex.DecodeString(rtu(hex.EncodeToString(body)))
	if err != nil {
		panic(err)
	}
	return frame
}

// Whatever is late or lost, an answer handed back is the answer to its own
// question and none from before it: a device answers up to twice the time-out
// late, or not at all, and thousands of questions of one shape, some of them the
// same, never swap their answers. Exceptions do not either.
func TestRTULateAnswersNeverSwap(t *testing.T) {
	for seed := range uint64(40) {
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			rnd := rand.New(rand.NewPCG(seed, 1))
			opened := uint64(1)
			slowness := rnd.Int64N(int64(600 * time.Millisecond))
			open := func(context.Context) (wire.Conn, error) {
				near, far := net.Pipe()
				opened++
				device := rand.New(rand.NewPCG(seed, opened))
				go queue(ctx, far, func() time.Duration {
					return 10*time.Millisecond + time.Duration(device.Int64N(slowness+1))
				}, func() bool { return device.IntN(10) == 0 })
				return near, nil
			}
			tr := wire.NewRTU(open, slow)
			if seed%2 == 1 {
				tr = wire.NewRTUOverTCP(open, slow)
			}
			defer tr.Close()
			if good := interrogate(t, tr, rnd); good == 0 {
				t.Errorf("seed %d: no answer at all", seed)
			}
			cancel()
			tr.Close()
			time.Sleep(time.Minute) // until the device has worked off its queue
		})
	}
}

// interrogate asks 300 questions, each up to four times, and holds each answer to its question.
func interrogate(t *testing.T, tr transporter, rnd *rand.Rand) (good int) {
	c := client(tr, false)
	tries := rnd.IntN(4)
	for range 300 {
		address, count := uint16(rnd.IntN(10)), uint16(2+rnd.IntN(3)/2)
		first := time.Now()
		for range 1 + tries {
			connect(t, tr)
			data, err := c.ReadHoldingRegisters(address, count)
			var x *gomodbus.ModbusError
			if err != nil && !errors.As(err, &x) {
				continue
			}
			good++
			if refused := err != nil; refused != (address%7 == 0) {
				t.Fatalf("asked %d, got % X, %v", address, data, err)
			}
			if err == nil && binary.BigEndian.Uint16(data) != address {
				t.Fatalf("asked %d, got the answer to %d", address, binary.BigEndian.Uint16(data))
			}
			if err == nil && int16(binary.BigEndian.Uint16(data[2:])-uint16(first.UnixMilli())) < 0 {
				t.Fatalf("asked %d, got an answer from before the question", address)
			}
			break
		}
		time.Sleep(time.Duration(60+rnd.IntN(100)) * time.Millisecond)
	}
	return good
}
