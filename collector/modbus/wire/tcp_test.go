package wire_test

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	gomodbus "github.com/goburrow/modbus"

	"roundsman/collector/modbus/wire"
)

const good = "II 0000 0007 01 03 04 0001 0002" // the answer to two holding registers

// Every way in which an answer can be wrong: pitfalls of the library's own transporter, each with
// what must come of it, and after it a healthy exchange that must see its own answer.
func TestTCPAnswers(t *testing.T) {
	tests := []struct {
		name   string
		answer []step
		want   wire.Reason // 0: the two registers
		open   bool        // the connection stays
	}{
		{"proper", []step{{bytes: good}}, 0, true},
		{"byte by byte", pieces(good), 0, true},
		{"late by less than the time-out", []step{{wait: 900 * time.Millisecond, bytes: good}}, 0, true},
		{"the answer before once more, then its own", []step{{bytes: "JJ 0000 0007 01 03 04 0BAD 0BAD"}, {bytes: good}}, 0, true},
		{"both in one piece", []step{{bytes: "JJ 0000 0007 01 03 04 0BAD 0BAD" + good}}, 0, true},
		{"only the answer before", []step{{bytes: "JJ 0000 0007 01 03 04 0BAD 0BAD"}}, wire.TimedOut, false},
		{"too late", []step{{wait: 1050 * time.Millisecond, bytes: good}}, wire.TimedOut, false},
		{"nothing", nil, wire.TimedOut, false},
		{"half a frame", []step{{bytes: "II 0000 0007 01 03"}}, wire.TimedOut, false},
		{"half a header", []step{{bytes: "II 00"}}, wire.TimedOut, false},
		{"cut off", []step{{bytes: "II 0000 0007 01 03"}, {hang: true}}, wire.Closed, false},
		{"hang-up", []step{{hang: true}}, wire.Closed, false},
		{"another transaction", []step{{bytes: "7777 0000 0007 01 03 04 0001 0002"}}, wire.Garbage, false},
		{"another protocol", []step{{bytes: "II 0001 0007 01 03 04 0001 0002"}}, wire.Garbage, false},
		{"a text instead", []step{{bytes: "48545450 2F31 2E31 2034 3030 0D0A 0D0A"}}, wire.Garbage, false},
		{"length zero", []step{{bytes: "II 0000 0000 01 03 04 0001 0002"}}, wire.Garbage, false},
		{"length of unit and function alone", []step{{bytes: "II 0000 0002 01 03"}}, wire.Garbage, false},
		{"length beyond any frame", []step{{bytes: "II 0000 FFFF 01 03 04 0001 0002"}}, wire.Garbage, false},
		{"another unit", []step{{bytes: "II 0000 0007 02 03 04 0001 0002"}}, wire.WrongUnit, false},
		{"another function", []step{{bytes: "II 0000 0007 01 04 04 0001 0002"}}, wire.WrongFunction, false},
		{"another function's exception", []step{{bytes: "II 0000 0003 01 84 02"}}, wire.WrongFunction, false},
		{"one register of two", []step{{bytes: "II 0000 0005 01 03 02 0001"}}, wire.WrongLength, false},
		{"three registers", []step{{bytes: "II 0000 0009 01 03 06 0001 0002 0003"}}, wire.WrongLength, false},
		{"byte count too large", []step{{bytes: "II 0000 0007 01 03 06 0001 0002"}}, wire.WrongLength, false},
		{"byte count too small", []step{{bytes: "II 0000 0007 01 03 02 0001 0002"}}, wire.WrongLength, false},
		{"long exception", []step{{bytes: "II 0000 0004 01 83 02 00"}}, wire.WrongLength, false},
		{"answer and garbage behind it", []step{{bytes: good + "FFFFFFFFFFFFFFFF"}}, 0, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				first := []step{{bytes: "II 0000 0007 01 03 04 1111 1111"}}
				s := &script{size: 12, answers: [][]step{first, tt.answer, {{bytes: "II 0000 0007 01 03 04 2222 2222"}}}}
				tr := wire.NewTCP(s.open, time.Second)
				defer tr.Close()
				connect(t, tr)
				c := client(tr, true)
				wantRegisters(t, c, 0x11, 0x11, 0x11, 0x11)

				data, err := c.ReadHoldingRegisters(0, 2)
				if wantReason(t, err, tt.want); tt.want == 0 && !bytes.Equal(data, []byte{0, 1, 0, 2}) {
					t.Errorf("got % X, want 00 01 00 02", data)
				}
				if tr.Connected() != tt.open {
					t.Errorf("connected %v, want %v", tr.Connected(), tt.open)
				}
				if tt.name == "answer and garbage behind it" {
					return
				}
				time.Sleep(100 * time.Millisecond)
				connect(t, tr)
				wantRegisters(t, c, 0x22, 0x22, 0x22, 0x22)
			})
		})
	}
}

// pieces sends a frame byte by byte (its transaction id in one piece), with a pause before each.
func pieces(text string) []step {
	var out []step
	text = strings.ReplaceAll(text, " ", "")
	for i := 0; i < len(text); i += 2 {
		out = append(out, step{wait: 10 * time.Millisecond, bytes: text[i : i+2]})
	}
	return out
}

func wantRegisters(t *testing.T, c gomodbus.Client, want ...byte) {
	t.Helper()
	data, err := c.ReadHoldingRegisters(0, uint16(len(want)/2))
	if err != nil || !bytes.Equal(data, want) {
		t.Errorf("got % X, %v, want % X", data, err, want)
	}
}

// Exceptions are answers: the connection stays, whatever the code.
func TestTCPExceptions(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &script{size: 12}
		for code := range 256 {
			s.answers = append(s.answers, []step{{bytes: "II 0000 0003 01 83" + string("0123456789ABCDEF"[code>>4]) + string("0123456789ABCDEF"[code&15])}})
		}
		tr := wire.NewTCP(s.open, time.Second)
		defer tr.Close()
		connect(t, tr)
		c := client(tr, true)
		for code := range 256 {
			_, err := c.ReadHoldingRegisters(0, 2)
			var x *gomodbus.ModbusError
			if !errors.As(err, &x) || int(x.ExceptionCode) != code || !tr.Connected() {
				t.Fatalf("code %02X: got %v, connected %v", code, err, tr.Connected())
			}
		}
		if s.opened != 1 {
			t.Errorf("%d connections, want 1", s.opened)
		}
	})
}

// Ids of two units' packagers repeat; the transporter's own do not.
func TestTCPStampsTransactions(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &script{size: 12}
		for range 4 {
			s.answers = append(s.answers, []step{{bytes: good}})
		}
		tr := wire.NewTCP(s.open, time.Second)
		defer tr.Close()
		connect(t, tr)
		a, b := client(tr, true), client(tr, true)
		for range 2 {
			wantRegisters(t, a, 0, 1, 0, 2)
			wantRegisters(t, b, 0, 1, 0, 2)
		}
		seen := map[string]bool{}
		for _, r := range s.requests {
			seen[string(r[:2])] = true
		}
		if len(seen) != 4 {
			t.Errorf("%d transaction ids in 4 requests", len(seen))
		}
	})
}

// The ids wrap round after 65,536 requests.
func TestTCPTransactionsWrap(t *testing.T) {
	s := &script{size: 12}
	for range 65_600 {
		s.answers = append(s.answers, []step{{bytes: good}})
	}
	tr := wire.NewTCP(s.open, time.Minute)
	defer tr.Close()
	connect(t, tr)
	c := client(tr, true)
	for i := range 65_600 {
		if _, err := c.ReadHoldingRegisters(0, 2); err != nil {
			t.Fatalf("request %d: %v", i, err)
		}
	}
}

func TestConnectReasons(t *testing.T) {
	tests := []struct {
		err  error
		want wire.Reason
	}{
		{syscall.ECONNREFUSED, wire.Refused},
		{syscall.EHOSTUNREACH, wire.Unreachable},
		{syscall.ENOENT, wire.Unreachable},
	}
	for _, tt := range tests {
		tr := wire.NewTCP(func(context.Context) (wire.Conn, error) { return nil, tt.err }, time.Second)
		wantReason(t, tr.Connect(t.Context()), tt.want)
		_, err := client(tr, true).ReadCoils(0, 1)
		wantReason(t, err, wire.Closed)
	}
}

// The end of the context ends a wait for an answer at once.
func TestContextEndsExchange(t *testing.T) {
	for _, tcp := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			s := &script{size: 8}
			var tr transporter = wire.NewRTU(s.open, wire.Timing{Timeout: time.Hour})
			if tcp {
				s.size, tr = 12, wire.NewTCP(s.open, time.Hour)
			}
			defer tr.Close()
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			defer cancel()
			if err := tr.Connect(ctx); err != nil {
				t.Fatal(err)
			}
			begin := time.Now()
			_, err := client(tr, tcp).ReadHoldingRegisters(0, 2)
			wantReason(t, err, wire.Closed)
			if took := time.Since(begin); took != time.Second {
				t.Errorf("took %v, want 1 s", took)
			}
		})
	}
}
