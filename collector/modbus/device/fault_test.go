package device_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector/modbus/device"
)

// dialPipe starts Modbus TCP service on a pipe in the present bubble.
func dialPipe(t *testing.T, s *device.Server) (conn net.Conn, end func()) {
	t.Helper()
	near, far := net.Pipe()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { s.ServeConn(ctx, far); close(done) }()
	return near, func() { cancel(); near.Close(); <-done }
}

const readThree = "00 01 00 00 00 06 11 03 00 6B 00 03"

func TestFaultsOverTCP(t *testing.T) {
	const good = "00 01 00 00 00 09 11 03 06 02 2B 00 00 00 64"
	tests := []struct {
		name  string
		fault device.Fault
		want  string        // "" nothing
		after time.Duration // until the last byte
	}{
		{"none", device.Fault{}, good, 0},
		{"late", device.Fault{Kind: device.Late, Delay: 3 * time.Second}, good, 3 * time.Second},
		{"truncated by half", device.Fault{Kind: device.Truncated}, "00 01 00 00 00 09 11", 0},
		{"truncated", device.Fault{Kind: device.Truncated, Bytes: 9}, "00 01 00 00 00 09 11 03 06", 0},
		{"split", device.Fault{Kind: device.Split, Bytes: 5, Delay: 50 * time.Millisecond}, good, 100 * time.Millisecond},
		{"wrong unit", device.Fault{Kind: device.WrongUnit}, "00 01 00 00 00 09 12 03 06 02 2B 00 00 00 64", 0},
		{"wrong function", device.Fault{Kind: device.WrongFunction}, "00 01 00 00 00 09 11 04 06 02 2B 00 00 00 64", 0},
		{"wrong length", device.Fault{Kind: device.WrongLength}, "00 01 00 00 00 09 11 03 08 02 2B 00 00 00 64", 0},
		{"shorter", device.Fault{Kind: device.Shorter}, "00 01 00 00 00 07 11 03 04 02 2B 00 00", 0},
		{"another transaction", device.Fault{Kind: device.BadCheck}, "00 00 00 00 00 09 11 03 06 02 2B 00 00 00 64", 0},
		{"echo", device.Fault{Kind: device.Echo}, readThree + good, 0},
		{"silent", device.Fault{Kind: device.Silent}, "", 0},
		{"exception", device.Fault{Kind: device.Exception, Code: 6}, "00 01 00 00 00 03 11 83 06", 0},
		{"shifted", device.Fault{Kind: device.Shifted}, "00 01 00 00 00 09 11 03 06 00 00 02 2B 00 00", 0},
		{"shifted down", device.Fault{Kind: device.Shifted, By: -2}, "00 01 00 00 00 09 11 03 06 00 64 00 00 00 00", 0},
		{"zeros", device.Fault{Kind: device.Zeros}, "00 01 00 00 00 09 11 03 06 00 00 00 00 00 00", 0},
		{"zeros at one address", device.Fault{Kind: device.Zeros, Where: device.Range{Table: device.Holding, First: 107, Last: 107}},
			"00 01 00 00 00 09 11 03 06 00 00 00 00 00 64", 0},
		{"elsewhere", device.Fault{Kind: device.Silent, Where: device.Range{Table: device.Holding, First: 0, Last: 106}}, good, 0},
		{"another table", device.Fault{Kind: device.Silent, Where: device.Range{Table: device.Input, First: 0, Last: 999}}, good, 0},
		{"another unit", device.Fault{Kind: device.Silent, Unit: 3}, good, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := exampleServer(t, device.Options{})
			remove := s.Inject(tt.fault)
			synctest.Test(t, func(t *testing.T) {
				port, end := dialPipe(t, s)
				defer end()
				got, took := ask(t, port)
				if want := hexBytes(t, tt.want); !bytes.Equal(got, want) || took != tt.after {
					t.Errorf("got % X after %v, want % X after %v", got, took, want, tt.after)
				}
				remove()
				if got, _ := ask(t, port); !bytes.Equal(got, hexBytes(t, good)) {
					t.Errorf("after removal got % X", got)
				}
			})
		})
	}
}

// ask sends the example read and returns all that comes, and when the last of it came.
func ask(t *testing.T, port net.Conn) (got []byte, took time.Duration) {
	t.Helper()
	begin := time.Now()
	if _, err := port.Write(hexBytes(t, readThree)); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 300)
	for {
		_ = port.SetReadDeadline(time.Now().Add(10 * time.Second))
		n, err := port.Read(buf)
		if err != nil {
			return got, took
		}
		got, took = append(got, buf[:n]...), time.Since(begin)
	}
}

func TestGarbage(t *testing.T) {
	s := exampleServer(t, device.Options{})
	s.Inject(device.Fault{Kind: device.Garbage, Bytes: 300, Times: 1})
	synctest.Test(t, func(t *testing.T) {
		port, end := dialPipe(t, s)
		defer end()
		if got, _ := ask(t, port); len(got) != 300 {
			t.Errorf("got %d bytes, want 300", len(got))
		}
		if got, _ := ask(t, port); len(got) != 15 {
			t.Errorf("Times 1: the second reply has %d bytes, want the proper 15", len(got))
		}
	})
}

func TestTwinAlternates(t *testing.T) {
	s := exampleServer(t, device.Options{})
	twin := exampleBank(t)
	if err := twin.Set(device.Holding, 107, 777); err != nil {
		t.Fatal(err)
	}
	s.Inject(device.Fault{Kind: device.Twin, Unit: 0x11, Bank: twin})
	synctest.Test(t, func(t *testing.T) {
		port, end := dialPipe(t, s)
		defer end()
		for i, want := range []uint16{555, 777, 555, 777} {
			got, _ := ask(t, port)
			if v := uint16(got[9])<<8 | uint16(got[10]); v != want {
				t.Errorf("request %d: %d, want %d", i, v, want)
			}
		}
	})
}

func TestFrozen(t *testing.T) {
	b := exampleBank(t)
	s := device.New(map[uint8]*device.Bank{0x11: b}, device.Options{})
	thaw := s.Inject(device.Fault{Kind: device.Frozen, Where: device.Range{Table: device.Holding, First: 107, Last: 107}})
	if err := b.Set(device.Holding, 107, 1, 2, 3); err != nil {
		t.Fatal(err)
	}
	if _, got := exchange(t, s, 0x11, hexBytes(t, "03 00 6B 00 03")); !bytes.Equal(got, hexBytes(t, "03 06 02 2B 00 02 00 03")) {
		t.Errorf("frozen at one address: got % X", got)
	}
	thaw()
	if _, got := exchange(t, s, 0x11, hexBytes(t, "03 00 6B 00 03")); !bytes.Equal(got, hexBytes(t, "03 06 00 01 00 02 00 03")) {
		t.Errorf("thawed: got % X", got)
	}
}

func TestFaultsOnALine(t *testing.T) {
	const request, good = "11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA"
	tests := []struct {
		name  string
		fault device.Fault
		want  string
		lines int // characters and t3.5 until the last byte, at 1 ms a character
		extra time.Duration
	}{
		{"none", device.Fault{}, good, 8 + 11, 0},
		{"late", device.Fault{Kind: device.Late, Delay: 400 * time.Millisecond}, good, 19, 400 * time.Millisecond},
		{"exception", device.Fault{Kind: device.Exception, Code: 4}, "11 83 04 41 36", 8 + 5, 0},
		{"echo", device.Fault{Kind: device.Echo}, request + good, 19, 0},
		{"bad CRC", device.Fault{Kind: device.BadCheck}, "11 03 06 02 2B 00 00 00 64 C8 E0", 19, 0},
		{"truncated", device.Fault{Kind: device.Truncated, Bytes: 4}, "11 03 06 02", 12, 0},
		{"split", device.Fault{Kind: device.Split, Bytes: 4, Delay: 30 * time.Millisecond}, good, 19, 60 * time.Millisecond},
		{"silent", device.Fault{Kind: device.Silent}, "", 0, 0},
		{"reset means silence", device.Fault{Kind: device.Reset}, "", 0, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := exampleServer(t, device.Options{})
			s.Inject(tt.fault)
			onLine(t, s, device.Line{Baud: 11000}, func(t *testing.T, port net.Conn) {
				begin, took := time.Now(), time.Duration(0)
				if _, err := port.Write(hexBytes(t, request)); err != nil {
					t.Fatal(err)
				}
				var got []byte
				buf := make([]byte, 64)
				for {
					_ = port.SetReadDeadline(time.Now().Add(time.Second))
					n, err := port.Read(buf)
					if err != nil {
						break
					}
					got, took = append(got, buf[:n]...), time.Since(begin)
				}
				want := time.Duration(tt.lines) * time.Millisecond
				if tt.want != "" {
					want += 3500*time.Microsecond + tt.extra
				}
				if !bytes.Equal(got, hexBytes(t, tt.want)) || took != want {
					t.Errorf("got % X after %v, want %s after %v", got, took, tt.want, want)
				}
			})
		})
	}
}

// A client that spends the line's time by itself is not made to wait for it twice.
func TestPacedClient(t *testing.T) {
	s := exampleServer(t, device.Options{Turnaround: 7 * time.Millisecond})
	line := device.Line{Baud: 11000}
	onLine(t, s, line, func(t *testing.T, port net.Conn) {
		begin := time.Now()
		for i, c := range hexBytes(t, "11 04 00 08 00 01 B2 98") {
			sleepUntil(begin.Add(line.Characters(i + 1)))
			if _, err := port.Write([]byte{c}); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := io.ReadFull(port, make([]byte, 7)); err != nil {
			t.Fatal(err)
		}
		// the first character came after 1 ms, so the server may think that all 8 came after 9
		if got, want := time.Since(begin), 26500*time.Microsecond; got != want {
			t.Errorf("reply complete after %v, want %v", got, want)
		}
	})
}

func listen(t *testing.T) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// serve runs one of the listeners until the test ends and checks that it ends well.
func serve(t *testing.T, run func(context.Context, net.Listener) error) string {
	t.Helper()
	l := listen(t)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- run(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("serving ended with %v, want nil after its context", err)
		}
	})
	return l.Addr().String()
}

func dial(t *testing.T, address string) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	_ = c.SetDeadline(time.Now().Add(5 * time.Second))
	return c
}

func TestReset(t *testing.T) {
	s := exampleServer(t, device.Options{})
	s.Inject(device.Fault{Kind: device.Reset, Times: 1})
	address := serve(t, s.ServeTCP)
	c := dial(t, address)
	if _, err := c.Write(hexBytes(t, readThree)); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Read(make([]byte, 1)); !errors.Is(err, syscall.ECONNRESET) {
		t.Errorf("read: %v, want a reset", err)
	}
}

func TestConnectionLimit(t *testing.T) {
	s := exampleServer(t, device.Options{})
	s.LimitConnections(1)
	address := serve(t, s.ServeTCP)
	first := dial(t, address)
	answered := func(c net.Conn) error {
		if _, err := c.Write(hexBytes(t, readThree)); err != nil {
			return err
		}
		_, err := io.ReadFull(c, make([]byte, 15))
		return err
	}
	if err := answered(first); err != nil {
		t.Fatal(err)
	}
	if err := answered(dial(t, address)); err == nil {
		t.Error("the second connection was served")
	}
	if err := answered(first); err != nil {
		t.Errorf("the first connection suffered: %v", err)
	}
}

func TestRTUOverTCP(t *testing.T) {
	s := exampleServer(t, device.Options{})
	c := dial(t, serve(t, s.ServeRTUOverTCP))
	for range 3 {
		if _, err := c.Write(hexBytes(t, "11 03 00 6B 00 03 76 87")); err != nil {
			t.Fatal(err)
		}
		got := make([]byte, 11)
		if _, err := io.ReadFull(c, got); err != nil || !bytes.Equal(got, hexBytes(t, "11 03 06 02 2B 00 00 00 64 C8 BA")) {
			t.Fatalf("got % X, %v", got, err)
		}
	}
}

// A request never sees half of an Update.
func TestUpdateIsWhole(t *testing.T) {
	b := device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 19})
	s := device.New(map[uint8]*device.Bank{1: b}, device.Options{})
	c := dial(t, serve(t, s.ServeTCP))
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for v := uint16(0); ; v++ {
			select {
			case <-stop:
				return
			default:
			}
			b.Update(func(r device.Registers) {
				for a := range uint16(20) {
					if err := r.Set(device.Holding, a, v); err != nil {
						t.Error(err)
					}
				}
			})
		}
	}()
	defer func() { close(stop); <-stopped }()
	reply := make([]byte, 9+40)
	for range 500 {
		if _, err := c.Write(hexBytes(t, "00 01 00 00 00 06 01 03 00 00 00 14")); err != nil {
			t.Fatal(err)
		}
		if _, err := io.ReadFull(c, reply); err != nil {
			t.Fatal(err)
		}
		for i := 9; i < len(reply); i += 2 {
			if !bytes.Equal(reply[i:i+2], reply[9:11]) {
				t.Fatalf("torn reply % X", reply[9:])
			}
		}
	}
}

func TestBankRefusesUndeclared(t *testing.T) {
	b := device.NewBank(
		device.Range{Table: device.Holding, First: 5, Last: 9},
		device.Range{Table: device.Holding, First: 10, Last: 12},
		device.Range{Table: device.Holding, First: 65535, Last: 65535})
	if err := b.Set(device.Holding, 5, 1, 2, 3, 4, 5, 6, 7, 8); err != nil {
		t.Errorf("ranges that touch are not one: %v", err)
	}
	if got, err := b.Get(device.Holding, 12, 1); err != nil || got[0] != 8 {
		t.Errorf("holding 12 = %v, %v, want 8", got, err)
	}
	if err := b.Set(device.Holding, 65535, 1); err != nil {
		t.Error(err)
	}
	for _, bad := range []struct {
		table   device.Table
		address uint16
	}{{device.Holding, 4}, {device.Holding, 13}, {device.Input, 5}} {
		if err := b.Set(bad.table, bad.address, 1); err == nil {
			t.Errorf("%v %d was written", bad.table, bad.address)
		}
	}
	if err := b.Set(device.Holding, 65535, 1, 2); err == nil {
		t.Error("a write past the last address was taken")
	}
}
