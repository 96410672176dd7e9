package wire_test

import (
	"context"
	"encoding/binary"
	"os"
	"testing"
	"time"

	gomodbus "github.com/goburrow/modbus"

	"roundsman/collector/modbus/wire"
)

// canned is a line that answers each request with the same bytes, in pieces, and then with a time-out.
// The first two bytes become the request's transaction id where stamp is set.
type canned struct {
	answer []byte
	piece  int
	stamp  bool
	rest   []byte
}

func (c *canned) Write(b []byte) (int, error) {
	c.rest = append([]byte(nil), c.answer...)
	if c.stamp && len(c.rest) > 1 {
		copy(c.rest, b[:2])
	}
	return len(b), nil
}

func (c *canned) Read(b []byte) (int, error) {
	if len(c.rest) == 0 {
		return 0, os.ErrDeadlineExceeded
	}
	n := copy(b, c.rest[:min(c.piece, len(c.rest))])
	c.rest = c.rest[n:]
	return n, nil
}

func (c *canned) Close() error                { return nil }
func (c *canned) SetDeadline(time.Time) error { return nil }

// fuzzFunctions are requests for three registers, 19 bits and the identification.
var fuzzFunctions = [][]byte{{3, 0, 0, 0, 3}, {4, 0, 0, 0, 3}, {1, 0, 0, 0, 19}, {2, 0, 0, 0, 19}, {43, 14, 1, 0}}

// checkAnswer holds an answer's PDU to what a client may take for one: the function asked for with the
// length asked for, or its exception of two bytes.
func checkAnswer(t *testing.T, request, answer []byte) {
	t.Helper()
	switch {
	case answer[0] == request[0]|0x80:
		if len(answer) != 2 {
			t.Fatalf("exception % X", answer)
		}
	case answer[0] != request[0]:
		t.Fatalf("% X answers % X", answer, request)
	case request[0] == 3 || request[0] == 4:
		if len(answer) != 8 || answer[1] != 6 {
			t.Fatalf("% X answers % X", answer, request)
		}
	case request[0] == 1 || request[0] == 2:
		if len(answer) != 5 || answer[1] != 3 {
			t.Fatalf("% X answers % X", answer, request)
		}
	}
}

// Whatever bytes come, a transporter hands over an answer that fits its request, or a typed reason.
func FuzzTCPReply(f *testing.F) {
	for _, s := range []string{
		"0000 0000 0009 01 03 06 0001 0002 0003", "0000 0000 0003 01 83 02", "0000 0000 0006 01 01 03 CD6B05",
		"0000 0000 0009 01 03 08 0001 0002 0003", "0000 0000 0000", "0000 0000 FFFF 01", "0000 0000 0009 02 03 06 0001 0002 0003",
		"0000 0000 0010 01 2B 0E 01 01 00 00 01 00 04 50554D50",
	} {
		f.Add(uint8(0), uint8(7), true, fill(s, []byte{0, 0}))
	}
	f.Fuzz(func(t *testing.T, function, piece uint8, stamp bool, answer []byte) {
		pdu := fuzzFunctions[int(function)%len(fuzzFunctions)]
		line := &canned{answer: answer, piece: 1 + int(piece), stamp: stamp}
		tr := wire.NewTCP(func(context.Context) (wire.Conn, error) { return line, nil }, time.Second)
		h := gomodbus.NewTCPClientHandler("")
		h.SlaveId = 1
		fuzzSend(t, tr, h, pdu, 7, 0)
	})
}

// The same for RTU; with seal set, the frame gets a proper CRC, so that what lies behind it is reached.
func FuzzRTUReply(f *testing.F) {
	for _, s := range []string{
		"01 03 06 0001 0002 0003", "01 83 02", "01 01 03 CD6B05", "02 03 06 0001 0002 0003", "01 03 02 0001", "01 03 FF",
		"01 03 0000 0003", "01 2B 0E 01 01 00 00 01 00 04 50554D50", "01 2B 0E 01 01 00 00 FF 00 FF",
	} {
		f.Add(uint8(0), uint8(7), true, fill(s, []byte{0, 0}))
	}
	f.Fuzz(func(t *testing.T, function, piece uint8, seal bool, answer []byte) {
		if seal {
			answer = binary.LittleEndian.AppendUint16(append([]byte(nil), answer...), crc(answer))
		}
		pdu := fuzzFunctions[int(function)%len(fuzzFunctions)]
		line := &canned{answer: answer, piece: 1 + int(piece)}
		tr := wire.NewRTU(func(context.Context) (wire.Conn, error) { return line, nil }, wire.Timing{})
		h := gomodbus.NewRTUClientHandler("")
		h.SlaveId = 1
		fuzzSend(t, tr, h, pdu, 1, 2)
	})
}

// fuzzSend sends a PDU that lies head bytes behind the start of its frame and tail before the end.
func fuzzSend(t *testing.T, tr transporter, p gomodbus.Packager, pdu []byte, head, tail int) {
	connect(t, tr)
	defer tr.Close()
	request, err := p.Encode(&gomodbus.ProtocolDataUnit{FunctionCode: pdu[0], Data: pdu[1:]})
	if err != nil {
		t.Fatal(err)
	}
	answer, err := tr.Send(request)
	if err != nil {
		if wire.ReasonOf(err) == 0 || answer != nil {
			t.Fatalf("%v without a reason, or with % X", err, answer)
		}
		return
	}
	if err := p.Verify(request, answer); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Decode(answer); err != nil {
		t.Fatal(err)
	}
	checkAnswer(t, pdu, answer[head:len(answer)-tail])
}

// crc is the CRC of MODBUS over Serial Line V1.02, 6.2.2.
func crc(b []byte) uint16 {
	v := uint16(0xFFFF)
	for _, c := range b {
		v ^= uint16(c)
		for range 8 {
			low := v & 1
			v >>= 1
			v ^= low * 0xA001
		}
	}
	return v
}
