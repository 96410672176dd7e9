package modbus_test

import (
	"encoding/hex"
	"math"
	"strings"
	"testing"

	"roundsman/collector"
	"roundsman/collector/modbus"
)

// Values of IEEE 754-2019 and two's complement in the four orders, computed with Python's struct.
func TestDecodeOrders(t *testing.T) {
	tests := []struct {
		typ   modbus.Type
		value float64
		words [4]string // ABCD CDAB BADC DCBA
	}{
		{modbus.Float32, 1.0, [4]string{"3F80 0000", "0000 3F80", "803F 0000", "0000 803F"}},
		{modbus.Float32, -2.5, [4]string{"C020 0000", "0000 C020", "20C0 0000", "0000 20C0"}},
		{modbus.Float32, -118.625, [4]string{"C2ED 4000", "4000 C2ED", "EDC2 0040", "0040 EDC2"}},
		{modbus.Float32, float64(float32(123.456)), [4]string{"42F6 E979", "E979 42F6", "F642 79E9", "79E9 F642"}},
		{modbus.Float32, float64(float32(7.8)), [4]string{"40F9 999A", "999A 40F9", "F940 9A99", "9A99 F940"}},
		{modbus.Float32, float64(float32(0.1)), [4]string{"3DCC CCCD", "CCCD 3DCC", "CC3D CDCC", "CDCC CC3D"}},
		{modbus.Int32, -123456, [4]string{"FFFE 1DC0", "1DC0 FFFE", "FEFF C01D", "C01D FEFF"}},
		{modbus.Int32, -2147483648, [4]string{"8000 0000", "0000 8000", "0080 0000", "0000 0080"}},
		{modbus.Uint32, 305419896, [4]string{"1234 5678", "5678 1234", "3412 7856", "7856 3412"}},
		{modbus.Uint32, 100000, [4]string{"0001 86A0", "86A0 0001", "0100 A086", "A086 0100"}},
		{modbus.Float64, 1.0, [4]string{"3FF0 0000 0000 0000", "0000 0000 0000 3FF0", "F03F 0000 0000 0000", "0000 0000 0000 F03F"}},
		{modbus.Float64, 123.456, [4]string{"405E DD2F 1A9F BE77", "BE77 1A9F DD2F 405E", "5E40 2FDD 9F1A 77BE", "77BE 9F1A 2FDD 5E40"}},
		{modbus.Uint64, 1234567890123, [4]string{"0000 011F 71FB 04CB", "04CB 71FB 011F 0000", "0000 1F01 FB71 CB04", "CB04 FB71 1F01 0000"}},
		{modbus.Uint64, 0x0123456789ABCDEF, [4]string{"0123 4567 89AB CDEF", "CDEF 89AB 4567 0123", "2301 6745 AB89 EFCD", "EFCD AB89 6745 2301"}},
		{modbus.Int64, -2, [4]string{"FFFF FFFF FFFF FFFE", "FFFE FFFF FFFF FFFF", "FFFF FFFF FFFF FEFF", "FEFF FFFF FFFF FFFF"}},
		{modbus.BCD32, 12345678, [4]string{"1234 5678", "5678 1234", "3412 7856", "7856 3412"}},
		{modbus.BCD16, 1234, [4]string{"1234", "1234", "3412", "3412"}},
		{modbus.Int16, -2, [4]string{"FFFE", "FFFE", "FEFF", "FEFF"}},
		{modbus.Uint16, 65534, [4]string{"FFFE", "FFFE", "FEFF", "FEFF"}},
	}
	for _, tt := range tests {
		for order, words := range tt.words {
			a := modbus.Address{Table: modbus.HoldingRegisters, Type: tt.typ, Order: modbus.Order(order)}
			raw, _, fault := modbus.Decode(a, unhex(t, words))
			if raw != tt.value || fault != collector.NoFault {
				t.Errorf("%v %v %s: got %v %v, want %v", tt.typ, a.Order, words, raw, fault, tt.value)
			}
		}
	}
}

// The wrong order gives numbers that nobody takes for a pressure of 7.8 bar.
func TestDecodeWrongOrderShows(t *testing.T) {
	for order, want := range map[modbus.Order]float64{modbus.CDAB: -1.5949e-23, modbus.BADC: -6.2504e+34, modbus.DCBA: -6.3682e-23} {
		raw, _, _ := modbus.Decode(modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.Float32, Order: order}, unhex(t, "40F9 999A"))
		if math.Abs(raw/want-1) > 1e-4 {
			t.Errorf("%v: got %v, want %v", order, raw, want)
		}
	}
}

// Special words of binary32.
func TestDecodeSpecialFloats(t *testing.T) {
	for words, want := range map[string]float64{
		"7F80 0000": math.Inf(1), "FF80 0000": math.Inf(-1), "8000 0000": 0, "0000 0001": 0x1p-149, "0080 0000": 0x1p-126, "7F7F FFFF": math.MaxFloat32,
	} {
		if raw, _, _ := modbus.Decode(modbus.Address{Table: modbus.InputRegisters, Type: modbus.Float32}, unhex(t, words)); raw != want {
			t.Errorf("%s: got %v, want %v", words, raw, want)
		}
	}
	if raw, _, _ := modbus.Decode(modbus.Address{Table: modbus.InputRegisters, Type: modbus.Float32}, unhex(t, "7FC0 0000")); !math.IsNaN(raw) {
		t.Errorf("got %v, want NaN", raw)
	}
}

func TestDecodeRest(t *testing.T) {
	tests := []struct {
		name    string
		address modbus.Address
		data    string
		raw     float64
		text    string
		fault   collector.Fault
	}{
		{"coil on", modbus.Address{Table: modbus.Coils}, "01", 1, "", 0},
		{"input off", modbus.Address{Table: modbus.DiscreteInputs}, "00", 0, "", 0},
		{"register that is not zero", modbus.Address{Table: modbus.HoldingRegisters}, "0100", 1, "", 0},
		{"bit 0", modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.Bit, Bit: 0}, "FFFE", 0, "", 0},
		{"bit 15", modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.Bit, Bit: 15}, "8000", 1, "", 0},
		{"bit 8 of swapped bytes", modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.Bit, Bit: 8, Order: modbus.BADC}, "0001", 1, "", 0},
		{"bcd with a digit above nine", modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.BCD16}, "12A4", 0, "", collector.BadDigits},
		{"bcd nines", modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.BCD32}, "9999 9999", 99999999, "", 0},
		{"too short", modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.Int32}, "0001", 0, "", collector.WrongReply},
		{"no bit", modbus.Address{Table: modbus.Coils}, "", 0, "", collector.WrongReply},
		{"text to NUL", modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.Text, Length: 4}, "5055 4D50 0041 4141", 0, "PUMP", 0},
		{"text with blanks", modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.Text, Length: 3}, "4131 2020 2020", 0, "A1", 0},
		{"text swapped", modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.Text, Length: 2, Order: modbus.BADC}, "5550 504D", 0, "PUMP", 0},
		{"text of bytes", modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.Text, Length: 2}, "41FF 0742", 0, "A\uFFFD\uFFFDB", 0},
		{"beyond 2^53", modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.Uint64}, "0020 0000 0000 0001", 1 << 53, "", 0},
	}
	for _, tt := range tests {
		raw, text, fault := modbus.Decode(tt.address, unhex(t, tt.data))
		if raw != tt.raw || text != tt.text || fault != tt.fault {
			t.Errorf("%s: got %v %q %v, want %v %q %v", tt.name, raw, text, fault, tt.raw, tt.text, tt.fault)
		}
	}
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestParseReference(t *testing.T) {
	good := []struct {
		in    string
		table modbus.Table
		want  uint16
	}{
		{"40108", modbus.HoldingRegisters, 107}, // the example of AP 6.3
		{"40011", modbus.HoldingRegisters, 10},
		{"30009", modbus.InputRegisters, 8}, // the example of AP 6.4
		{"10197", modbus.DiscreteInputs, 196},
		{"00020", modbus.Coils, 19},
		{"49999", modbus.HoldingRegisters, 9998},
		{"400001", modbus.HoldingRegisters, 0},
		{"465536", modbus.HoldingRegisters, 65535},
		{"000001", modbus.Coils, 0},
	}
	for _, tt := range good {
		if table, got, err := modbus.ParseReference(tt.in); err != nil || table != tt.table || got != tt.want {
			t.Errorf("%s: got %v %d, %v, want %v %d", tt.in, table, got, err, tt.table, tt.want)
		}
	}
	for _, in := range []string{"", "4", "4001", "40000", "400000", "465537", "20001", "50001", "4001x", "4000001", " 40011", "-4001", "4٠011"} {
		if table, got, err := modbus.ParseReference(in); err == nil {
			t.Errorf("%q: got %v %d, want an error", in, table, got)
		}
	}
}

func TestParseURL(t *testing.T) {
	good := []struct {
		in        string
		transport modbus.Transport
		want      string
	}{
		{"tcp://10.0.4.10:502", modbus.TCP, "10.0.4.10:502"},
		{"tcp://10.0.4.10", modbus.TCP, "10.0.4.10:502"},
		{"tcp://plc.local:1502", modbus.TCP, "plc.local:1502"},
		{"tcp://[fe80::1]:502", modbus.TCP, "[fe80::1]:502"},
		{"tcp://[fe80::1]", modbus.TCP, "[fe80::1]:502"},
		{"rtu:///dev/ttyUSB0", modbus.RTU, "/dev/ttyUSB0"},
		{"rtu+tcp://host:4001", modbus.RTUOverTCP, "host:4001"},
	}
	for _, tt := range good {
		if transport, got, err := modbus.ParseURL(tt.in); err != nil || transport != tt.transport || got != tt.want {
			t.Errorf("%s: got %v %s, %v, want %v %s", tt.in, transport, got, err, tt.transport, tt.want)
		}
	}
	for _, in := range []string{"", "10.0.4.10", "udp://10.0.4.10", "rtu://ttyUSB0", "rtu:///", "rtu+tcp://host", "tcp://host:0", "tcp://host:70000", "tcp://:502", "tcp://host:502/1", "tcp://a@b:502"} {
		if transport, got, err := modbus.ParseURL(in); err == nil {
			t.Errorf("%q: got %v %q, want an error", in, transport, got)
		}
	}
}

// Whatever the bytes, a value is of its type and no byte outside it is touched.
func FuzzDecode(f *testing.F) {
	for typ := modbus.Bool; typ <= modbus.Text; typ++ {
		f.Add(uint8(typ), uint8(0), uint8(3), uint16(2), []byte{0x40, 0xF9, 0x99, 0x9A, 0x12, 0xA4, 0xFF, 0xFF})
	}
	f.Fuzz(func(t *testing.T, typ, order, bit uint8, length uint16, data []byte) {
		a := modbus.Address{
			Table: modbus.HoldingRegisters, Type: modbus.Type(typ % 13), Order: modbus.Order(order % 4),
			Bit: bit % 16, Length: length % 126,
		}
		raw, text, fault := modbus.Decode(a, data)
		n := 2 * int(a.Count())
		if short := len(data) < n || n == 0; short != (fault == collector.WrongReply) {
			t.Fatalf("%d bytes for %v: fault %v", len(data), a.Type, fault)
		}
		if fault != collector.NoFault {
			if raw != 0 || text != "" {
				t.Fatalf("%v with values %v %q", fault, raw, text)
			}
			return
		}
		again, words, _ := modbus.Decode(a, data[:n])
		if again != raw && !math.IsNaN(raw) || words != text {
			t.Fatalf("%v %q depends on the bytes behind it: %v %q", raw, text, again, words)
		}
		if strings.ContainsFunc(text, func(r rune) bool { return r < ' ' }) {
			t.Fatalf("control character in %q", text)
		}
	})
}
