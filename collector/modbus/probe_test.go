package modbus_test

import (
	"context"
	"errors"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/modbus/wire"
)

// scripted is a serial line whose far end says what the given function makes of each request of eight bytes.
func scripted(ctx context.Context, t *testing.T, answer func(request []byte, n int) []byte) modbus.Options {
	return modbus.Options{Name: "line", Transport: modbus.RTU, Address: "/dev/ttyUSB0", Timeout: 100 * time.Millisecond, Open: func(context.Context) (wire.Conn, error) {
		near, far := net.Pipe()
		stop := context.AfterFunc(ctx, func() { far.Close() })
		go func() {
			defer stop()
			request := make([]byte, 8)
			for n := 0; ; n++ {
				if _, err := io.ReadFull(far, request); err != nil {
					return
				}
				if out := answer(request, n); len(out) > 0 {
					far.Write(out)
				}
			}
		}()
		return near, nil
	}}
}

// valueFrame is unit 3's answer with one register.
func valueFrame(v byte) []byte { return withCRC([]byte{3, 3, 2, 0, v}) }

// Each trouble of an RS-485 line by its symptom: what the far end does, and the words that must name cause and next step.
func TestDiagnose(t *testing.T) {
	swallow := func([]byte, int) []byte { return nil }
	tests := []struct {
		name    string
		far     func(request []byte, n int) []byte
		others  bool
		symptom modbus.Symptom
		want    []string
	}{
		{"silence", swallow, false, modbus.Silence, []string{"3 of 3 requests to unit 3 got nothing", "19200 8E1", "A and B exchanged", "--search"}},
		{"silence of one", swallow, true, modbus.Silence, []string{"other units answer, so the line is right", "unit 3 has another id"}},
		{"echo and nothing else", func(r []byte, _ int) []byte { return append([]byte(nil), r...) }, false, modbus.Echoes, []string{"only our own requests", "receiver always on"}},
		{"echo before the answer", func(r []byte, _ int) []byte { return append(append([]byte(nil), r...), valueFrame(7)...) }, false, modbus.Echoes, []string{"10 of 10 requests came back before the answer", "no harm"}},
		{"two answers", func([]byte, int) []byte { return append(valueFrame(7), valueFrame(9)...) }, false, modbus.DoubledID, []string{"two whole answers", "two devices have the unit id 3", "off the line"}},
		{"two answers at once", func([]byte, int) []byte {
			a, b := valueFrame(7), valueFrame(9)
			return append(a[:4:4], append(b, a[4:]...)...) // one began four characters after the other
		}, false, modbus.DoubledID, []string{"longer than an answer is", "answer at the same time"}},
		{"two that take turns", func(_ []byte, n int) []byte { return valueFrame(byte(7 + 60*(n%2))) }, false, modbus.DoubledID, []string{"flip between two values (7 and 67), 9 times", "take turns"}},
		{"bad CRC", func(_ []byte, n int) []byte {
			a := valueFrame(7)
			if n%2 == 0 {
				a[4] ^= 0x10
			}
			return a
		}, false, modbus.BadCRC, []string{"5 of 10 answers had a bad CRC", "termination"}},
		{"bad CRC of one unit", func([]byte, int) []byte { a := valueFrame(7); a[5] ^= 1; return a }, true, modbus.BadCRC, []string{"this unit alone is spoiled"}},
		{"cut short", func([]byte, int) []byte { return valueFrame(7)[:4] }, false, modbus.CutShort, []string{"10 of 10 answers ended too early"}},
		{"garbage", func(_ []byte, n int) []byte { return []byte{0x9C, 0x1E, byte(n), 0x77, 0xE0, 0x61, 0x3B} }, false, modbus.FramingNoise, []string{"bytes that are no frame", "another baud or parity than 19200 8E1", "--search"}},
		{"wrong parity", func([]byte, int) []byte { return []byte{0, 0, 2, 0, 0, 0, 0x61} }, false, modbus.FramingNoise, []string{"the baud is right and the parity is not"}},
		{"another unit", func([]byte, int) []byte { return withCRC([]byte{5, 3, 2, 0, 7}) }, false, modbus.OtherAnswers, []string{"unit 5 answered in place of unit 3", "too late"}},
		{"refused address", func([]byte, int) []byte { return withCRC([]byte{3, 0x83, 2}) }, false, modbus.AllRefused, []string{"illegal data address (02)", "one off"}},
		{"no such table", func([]byte, int) []byte { return withCRC([]byte{3, 0x83, 1}) }, false, modbus.AllRefused, []string{"does not have this table"}},
		{"behind a gateway", func([]byte, int) []byte { return withCRC([]byte{3, 0x83, 0x0B}) }, false, modbus.AllRefused, []string{"the gateway is there and the device behind it is not"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inBubble(t, func(ctx context.Context, t *testing.T) {
				tally, err := modbus.Probe(ctx, scripted(ctx, t, tt.far), modbus.Question{Unit: 3, Table: modbus.HoldingRegisters}, 10, nil)
				if err != nil {
					t.Fatal(err)
				}
				found := tally.Diagnose(tt.others)
				if len(found) == 0 || found[0].Symptom != tt.symptom {
					t.Fatalf("found %v, want first %v; %+v", found, tt.symptom, *tally)
				}
				for _, w := range tt.want {
					if !strings.Contains(found[0].String(), w) {
						t.Errorf("%q lacks %q", found[0], w)
					}
				}
			})
		})
	}
}

// A healthy line has no symptom, not even where its value moves a little or a register toggles its last digit.
func TestDiagnoseOfAHealthyLine(t *testing.T) {
	for name, far := range map[string]func([]byte, int) []byte{
		"steady":   func([]byte, int) []byte { return valueFrame(7) },
		"rising":   func(_ []byte, n int) []byte { return valueFrame(byte(n)) },
		"toggling": func(_ []byte, n int) []byte { return valueFrame(byte(200 + n%2)) },
	} {
		inBubble(t, func(ctx context.Context, t *testing.T) {
			tally, err := modbus.Probe(ctx, scripted(ctx, t, far), modbus.Question{Unit: 3, Table: modbus.HoldingRegisters}, 10, nil)
			if found := tally.Diagnose(true); err != nil || len(found) > 0 || tally.Answered != 10 {
				t.Errorf("%s: %v, %v", name, found, err)
			}
		})
	}
}

// A line on which a second master asks is heard before anything is asked.
func TestDiagnoseOfASecondMaster(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		opts := modbus.Options{Name: "line", Transport: modbus.RTU, Timeout: 50 * time.Millisecond, Open: func(context.Context) (wire.Conn, error) {
			near, far := net.Pipe()
			context.AfterFunc(ctx, func() { far.Close() })
			go func() {
				far.Write(withCRC([]byte{7, 3, 0, 0, 0, 2}))
				far.Write(withCRC([]byte{7, 3, 4, 0, 1, 0, 2}))
				io.Copy(io.Discard, far)
			}()
			return near, nil
		}}
		tally, err := modbus.Probe(ctx, opts, modbus.Question{Unit: 3, Table: modbus.HoldingRegisters, Listen: time.Second}, 1, nil)
		if err != nil {
			t.Fatal(err)
		}
		if found := tally.Diagnose(false); len(found) == 0 || found[0].Symptom != modbus.SecondMaster || !strings.Contains(found[0].Seen, "frames of unit 7") {
			t.Errorf("found %v", found)
		}
	})
}

// Response times by nearest rank: of 1 to 20 ms the median is 10 and the 95th percentile 19; two of 22 are lost.
func TestTimes(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		opts := scripted(ctx, t, func(_ []byte, n int) []byte {
			if n >= 20 {
				return nil
			}
			time.Sleep(time.Duration(1+(n*7)%20) * time.Millisecond)
			return valueFrame(7)
		})
		tally, err := modbus.Probe(ctx, opts, modbus.Question{Unit: 3, Table: modbus.HoldingRegisters}, 22, nil)
		if err != nil {
			t.Fatal(err)
		}
		got := tally.Times()
		want := modbus.Times{Least: time.Millisecond, Median: 10 * time.Millisecond, P95: 19 * time.Millisecond, Most: 20 * time.Millisecond, Lost: 2.0 / 22}
		if got != want {
			t.Errorf("got %+v, want %+v", got, want)
		}
	})
}

// On a line of 9,600 baud with a device that thinks for 40 ms the turnaround is found (one register: 15 characters, two silences).
func TestTurnaround(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		server := device.New(map[uint8]*device.Bank{3: bank()}, device.Options{Turnaround: 40 * time.Millisecond})
		opts := modbus.Options{Name: "line", Transport: modbus.RTU, Baud: 9600, Open: func(context.Context) (wire.Conn, error) {
			near, far := net.Pipe()
			go server.ServeSerial(ctx, far, device.Line{Baud: 9600, Wait: func(t time.Time) { time.Sleep(time.Until(t)) }})
			return near, nil
		}}
		tally, err := modbus.Probe(ctx, opts, modbus.Question{Unit: 3, Table: modbus.HoldingRegisters, Start: 1}, 5, nil)
		if err != nil {
			t.Fatal(err)
		}
		if got := tally.Turnaround(); got < 39*time.Millisecond || got > 42*time.Millisecond {
			t.Errorf("turnaround %v, want about 40ms: %+v", got, tally.Times())
		}
	})
}

// The line understands only its own baud and parity: the search finds them with the devices on it, says before how long it
// may take, and takes no longer.
func TestSearch(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		server := device.New(map[uint8]*device.Bank{3: bank(), 40: bank(), 9: device.NewBank()}, device.Options{})
		// Options.Open does not see the settings, so the search runs once at each; the line is deaf at the wrong ones
		deaf := true
		s := modbus.Search{
			Options: modbus.Options{Name: "line", Transport: modbus.RTU, Timeout: 100 * time.Millisecond, Open: func(context.Context) (wire.Conn, error) {
				near, far := net.Pipe()
				if deaf {
					go io.Copy(io.Discard, far)
					context.AfterFunc(ctx, func() { far.Close() })
				} else {
					go server.ServeSerial(ctx, far, device.Line{Wait: func(t time.Time) { time.Sleep(time.Until(t)) }})
				}
				return near, nil
			}},
			Settings: []modbus.Settings{{Baud: 19200, Parity: 'E'}, {Baud: 9600, Parity: 'N'}},
		}
		for u := range uint8(60) {
			s.Units = append(s.Units, u+1)
		}
		told, of := 0, 0
		s.Told = func(done, all int) {
			if done < told {
				t.Errorf("told %d after %d", done, told)
			}
			told, of = done, all
			deaf = done < 16 // the first sixteen ids at the first setting go unheard
		}
		longest, began := s.Longest(), time.Now()
		found, heard, err := s.Run(ctx)
		if took := time.Since(began); err != nil || took > longest {
			t.Fatalf("%v after %v, told at most %v", err, took, longest)
		}
		var units []uint8
		for _, f := range found {
			units = append(units, f.Unit)
			if f.Settings != s.Settings[1] {
				t.Errorf("unit %d at %v, want %v", f.Unit, f.Settings, s.Settings[1])
			}
		}
		if len(units) != 3 || units[0] != 3 || units[1] != 9 || units[2] != 40 {
			t.Fatalf("found %v", found)
		}
		var x modbus.Exception
		if found[0].Answer != nil || !errors.As(found[1].Answer, &x) || x != modbus.IllegalDataAddress {
			t.Errorf("answers %v and %v", found[0].Answer, found[1].Answer)
		}
		if told != of || heard.Asked != 16+16+44 {
			t.Errorf("told %d of %d; asked %d", told, of, heard.Asked)
		}
		if longest < 12*time.Second || longest > 20*time.Second {
			t.Errorf("at most %v: 120 questions with a time-out of 100 ms, 20 ms of quiet and their characters", longest)
		}
	})
}

// A device that answers after its time-out is found by its late frame, and a gateway that answers for nobody is nobody.
func TestSearchOfOddLines(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		s := modbus.Search{Units: []uint8{2, 3, 4, 5}, Options: scripted(ctx, t, func(r []byte, _ int) []byte {
			switch r[0] {
			case 3: // comes while unit 4 is asked
				return nil
			case 4:
				return valueFrame(7)
			}
			return withCRC([]byte{r[0], 0x83, 0x0B})
		})}
		found, _, err := s.Run(ctx)
		if err != nil || len(found) != 1 || found[0].Unit != 3 || !strings.Contains(found[0].Answer.Error(), "too late") {
			t.Errorf("found %v, %v", found, err)
		}
	})
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r := newRig(ctx, nil)
		r.dead.Store(true)
		s := modbus.Search{Units: []uint8{1}, Options: r.opts}
		if found, _, err := s.Run(ctx); err == nil || len(found) > 0 {
			t.Errorf("a link that refuses: %v, %v", found, err)
		}
	})
}
