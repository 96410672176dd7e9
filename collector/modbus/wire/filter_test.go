package wire_test

import (
	"context"
	"io"
	"testing"
	"testing/synctest"
	"time"

	gomodbus "github.com/goburrow/modbus"

	"roundsman/collector/modbus/wire"
)

// quietSink is a line that keeps what is written to it, has nothing to read and fails each write.
type quietSink struct{ written []byte }

func (s *quietSink) Write(b []byte) (int, error) {
	s.written = append(s.written, b...)
	return 0, io.ErrClosedPipe
}
func (s *quietSink) Close() error                { return nil }
func (s *quietSink) SetDeadline(time.Time) error { return nil }

func (s *quietSink) Read([]byte) (int, error)                { return 0, context.DeadlineExceeded }
func (s *quietSink) open(context.Context) (wire.Conn, error) { return s, nil }

// All 255 function codes, over all transporters, with every length of data that a writing function
// has: nothing but 1, 2, 3, 4 and 43/14 may reach the line. What an accident writes to a wash's
// controls can hurt people.
func TestOnlyReadingFunctionsLeave(t *testing.T) {
	mayLeave := func(code byte, data []byte) bool {
		return code >= 1 && code <= 4 && len(data) == 4 || code == 43 && len(data) == 3 && data[0] == 14
	}
	bodies := [][]byte{nil, {14, 1, 0}, {13, 1, 0}, {0, 1, 0, 1}, {14, 0, 0, 1}, {0, 1, 0, 1, 2, 0, 0}, make([]byte, 200)}
	handlers := map[string]func(open wire.Opener) (gomodbus.Packager, transporter){
		"tcp": func(open wire.Opener) (gomodbus.Packager, transporter) {
			return gomodbus.NewTCPClientHandler(""), wire.NewTCP(open, time.Second)
		},
		"rtu": func(open wire.Opener) (gomodbus.Packager, transporter) {
			return gomodbus.NewRTUClientHandler(""), wire.NewRTU(open, wire.Timing{Timeout: time.Second})
		},
		"rtu over tcp": func(open wire.Opener) (gomodbus.Packager, transporter) {
			return gomodbus.NewRTUClientHandler(""), wire.NewRTUOverTCP(open, wire.Timing{Timeout: time.Second})
		},
	}
	for name, make := range handlers {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				left := 0
				for code := range 256 {
					for _, body := range bodies {
						s := &quietSink{}
						packager, tr := make(s.open)
						connect(t, tr)
						adu, err := packager.Encode(&gomodbus.ProtocolDataUnit{FunctionCode: byte(code), Data: body})
						if err != nil {
							t.Fatal(err)
						}
						_, err = tr.Send(adu)
						switch may := mayLeave(byte(code), body); {
						case may && len(s.written) == 0:
							t.Errorf("function %d with % X did not leave: %v", code, body, err)
						case !may && len(s.written) > 0:
							t.Errorf("function %d with % X left the box", code, body)
						case !may:
							wantReason(t, err, wire.Forbidden)
						default:
							left++
						}
						tr.Close()
					}
				}
				if want := 4*2 + 1; left != want {
					t.Errorf("%d requests left, want %d", left, want)
				}
			})
		})
	}
}

// The library's eight writing calls come back refused.
func TestWritingCallsAreRefused(t *testing.T) {
	s := &quietSink{}
	tr := wire.NewTCP(s.open, time.Second)
	connect(t, tr)
	defer tr.Close()
	c := client(tr, true)
	calls := map[string]func() ([]byte, error){
		"write single coil":        func() ([]byte, error) { return c.WriteSingleCoil(0, 0xFF00) },
		"write multiple coils":     func() ([]byte, error) { return c.WriteMultipleCoils(0, 1, []byte{1}) },
		"write single register":    func() ([]byte, error) { return c.WriteSingleRegister(0, 1) },
		"write multiple registers": func() ([]byte, error) { return c.WriteMultipleRegisters(0, 1, []byte{0, 1}) },
		"read and write registers": func() ([]byte, error) { return c.ReadWriteMultipleRegisters(0, 1, 0, 1, []byte{0, 1}) },
		"mask write register":      func() ([]byte, error) { return c.MaskWriteRegister(0, 1, 1) },
		"read fifo queue":          func() ([]byte, error) { return c.ReadFIFOQueue(0) },
	}
	for name, call := range calls {
		_, err := call()
		if wantReason(t, err, wire.Forbidden); len(s.written) > 0 {
			t.Errorf("%s reached the line", name)
		}
	}
}

// Short and empty requests are refused, not indexed.
func TestShortRequests(t *testing.T) {
	s := &quietSink{}
	for n := range 12 {
		for _, tr := range []transporter{wire.NewTCP(s.open, 1), wire.NewRTU(s.open, wire.Timing{})} {
			connect(t, tr)
			_, err := tr.Send(make([]byte, n))
			wantReason(t, err, wire.Forbidden)
			tr.Close()
		}
	}
	if len(s.written) > 0 {
		t.Errorf("% X reached the line", s.written)
	}
}
