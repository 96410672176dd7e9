package serial_test

import (
	"errors"
	"io"
	"os"
	"testing"
	"time"

	"github.com/creack/pty"

	"roundsman/collector/modbus/serial"
	"roundsman/collector/outsidetest"
)

var mode = serial.Mode{Baud: 19200, Parity: 'E', StopBits: 1}

// open returns both ends of a pseudo terminal, the near one opened as a serial port.
func open(t *testing.T) (*serial.Port, *os.File) {
	t.Helper()
	far, near, err := pty.Open()
	if err != nil {
		outsidetest.Lacking(t, "no pseudo terminal: %v", err)
	}
	t.Cleanup(func() { far.Close() })
	defer near.Close()
	p, err := serial.Open(near.Name(), mode)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	return p, far
}

// Bytes pass unchanged, whatever a terminal would make of them.
func TestRaw(t *testing.T) {
	p, far := open(t)
	var all []byte
	for b := range 256 {
		all = append(all, byte(b))
	}
	for _, way := range []struct {
		from io.Writer
		to   io.Reader
	}{{p, far}, {far, p}} {
		if _, err := way.from.Write(all); err != nil {
			t.Fatal(err)
		}
		got := make([]byte, len(all))
		if _, err := io.ReadFull(way.to, got); err != nil || string(got) != string(all) {
			t.Fatalf("got % X, %v", got, err)
		}
	}
}

func TestDeadline(t *testing.T) {
	p, _ := open(t)
	if err := p.SetDeadline(time.Now().Add(10 * time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	if n, err := p.Read(make([]byte, 8)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("got %d, %v, want a deadline", n, err)
	}
}

// Close ends a running read, and so does an adapter that is unplugged: neither may spin or hang.
func TestReadEnds(t *testing.T) {
	for name, end := range map[string]func(*serial.Port, *os.File){
		"close":  func(p *serial.Port, _ *os.File) { p.Close() },
		"unplug": func(_ *serial.Port, far *os.File) { far.Close() },
	} {
		p, far := open(t)
		ended := make(chan error, 1)
		go func() {
			_, err := p.Read(make([]byte, 8))
			ended <- err
		}()
		end(p, far)
		if err := <-ended; err == nil {
			t.Errorf("%s: the read ended without an error", name)
		}
	}
}

func TestModeCheck(t *testing.T) {
	for _, m := range []serial.Mode{{}, {Baud: 19200, Parity: 'e', StopBits: 1}, {Baud: 19200, Parity: 'E'}, {Baud: 1, Parity: 'N', StopBits: 1}} {
		if m.Check() == nil {
			t.Errorf("%v was accepted", m)
		}
	}
	if _, err := serial.Open("/nonexistent", mode); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("got %v", err)
	}
}

// Character times and t3.5 of MODBUS over Serial Line V1.02, 2.5.1.
func TestTimes(t *testing.T) {
	tests := []struct {
		m             serial.Mode
		char, silence float64 // microseconds
	}{
		{serial.Mode{Baud: 2400, Parity: 'E', StopBits: 1}, 4583.333, 16041.7},
		{serial.Mode{Baud: 9600, Parity: 'E', StopBits: 1}, 1145.833, 4010.4},
		{serial.Mode{Baud: 9600, Parity: 'N', StopBits: 1}, 1041.667, 3645.8},
		{serial.Mode{Baud: 19200, Parity: 'N', StopBits: 2}, 572.917, 2005.2},
		{serial.Mode{Baud: 38400, Parity: 'O', StopBits: 1}, 286.458, 1750},
		{serial.Mode{Baud: 115200, Parity: 'E', StopBits: 1}, 95.486, 1750},
	}
	for _, tt := range tests {
		char, silence := tt.m.Char().Seconds()*1e6, tt.m.Silence().Seconds()*1e6
		if d := char - tt.char; d > 0.01 || d < -0.01 {
			t.Errorf("%v: character %v us, want %v", tt.m, char, tt.char)
		}
		if d := silence - tt.silence; d > 0.1 || d < -0.1 {
			t.Errorf("%v: silence %v us, want %v", tt.m, silence, tt.silence)
		}
	}
}
