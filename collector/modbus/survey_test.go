package modbus_test

import (
	"context"
	"errors"
	"io"
	"math"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/modbus/wire"
)

func TestSurveyFindsTheHoles(t *testing.T) {
	for _, transport := range []modbus.Transport{modbus.TCP, modbus.RTU} {
		inBubble(t, func(ctx context.Context, t *testing.T) {
			r := newRig(ctx, map[uint8]*device.Bank{1: holed(3, 50, 51)})
			r.opts.Transport = transport
			r.opts.Units = map[uint8]modbus.Unit{1: {Forbidden: []modbus.Span{{Table: modbus.HoldingRegisters, First: 70, Last: 71}}}}
			found, err := modbus.Survey(ctx, r.opts, 1, modbus.HoldingRegisters, 0, 120)
			if err != nil || len(found) != 121 {
				t.Fatalf("%d registers, %v", len(found), err)
			}
			for i, f := range found {
				hole := i == 3 || i == 50 || i == 51 || i >= 100
				var x modbus.Exception
				switch {
				case int(f.Address) != i:
					t.Fatalf("register %d at place %d", f.Address, i)
				case hole && (!errors.As(f.Err, &x) || x != modbus.IllegalDataAddress):
					t.Errorf("%d: %v, want illegal data address", i, f.Err)
				case i == 70 || i == 71:
					if f.Err == nil {
						t.Errorf("%d was read and must not be", i)
					}
				case !hole && (f.Err != nil || int(f.Value) != i):
					t.Errorf("%d: got %v", i, f)
				}
			}
		})
	}
}

func TestSurveyOfNobody(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r := newRig(ctx, nil)
		r.dead.Store(true)
		if _, err := modbus.Survey(ctx, r.opts, 1, modbus.HoldingRegisters, 0, 9); err == nil || !strings.Contains(err.Error(), "unit 1: holding 0-9: connection refused") {
			t.Errorf("got %v", err)
		}
		if _, err := modbus.Survey(ctx, r.opts, 1, modbus.HoldingRegisters, 9, 0); err == nil {
			t.Error("a range from 9 to 0 is no range")
		}
	})
}

func TestViews(t *testing.T) {
	found := map[string]float64{}
	for _, v := range modbus.Views([]uint16{0x40F9, 0x999A}) {
		found[v.Type.String()+" "+v.Order.String()] = v.Raw
	}
	for view, want := range map[string]float64{"float32 ABCD": float64(float32(7.8)), "int16 ABCD": 0x40F9, "uint16 BADC": 0xF940, "int32 CDAB": -1717944071} {
		if got := found[view]; got != want {
			t.Errorf("%s: got %v, want %v", view, got, want)
		}
	}
	if _, ok := found["float64 ABCD"]; ok || len(modbus.Views(nil)) > 0 {
		t.Error("a float64 out of two registers")
	}
}

// The strings of the example in AP 6.21, with their true lengths.
func TestIdentify(t *testing.T) {
	for _, transport := range []modbus.Transport{modbus.TCP, modbus.RTUOverTCP} {
		inBubble(t, func(ctx context.Context, t *testing.T) {
			r := newRig(ctx, nil)
			r.server = device.New(map[uint8]*device.Bank{1: bank(), 2: bank()}, device.Options{Identity: device.Identity{
				Vendor: "Company identification", Product: "Product code XX", Revision: "V2.11",
				URL: "u", Name: "n", Model: "m", Application: "a",
			}})
			r.opts.Transport = transport
			got, err := modbus.Identify(ctx, r.opts, 1)
			want := []modbus.Object{
				{ID: 0, Name: "VendorName", Value: "Company identification"},
				{ID: 1, Name: "ProductCode", Value: "Product code XX"},
				{ID: 2, Name: "MajorMinorRevision", Value: "V2.11"},
				{ID: 3, Name: "VendorUrl", Value: "u"},
				{ID: 4, Name: "ProductName", Value: "n"},
				{ID: 5, Name: "ModelName", Value: "m"},
				{ID: 6, Name: "UserApplicationName", Value: "a"},
			}
			if err != nil || !cmp.Equal(got, want) {
				t.Errorf("%v: %v, %s", transport, err, cmp.Diff(want, got))
			}
		})
	}
}

// Answers to 43/14 as devices give them, over RTU, where the length of the frame lies in the objects:
// the last one is the example of AP 6.21 with a length of 13 beside 15 characters.
func TestIdentifyOddAnswers(t *testing.T) {
	tests := []struct {
		name, answer, first, err string
	}{
		{"one object", "01 2B 0E 01 01 00 00 01 00 04 50554D50", "PUMP", ""},
		{"no object", "01 2B 0E 01 01 00 00 00", "", ""},
		{"refused", "01 AB 01", "", "device identification: illegal function (01)"},
		{"promises more than it has", "01 2B 0E 01 02 00 00 01 00 04 50554D50", "PUMP", "no answer"},
		{"the same object again and again", "01 2B 0E 01 01 FF 00 01 00 04 50554D50", "PUMP", "next object 00 after 00"},
		{"too few objects", "01 2B 0E 01 01 00 00 02 00 04 50554D50", "PUMP", "cut off after 1 objects"},
		{"a length that lies", "01 2B 0E 01 01 00 00 02 00 04 50554D50 01 0D 50726F6475637420636F6465205858", "PUMP", "2 bytes behind the last object"},
	}
	for _, tt := range tests {
		inBubble(t, func(ctx context.Context, t *testing.T) {
			near, far := net.Pipe()
			go func() {
				if _, err := io.ReadFull(far, make([]byte, 7)); err == nil {
					far.Write(withCRC(unhex(t, tt.answer)))
				}
			}()
			opts := modbus.Options{Name: "rs485", Transport: modbus.RTU, Timeout: time.Second, Open: func(context.Context) (wire.Conn, error) { return near, nil }}
			got, err := modbus.Identify(ctx, opts, 1)
			far.Close()
			if (err == nil) != (tt.err == "") || err != nil && !strings.Contains(err.Error(), tt.err) {
				t.Errorf("%s: error %v, want %q", tt.name, err, tt.err)
			}
			if first := append(got, modbus.Object{})[0].Value; first != tt.first {
				t.Errorf("%s: got %v, want %q first", tt.name, got, tt.first)
			}
		})
	}
}

// withCRC appends the CRC of MODBUS over Serial Line V1.02, 6.2.2.
func withCRC(b []byte) []byte {
	crc := uint16(0xFFFF)
	for _, v := range b {
		crc ^= uint16(v)
		for range 8 {
			low := crc & 1
			crc >>= 1
			crc ^= low * 0xA001
		}
	}
	return append(b, byte(crc), byte(crc>>8))
}

// The round plan of a 19,200 baud line against the theoretical minimum of MODBUS over Serial Line
// V1.02, 2.5.1: ten registers are 33 characters of 11 bits and two silences of 3.5, 22.9167 ms.
func TestForecast(t *testing.T) {
	opts := modbus.Options{Name: "rs485", Transport: modbus.RTU, Address: "/dev/null", Baud: 19200, Status: collector.NoPoint}
	for i := range uint16(10) {
		opts.Points = append(opts.Points, modbus.Point{
			ID: collector.PointID(i), Every: time.Second,
			Address: modbus.Address{Unit: 3, Table: modbus.InputRegisters, Start: i, Type: modbus.Int16},
		})
	}
	rep, err := modbus.Forecast(opts)
	if err != nil || len(rep.Rounds) != 1 {
		t.Fatalf("%+v, %v", rep, err)
	}
	r := rep.Rounds[0]
	if len(r.Requests) != 1 || r.Bytes != 33 || r.Points != 10 || r.PerHour != 3600 {
		t.Errorf("got %+v", r)
	}
	near := func(what string, got time.Duration, ms float64) {
		t.Helper()
		if math.Abs(got.Seconds()*1000-ms) > 0.001 {
			t.Errorf("%s: %v, want %v ms", what, got, ms)
		}
	}
	near("line time", r.LineTime, 22.9167)
	near("minimum", r.Minimum, 22.9167)
	near("one by one", r.Single, 126.042)
	if math.Abs(rep.Load-0.0229167) > 1e-6 || len(rep.Warnings) > 0 {
		t.Errorf("load %v, %v", rep.Load, rep.Warnings)
	}

	opts.Units = map[uint8]modbus.Unit{3: {Turnaround: 30 * time.Millisecond, Status: collector.NoPoint}}
	opts.Points[0].Every, opts.Points[9].Every = 20*time.Millisecond, 100*time.Millisecond
	rep, err = modbus.Forecast(opts)
	if err != nil || len(rep.Rounds) != 3 || len(rep.Warnings) != 2 || rep.Load < 1 {
		t.Errorf("got %+v, %v", rep, err)
	}
	for _, w := range []string{"link rs485: busy for ", "the intervals cannot be kept", "points due each 20ms come late"} {
		if !strings.Contains(strings.Join(rep.Warnings, "\n"), w) {
			t.Errorf("warnings %q lack %q", rep.Warnings, w)
		}
	}
}

// Everything that is wrong with a link is said at once, each with its point.
func TestNewNamesAllThatIsWrong(t *testing.T) {
	points := []collector.Point{{ID: 0, Name: "a"}, {ID: 1, Name: "b"}, {ID: 2, Name: "c"}, {ID: 3, Name: "d"}, {ID: 4, Name: "e"}, {ID: 5, Name: "f"}}
	p := func(id collector.PointID, every time.Duration, a modbus.Address) modbus.Point {
		return modbus.Point{ID: id, Every: every, Address: a}
	}
	_, err := modbus.New(modbus.Options{
		Name: "rs485", Transport: modbus.RTU, Parity: 'X', Status: collector.NoPoint,
		Units: map[uint8]modbus.Unit{1: {MaxRegisters: 2, Marker: &modbus.Marker{Table: modbus.Coils}}},
		Points: []modbus.Point{
			p(0, 0, modbus.Address{Unit: 1, Table: modbus.HoldingRegisters, Type: modbus.Int16}),
			p(1, 1, modbus.Address{Unit: 1, Table: modbus.Coils, Type: modbus.Int16}),
			p(2, 1, modbus.Address{Unit: 1, Table: modbus.HoldingRegisters, Type: modbus.Float64}),
			p(3, 1, modbus.Address{Unit: 248, Table: modbus.HoldingRegisters, Type: modbus.Int16}),
			p(4, 1, modbus.Address{Unit: 1, Table: modbus.HoldingRegisters, Type: modbus.Int32, Start: 65535}),
			p(5, 1, modbus.Address{Unit: 1, Table: modbus.HoldingRegisters, Type: modbus.Bit, Bit: 16}),
		},
	}, points, collector.NewClock())
	if err == nil {
		t.Fatal("no error")
	}
	for _, w := range []string{
		"link rs485: ", "parity 'X'", "unit 1: marker", "a: interval 0s", "b: a coil is one bit, not a int16",
		"c: unit 1: holding 0-3: 4 in one piece", "d: unit id 248", "e: holding 65535-65536: runs past", "f: bit 16",
	} {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%q lacks %q", err, w)
		}
	}
}
