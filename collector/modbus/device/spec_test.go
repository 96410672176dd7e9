package device_test

import (
	"bytes"
	"context"
	"encoding/hex"
	"io"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector/modbus/device"
)

// hexBytes reads '11 03 00 6B'.
func hexBytes(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// exampleBank holds what the devices of AP's worked examples hold: items by
// their number, one more than the address on the wire (AP 4.4).
func exampleBank(t *testing.T) *device.Bank {
	t.Helper()
	b := device.NewBank(
		device.Range{Table: device.Coils, First: 19, Last: 37},
		device.Range{Table: device.Discrete, First: 196, Last: 217},
		device.Range{Table: device.Holding, First: 107, Last: 109},
		device.Range{Table: device.Input, First: 8, Last: 8},
	)
	on := func(table device.Table, numbers ...uint16) {
		for _, n := range numbers {
			if err := b.Set(table, n-1, 1); err != nil {
				t.Fatal(err)
			}
		}
	}
	on(device.Coils, 20, 22, 23, 26, 27, 28, 29, 31, 33, 34, 36, 38)
	on(device.Discrete, 199, 200, 202, 204, 205, 206, 208, 209, 211, 212, 213, 215, 217, 218)
	if err := b.Set(device.Holding, 107, 555, 0, 100); err != nil {
		t.Fatal(err)
	}
	if err := b.Set(device.Input, 8, 10); err != nil {
		t.Fatal(err)
	}
	return b
}

func exampleServer(t *testing.T, o device.Options) *device.Server {
	return device.New(map[uint8]*device.Bank{0x11: exampleBank(t)}, o)
}

var exampleIdentity = device.Identity{
	Vendor: "Company identification", Product: "Product code XX", Revision: "V2.11",
	URL: "http://example.org", Name: "Widget", Model: "W1", Application: "Test",
}

// exchange sends one Modbus TCP request over a pipe and returns the reply's unit and PDU.
func exchange(t *testing.T, s *device.Server, unit byte, pdu []byte) (byte, []byte) {
	t.Helper()
	near, far := net.Pipe()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { s.ServeConn(ctx, far); close(done) }()
	defer func() { cancel(); near.Close(); <-done }()
	_ = near.SetDeadline(time.Now().Add(5 * time.Second))
	frame := append([]byte{0xAB, 0xCD, 0, 0, 0, byte(len(pdu) + 1), unit}, pdu...)
	if _, err := near.Write(frame); err != nil {
		t.Fatal(err)
	}
	head := make([]byte, 7)
	if _, err := io.ReadFull(near, head); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(head[:4], []byte{0xAB, 0xCD, 0, 0}) {
		t.Errorf("header % X: want the request's transaction id and protocol 0", head)
	}
	reply := make([]byte, int(head[4])<<8+int(head[5])-1)
	if _, err := io.ReadFull(near, reply); err != nil {
		t.Fatal(err)
	}
	return head[6], reply
}

// The worked examples of AP 6.1 to 6.4, and the exceptions of AP 7 in the
// order of AP's state diagrams: function, quantity, address, execution (from memory).
func TestPDU(t *testing.T) {
	tests := []struct{ name, request, want string }{
		{"read coils", "01 00 13 00 13", "01 03 CD 6B 05"},
		{"read discrete inputs", "02 00 C4 00 16", "02 03 AC DB 35"},
		{"read holding registers", "03 00 6B 00 03", "03 06 02 2B 00 00 00 64"},
		{"read input registers", "04 00 08 00 01", "04 02 00 0A"},
		{"identification, basic", "2B 0E 01 00", "2B 0E 01 82 00 00 03" +
			"00 16" + hex.EncodeToString([]byte("Company identification")) +
			"01 0F" + hex.EncodeToString([]byte("Product code XX")) +
			"02 05" + hex.EncodeToString([]byte("V2.11"))},
		{"identification, one object", "2B 0E 04 04", "2B 0E 04 82 00 00 01 04 06" + hex.EncodeToString([]byte("Widget"))},
		{"identification, from object 5", "2B 0E 02 05", "2B 0E 02 82 00 00 02" +
			"05 02" + hex.EncodeToString([]byte("W1")) + "06 04" + hex.EncodeToString([]byte("Test"))},
		{"identification, unknown object", "2B 0E 04 07", "AB 02"},
		{"identification, unknown code", "2B 0E 05 00", "AB 03"},
		{"identification, another MEI type", "2B 0D 01 00", "AB 01"},
		{"write single register", "06 00 6B 00 03", "86 01"},
		{"write multiple registers", "10 00 6B 00 01 02 00 00", "90 01"},
		{"undefined function", "63", "E3 01"},
		{"no registers", "03 00 6B 00 00", "83 03"},
		{"126 registers", "03 00 6B 00 7E", "83 03"},
		{"126 registers where none are: quantity first", "03 FF FF 00 7E", "83 03"},
		{"2001 coils", "01 00 13 07 D1", "81 03"},
		{"cut request", "03 00 6B 00", "83 03"},
		{"start before the map", "03 00 6A 00 01", "83 02"},
		{"end behind the map", "03 00 6B 00 04", "83 02"},
		{"past the last address", "04 FF FF 00 02", "84 02"},
		{"unknown function where nothing is: function first", "05 FF FF 00 00", "85 01"},
	}
	s := exampleServer(t, device.Options{Identity: exampleIdentity})
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			unit, got := exchange(t, s, 0x11, hexBytes(t, tt.request))
			if want := hexBytes(t, tt.want); unit != 0x11 || !bytes.Equal(got, want) {
				t.Errorf("% X: unit %d: got % X, want % X", hexBytes(t, tt.request), unit, got, want)
			}
		})
	}
}

func TestUnknownUnitOverTCP(t *testing.T) {
	unit, got := exchange(t, exampleServer(t, device.Options{}), 9, hexBytes(t, "03 00 6B 00 03"))
	if unit != 9 || !bytes.Equal(got, []byte{0x83, 0x0B}) {
		t.Errorf("unit %d: got % X, want 83 0B, as from a gateway", unit, got)
	}
}

func TestNoIdentity(t *testing.T) {
	_, got := exchange(t, exampleServer(t, device.Options{}), 0x11, hexBytes(t, "2B 0E 01 00"))
	if !bytes.Equal(got, []byte{0xAB, 0x01}) {
		t.Errorf("got % X, want AB 01", got)
	}
}

// An identification longer than a PDU comes in parts, each saying where the next begins.
func TestIdentityMoreFollows(t *testing.T) {
	long := strings.Repeat("x", 120)
	id := device.Identity{Vendor: long, Product: long, Revision: "1", URL: long, Name: "n", Model: "m", Application: "a"}
	s := exampleServer(t, device.Options{Identity: id})
	var seen []byte
	next := byte(0)
	for part := 0; ; part++ {
		if part > 7 {
			t.Fatal("identification never ends")
		}
		_, got := exchange(t, s, 0x11, []byte{0x2B, 0x0E, 2, next})
		if len(got) > 253 {
			t.Fatalf("PDU of %d bytes, over 253", len(got))
		}
		rest := got[7:]
		for range got[6] {
			seen = append(seen, rest[0])
			rest = rest[2+int(rest[1]):]
		}
		if got[4] == 0 {
			break
		}
		next = got[5]
	}
	if want := []byte{0, 1, 2, 3, 4, 5, 6}; !bytes.Equal(seen, want) {
		t.Errorf("objects %v, want %v", seen, want)
	}
}

func TestLimitRegisters(t *testing.T) {
	b := device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 99})
	b.LimitRegisters(10)
	s := device.New(map[uint8]*device.Bank{1: b}, device.Options{})
	if _, got := exchange(t, s, 1, hexBytes(t, "03 00 00 00 0B")); !bytes.Equal(got, []byte{0x83, 3}) {
		t.Errorf("11 registers: got % X, want 83 03", got)
	}
	if _, got := exchange(t, s, 1, hexBytes(t, "03 00 00 00 0A")); len(got) != 22 {
		t.Errorf("10 registers: got % X", got)
	}
}

// sleepUntil is the line's wait in a bubble of fake time.
func sleepUntil(at time.Time) { time.Sleep(time.Until(at)) }

// onLine runs client against s on a serial line in a bubble of fake time.
func onLine(t *testing.T, s *device.Server, line device.Line, client func(t *testing.T, port net.Conn)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		ctx, cancel := context.WithCancel(t.Context())
		line.Wait = sleepUntil
		ended := make(chan error, 1)
		go func() { ended <- s.ServeSerial(ctx, far, line) }()
		client(t, near)
		cancel()
		near.Close()
		if err := <-ended; err != nil {
			t.Errorf("ServeSerial ended with %v, want nil after its context", err)
		}
	})
}

// Frames with the CRC of SL's appendix: two from SL, the others computed with a foreign library.
func TestRTUFrames(t *testing.T) {
	tests := []struct{ name, request, want string }{
		{"holding", "11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA"},
		{"coils", "11 01 00 13 00 13 8E 92", "11 01 03 CD 6B 05 40 12"},
		{"discrete", "11 02 00 C4 00 16 BA A9", "11 02 03 AC DB 35 20 18"},
		{"input", "11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4"},
		{"wrong CRC: silence", "11 03 00 6B 00 03 76 88", ""},
		{"another unit: silence", "12 03 00 6B 00 03 76 B4", ""},
		{"half a frame: silence", "11 03 00 6B", ""},
		{"noise, pause, frame", "FF FF 00 | 11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := exampleServer(t, device.Options{})
			onLine(t, s, device.Line{Baud: 19200}, func(t *testing.T, port net.Conn) {
				for i, part := range strings.Split(tt.request, "|") {
					if i > 0 {
						time.Sleep(100 * time.Millisecond)
					}
					if _, err := port.Write(hexBytes(t, strings.TrimSpace(part))); err != nil {
						t.Fatal(err)
					}
				}
				got := readUntilQuiet(port, time.Second)
				if want := hexBytes(t, tt.want); !bytes.Equal(got, want) {
					t.Errorf("%s: got % X, want % X", tt.request, got, want)
				}
			})
		})
	}
}

// readUntilQuiet reads until nothing came for the given time.
func readUntilQuiet(port net.Conn, quiet time.Duration) []byte {
	var got []byte
	buf := make([]byte, 256)
	for {
		_ = port.SetReadDeadline(time.Now().Add(quiet))
		n, err := port.Read(buf)
		got = append(got, buf[:n]...)
		if err != nil {
			return got
		}
	}
}

// The theoretical minimum (8 + 5 + 2N) b / baud + 2 t3.5 of a read, computed
// from SL 2.5.1; the second t3.5 is the client's, before its next request.
func TestLineTime(t *testing.T) {
	tests := []struct {
		baud, bits, n int
		wantMs        float64
	}{
		{9600, 11, 1, 25.2083}, {9600, 11, 10, 45.8333}, {9600, 11, 60, 160.4167}, {9600, 11, 125, 309.3750},
		{19200, 11, 1, 12.6042}, {19200, 11, 10, 22.9167}, {19200, 11, 125, 154.6875}, {19200, 10, 60, 72.9167},
		{115200, 11, 1, 4.9323}, {115200, 11, 60, 16.1997}, {115200, 10, 125, 26.3299},
	}
	for _, tt := range tests {
		b := device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 200})
		s := device.New(map[uint8]*device.Bank{1: b}, device.Options{})
		line := device.Line{Baud: tt.baud, CharBits: tt.bits}
		onLine(t, s, line, func(t *testing.T, port net.Conn) {
			begin := time.Now()
			if _, err := port.Write(withCRC([]byte{1, 3, 0, 0, 0, byte(tt.n)})); err != nil {
				t.Fatal(err)
			}
			if _, err := io.ReadFull(port, make([]byte, 5+2*tt.n)); err != nil {
				t.Fatal(err)
			}
			got := float64(time.Since(begin)+line.Silence()) / 1e6
			if diff := got - tt.wantMs; diff > 1e-4 || diff < -1e-4 {
				t.Errorf("%d baud, %d bits, %d registers: %.4f ms, want %.4f", tt.baud, tt.bits, tt.n, got, tt.wantMs)
			}
		})
	}
}

// withCRC is a second, table-free CRC written bit by bit from the polynomial's
// other form, so that the server's own is not checked against itself.
func withCRC(b []byte) []byte {
	var sum uint32 = 0xFFFF
	for _, c := range b {
		for bit := range 8 {
			in := uint32(c>>bit) & 1
			out := sum & 1
			sum >>= 1
			if in^out == 1 {
				sum ^= 0xA001
			}
		}
	}
	return append(append([]byte(nil), b...), byte(sum), byte(sum>>8))
}
