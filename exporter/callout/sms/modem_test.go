package sms_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/exporter/callout"
	"roundsman/exporter/callout/sms"
	"roundsman/exporter/callout/sms/modemtest"
)

const phone = "+353871234567"

// bench is a modem under test and the emulator behind it.
type bench struct {
	t    *testing.T
	far  *modemtest.Modem
	near *sms.Modem
	stop context.CancelFunc
	wg   sync.WaitGroup
}

// with runs body in fake time with a modem that was started and left alone for ten seconds.
func with(t *testing.T, o sms.Options, faults func(*modemtest.Faults), body func(*bench)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := &bench{t: t, far: modemtest.New()}
		if faults != nil {
			b.far.Set(faults)
		}
		b.run(o)
		time.Sleep(10 * time.Second)
		body(b)
		b.end()
		b.far.Close()
	})
}

func (b *bench) run(o sms.Options) {
	if o.Open == nil {
		o.Open = b.far.Open
	}
	var err error
	if b.near, err = sms.New(o); err != nil {
		b.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(b.t.Context())
	b.stop = cancel
	b.wg.Go(func() {
		if err := b.near.Run(ctx); !errors.Is(err, context.Canceled) {
			b.t.Errorf("Run ended with %v", err)
		}
	})
}

func (b *bench) end() {
	b.stop()
	b.wg.Wait()
}

func (b *bench) send(text string) (callout.Receipt, error) {
	return b.near.Texts().Send(b.t.Context(), &callout.Message{Key: "k1", To: phone, Short: text})
}

// want fails unless the modem was given exactly these texts.
func (b *bench) want(texts ...string) {
	b.t.Helper()
	var got []string
	for _, x := range b.far.Texts() {
		if x.To != phone {
			b.t.Errorf("a text went to %s, want %s", x.To, phone)
		}
		got = append(got, x.Text)
	}
	if strings.Join(got, "|") != strings.Join(texts, "|") {
		b.t.Errorf("sent %q, want %q", got, texts)
	}
}

// answer takes an answer, or fails after five minutes without.
func (b *bench) answer() callout.Answer {
	b.t.Helper()
	select {
	case a := <-b.near.Answers():
		return a
	case <-time.After(5 * time.Minute):
		b.t.Fatalf("no answer came; status %+v, %d on the card", b.near.Status(), b.far.Stored())
	}
	return callout.Answer{}
}

func (b *bench) silence(d time.Duration) {
	b.t.Helper()
	select {
	case a := <-b.near.Answers():
		b.t.Fatalf("an answer too many: %+v", a)
	case <-time.After(d):
	}
}

func TestSend(t *testing.T) {
	with(t, sms.Options{}, nil, func(b *bench) {
		r, err := b.send("Ardenmoor AIR header 5.3 bar, low 5.5. Reply OK 7")
		if err != nil || r.Reference != "7" || r.Delivered {
			t.Errorf("got %+v, %v", r, err)
		}
		b.want("Ardenmoor AIR header 5.3 bar, low 5.5. Reply OK 7")
		x := b.far.Texts()[0]
		if x.Validity != time.Hour || x.Report || x.UCS2 {
			t.Errorf("got %+v, want an hour, no report, GSM alphabet", x)
		}
		st := b.near.Status()
		if !st.Open || !st.Registered() || st.Problem != "" || st.Sent != 1 || st.SIM != sms.SIMReady {
			t.Errorf("status %+v", st)
		}
		if st.Signal != -73 || !st.SignalKnown || st.Operator != "Testnet" || st.Registration != sms.Home {
			t.Errorf("status %+v, want -73 dBm, Testnet, home", st)
		}
	})
}

// What the field does to a serial line and a network, none of which may lose, double or change a text.
func TestSendThroughFaults(t *testing.T) {
	tests := []struct {
		name   string
		faults func(*modemtest.Faults)
	}{
		{"byte by byte", func(f *modemtest.Faults) { f.Split = true }},
		{"garbage between lines", func(f *modemtest.Faults) { f.Garbage = "\x00\xffxq~\x93\r\n7\r\n" }},
		{"unsolicited in the middle", func(f *modemtest.Faults) {
			f.Midway = []string{"RING", `+CMTI: "SM",19`, "+CREG: 1", `+CREG: 1,"00C3","01AF"`, "^RSSI: 20", "NO CARRIER"}
		}},
		{"echo stays", func(f *modemtest.Faults) { f.EchoStays = true }},
		{"all of these", func(f *modemtest.Faults) {
			f.Split, f.EchoStays, f.Garbage, f.Midway = true, true, "\r\n!\x80\r\n", []string{"+CREG: 5", "RING"}
		}},
		{"slow network", func(f *modemtest.Faults) { f.SendDelay = 45 * time.Second }},
		{"LTE only", func(f *modemtest.Faults) { f.CREG = 0 }},
		{"no LTE", func(f *modemtest.Faults) { f.CEREG = -1 }},
		{"roaming", func(f *modemtest.Faults) { f.CREG, f.CEREG = 5, 0 }},
		{"busy SIM", func(f *modemtest.Faults) { f.SIMBusy = 5 }},
		{"few commands", func(f *modemtest.Faults) { f.Refused = []string{"+CNMI", "+CSMS", "+COPS", "+CPMS", "+CSQ", "+CPINR"} }},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			with(t, sms.Options{}, tt.faults, func(b *bench) {
				if _, err := b.send("Low air [5.3 bar]"); err != nil {
					t.Fatal(err)
				}
				b.want("Low air [5.3 bar]")
				b.far.Deliver(phone, "ok 3", time.Now())
				if a := b.answer(); a.Number != 3 || a.From != phone {
					t.Errorf("answer %+v", a)
				}
				if n := b.far.Opened(); n != 1 {
					t.Errorf("the port was opened %d times", n)
				}
			})
		})
	}
}

// CMS codes and what a repeat may do: 27.005, clause 3.2.5.
func TestRefusals(t *testing.T) {
	for code, want := range map[int]error{
		1: callout.ErrForGood, 8: callout.ErrForGood, 10: callout.ErrForGood, 28: callout.ErrForGood,
		304: callout.ErrForGood, 330: callout.ErrForGood,
		17: nil, 21: nil, 22: nil, 27: nil, 38: nil, 302: nil, 322: nil, 331: nil, 500: nil, 332: callout.ErrPerhaps,
	} {
		with(t, sms.Options{Name: "m1"}, func(f *modemtest.Faults) { f.SendErrors = []int{code} }, func(b *bench) {
			_, err := b.send("a")
			var f *sms.Fault
			if !errors.As(err, &f) || f.Code != code || f.Kind != "CMS" || !strings.Contains(err.Error(), "modem m1: ") {
				t.Fatalf("%d: got %v", code, err)
			}
			for _, class := range []error{callout.ErrForGood, callout.ErrPerhaps, callout.ErrGone} {
				if errors.Is(err, class) != (class == want) {
					t.Errorf("%d: %v: is %v: %v", code, err, class, errors.Is(err, class))
				}
			}
			if _, err := b.send("a"); err != nil {
				t.Errorf("%d: the next try: %v", code, err)
			}
			b.want("a")
		})
	}
}

// Without registration another channel may try at once.
func TestNoNetwork(t *testing.T) {
	with(t, sms.Options{}, func(f *modemtest.Faults) { f.CREG, f.CEREG = 2, 2 }, func(b *bench) {
		begun := time.Now()
		if _, err := b.send("a"); !errors.Is(err, sms.ErrNetwork) || time.Since(begun) > time.Second {
			t.Errorf("got %v after %v", err, time.Since(begun))
		}
		if st := b.near.Status(); st.Registered() || st.Problem != "not registered in a network: searching" {
			t.Errorf("status %+v", st)
		}
		b.far.Set(func(f *modemtest.Faults) { f.CREG = 1 })
		if _, err := b.send("b"); err != nil {
			t.Error(err)
		}
		b.want("b")
		time.Sleep(time.Minute)
		if st := b.near.Status(); st.Problem != "" || st.Registration != sms.Home {
			t.Errorf("status %+v", st)
		}
	})
}

// A network that takes 110 s: after 60 s nobody knows, the message is not given twice by us, and the late result is
// not taken for the next message's.
func TestTooSlow(t *testing.T) {
	with(t, sms.Options{}, func(f *modemtest.Faults) { f.SendDelay = 110 * time.Second }, func(b *bench) {
		begun := time.Now()
		_, err := b.send("a")
		if !errors.Is(err, callout.ErrPerhaps) || errors.Is(err, callout.ErrForGood) {
			t.Errorf("got %v", err)
		}
		if d := time.Since(begun); d < 60*time.Second || d > 61*time.Second {
			t.Errorf("it took %v", d)
		}
		b.far.Set(func(f *modemtest.Faults) { f.SendDelay, f.SendErrors = 0, []int{38} })
		if _, err = b.send("b"); err == nil || errors.Is(err, callout.ErrPerhaps) {
			t.Errorf("the second: %v, want the network out of order", err)
		}
		b.want("a")
		if _, err = b.send("c"); err != nil {
			t.Error(err)
		}
		b.want("a", "c")
		if n := b.far.Opened(); n != 1 {
			t.Errorf("opened %d times: a slow network is no reason", n)
		}
	})
}

// A stray OK while the network is asked is not the network's.
func TestStrayOK(t *testing.T) {
	faults := func(f *modemtest.Faults) { f.SendDelay, f.SendErrors = 9*time.Second, []int{38} }
	with(t, sms.Options{}, faults, func(b *bench) {
		time.AfterFunc(4*time.Second, func() { b.far.Say("OK") })
		var f *sms.Fault
		if _, err := b.send("a"); !errors.As(err, &f) || f.Code != 38 {
			t.Errorf("got %v, want the network out of order", err)
		}
	})
}

// failing is a port whose writes fail in the middle of a PDU.
type failing struct {
	io.ReadWriteCloser
	on *atomic.Bool
}

func (p failing) Write(b []byte) (int, error) {
	if p.on.Load() && bytes.HasPrefix(b, []byte("0011")) {
		return 10, errors.New("input/output error")
	}
	return p.ReadWriteCloser.Write(b)
}

// A port that fails while it takes the text: perhaps all of it got through.
func TestWriteFails(t *testing.T) {
	var on atomic.Bool
	far := modemtest.New()
	open := func(ctx context.Context) (io.ReadWriteCloser, error) {
		p, err := far.Open(ctx)
		return failing{p, &on}, err
	}
	with(t, sms.Options{Open: open}, nil, func(b *bench) {
		on.Store(true)
		if _, err := b.send("a"); !errors.Is(err, callout.ErrPerhaps) || !strings.Contains(err.Error(), "input/output error") {
			t.Errorf("got %v", err)
		}
		on.Store(false)
		time.Sleep(time.Minute)
		if _, err := b.send("b"); err != nil {
			t.Error(err)
		}
		b.end()
		far.Close()
		if got := far.Texts(); len(got) != 1 || got[0].Text != "b" || far.Opened() != 2 {
			t.Errorf("got %+v over %d openings", got, far.Opened())
		}
	})
}

// The result of a text that was sent is lost.
func TestNoResult(t *testing.T) {
	with(t, sms.Options{}, func(f *modemtest.Faults) { f.NoResult = true }, func(b *bench) {
		if _, err := b.send("a"); !errors.Is(err, callout.ErrPerhaps) {
			t.Errorf("got %v", err)
		}
		b.far.Set(func(f *modemtest.Faults) { f.NoResult = false })
		m := callout.Message{To: phone, Short: "a", Repeat: true}
		if _, err := b.near.Texts().Send(b.t.Context(), &m); err != nil {
			t.Error(err)
		}
		b.want("a", "REPEAT: a")
	})
}

// No prompt: nothing was sent, and the modem that waits for a text is freed.
func TestNoPrompt(t *testing.T) {
	with(t, sms.Options{}, func(f *modemtest.Faults) { f.NoPrompt = true }, func(b *bench) {
		_, err := b.send("a")
		if err == nil || errors.Is(err, callout.ErrPerhaps) || !strings.Contains(err.Error(), "no prompt") {
			t.Errorf("got %v", err)
		}
		b.far.Set(func(f *modemtest.Faults) { f.NoPrompt = false })
		begun := time.Now()
		if _, err := b.send("b"); err != nil || time.Since(begun) > time.Second {
			t.Errorf("the next: %v after %v", err, time.Since(begun))
		}
		b.want("b")
		if n := b.far.Opened(); n != 1 {
			t.Errorf("opened %d times", n)
		}
	})
}

// The port vanishes before the text was given (surely not sent) and after (perhaps).
func TestHangUp(t *testing.T) {
	for at, perhaps := range map[string]bool{"prompt": false, "pdu": true} {
		with(t, sms.Options{}, func(f *modemtest.Faults) { f.HangUpAt = at }, func(b *bench) {
			if _, err := b.send("a"); err == nil || errors.Is(err, callout.ErrPerhaps) != perhaps {
				t.Errorf("%s: got %v, want perhaps %v", at, err, perhaps)
			}
			b.far.Set(func(f *modemtest.Faults) { f.HangUpAt = "" })
			time.Sleep(5 * time.Second)
			if _, err := b.send("b"); err != nil {
				t.Errorf("%s: the port did not come back: %v", at, err)
			}
		})
	}
}

// A port that is gone for an hour is opened again, at most a minute after it is back; sending meanwhile fails at once.
func TestPortGone(t *testing.T) {
	with(t, sms.Options{}, nil, func(b *bench) {
		b.far.Vanish(errors.New("no such device"))
		time.Sleep(time.Hour)
		begun := time.Now()
		_, err := b.send("a")
		if err == nil || !strings.Contains(err.Error(), "no such device") || time.Since(begun) > 0 {
			t.Errorf("got %v after %v", err, time.Since(begun))
		}
		st := b.near.Status()
		if st.Open || st.Ready || st.SignalKnown || !strings.Contains(st.Problem, "no such device") {
			t.Errorf("status %+v", st)
		}
		if d := time.Since(st.Since); d < 59*time.Minute {
			t.Errorf("the problem stands since %v only", d)
		}
		b.far.Vanish(nil)
		time.Sleep(time.Minute + 10*time.Second)
		if _, err := b.send("b"); err != nil {
			t.Error(err)
		}
		b.want("b")
	})
}

// A modem that answers nothing, or nonsense, is closed and opened again with growing waits, not at once for ever.
func TestNonsense(t *testing.T) {
	for name, faults := range map[string]func(*modemtest.Faults){
		"mute":   func(f *modemtest.Faults) { f.Mute = true },
		"babble": func(f *modemtest.Faults) { f.Babble = true },
	} {
		with(t, sms.Options{}, faults, func(b *bench) {
			time.Sleep(time.Hour)
			if n := b.far.Opened(); n < 30 || n > 120 {
				t.Errorf("%s: opened %d times in an hour", name, n)
			}
			if st := b.near.Status(); st.Ready || !strings.Contains(st.Problem, "does not answer") {
				t.Errorf("%s: status %+v", name, st)
			}
			b.far.Set(func(f *modemtest.Faults) { f.Mute, f.Babble = false, false })
			time.Sleep(90 * time.Second)
			if _, err := b.send("a"); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		})
	}
}

// A signal that goes is seen at the next look.
func TestPolled(t *testing.T) {
	with(t, sms.Options{}, nil, func(b *bench) {
		for _, tt := range []struct {
			rssi  int
			want  float64
			known bool
		}{{0, -113, true}, {31, -51, true}, {99, 0, false}} {
			b.far.Set(func(f *modemtest.Faults) { f.RSSI = tt.rssi })
			time.Sleep(time.Minute)
			if st := b.near.Status(); st.Signal != tt.want || st.SignalKnown != tt.known {
				t.Errorf("rssi %d: %v dBm, known %v", tt.rssi, st.Signal, st.SignalKnown)
			}
		}
		b.far.Set(func(f *modemtest.Faults) { f.SIM = "" })
		time.Sleep(time.Minute)
		if st := b.near.Status(); st.Ready || st.SIM != sms.SIMMissing || st.Problem != "no SIM" {
			t.Errorf("card pulled: status %+v", st)
		}
		if _, err := b.send("a"); !errors.Is(err, sms.ErrSIM) {
			t.Errorf("card pulled: %v", err)
		}
		b.far.Set(func(f *modemtest.Faults) { f.SIM = "READY" })
		time.Sleep(time.Minute)
		if _, err := b.send("a"); err != nil {
			t.Errorf("card back: %v", err)
		}
		b.far.Say("+CREG: 3")
		b.far.Say("+CEREG: 0")
		time.Sleep(time.Second)
		if st := b.near.Status(); st.Registration != sms.Denied {
			t.Errorf("unsolicited: %v", st.Registration)
		}
	})
}

// The PIN is given once, in the form of the standard.
func TestPIN(t *testing.T) {
	pin := func() (string, error) { return "4711\n", nil }
	guard := sms.MarkFile(filepath.Join(t.TempDir(), "pin-refused"))
	with(t, sms.Options{PIN: pin, Guard: guard}, func(f *modemtest.Faults) { f.SIM, f.PIN, f.NoCounter = "SIM PIN", "4711", true }, func(b *bench) {
		if _, err := b.send("a"); err != nil {
			t.Error(err)
		}
		b.far.Set(func(f *modemtest.Faults) { f.SIM = "SIM PIN" }) // the modem was switched off and on
		time.Sleep(2 * time.Minute)
		if _, err := b.send("b"); err != nil {
			t.Error(err)
		}
		if got := b.far.PINs(); strings.Join(got, " ") != "4711 4711" {
			t.Errorf("PINs %q", got)
		}
	})
}

// A wrong PIN is given once: not at the next look, not when the port comes back, not after a restart, with or
// without the SIM's counter. And it is in no error, status or log.
func TestWrongPIN(t *testing.T) {
	for _, counter := range []bool{true, false} {
		guard := sms.MarkFile(filepath.Join(t.TempDir(), "pin-refused"))
		var log bytes.Buffer
		o := sms.Options{
			PIN: func() (string, error) { return "4711", nil }, Guard: guard,
			Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug})),
		}
		faults := func(f *modemtest.Faults) { f.SIM, f.PIN, f.NoCounter, f.EchoStays = "SIM PIN", "9999", !counter, true }
		with(t, o, faults, func(b *bench) {
			_, err := b.send("a")
			if !errors.Is(err, sms.ErrSIM) || !strings.Contains(err.Error(), "SIM PIN refused, not tried again") {
				t.Errorf("got %v", err)
			}
			time.Sleep(time.Hour)
			b.far.HangUp()
			time.Sleep(time.Hour)
			b.end()
			first := b.near.Status()
			b.run(o) // a restart
			time.Sleep(time.Hour)
			if got := b.far.PINs(); len(got) != 1 {
				t.Errorf("counter %v: the PIN was given %d times", counter, len(got))
			}
			if st := b.near.Status(); st.SIM != sms.SIMRefusedPIN || !strings.HasPrefix(st.Problem, "SIM PIN refused, not tried again") {
				t.Errorf("status %+v", st)
			}
			for _, text := range []string{err.Error(), fmt.Sprintf("%+v %+v", first, b.near.Status()), log.String()} {
				if strings.Contains(text, "4711") {
					t.Errorf("the PIN is told: %s", text)
				}
			}
			if !strings.Contains(log.String(), "not tried again") {
				t.Errorf("nothing was logged: %s", log.String())
			}
		})
		if marked, _ := guard.Marked(); marked != true {
			t.Error("the refusal was not marked")
		}
	}
}

// The same with nothing but our own memory, as long as we run.
func TestWrongPINUnguarded(t *testing.T) {
	pin := func() (string, error) { return "4711", nil }
	with(t, sms.Options{PIN: pin}, func(f *modemtest.Faults) { f.SIM, f.PIN, f.NoCounter = "SIM PIN", "9999", true }, func(b *bench) {
		for range 3 {
			time.Sleep(time.Hour)
			b.far.HangUp()
		}
		time.Sleep(time.Hour)
		if got := b.far.PINs(); len(got) != 1 {
			t.Errorf("the PIN was given %d times", len(got))
		}
	})
}

// A PIN is not given if it is none, if it cannot be read, or if a refusal could not be remembered.
func TestPINNotGiven(t *testing.T) {
	bad := errors.New("pin file: permission denied")
	tests := []struct {
		name string
		o    sms.Options
		want string
		sim  sms.SIM
	}{
		{"none", sms.Options{}, "SIM needs a PIN: none is configured", sms.SIMNeedsPIN},
		{"letters", sms.Options{PIN: func() (string, error) { return "abcd", nil }}, "SIM needs a PIN: its file does not hold 4 to 8 digits", sms.SIMNeedsPIN},
		{"injection", sms.Options{PIN: func() (string, error) { return "1234\"\r", nil }}, "SIM needs a PIN: its file does not hold 4 to 8 digits", sms.SIMNeedsPIN},
		{"unreadable", sms.Options{PIN: func() (string, error) { return "", bad }}, "SIM needs a PIN: pin file: permission denied", sms.SIMNeedsPIN},
		{"no mark", sms.Options{PIN: func() (string, error) { return "1234", nil }, Guard: sms.MarkFile("/nonexistent/x")},
			"SIM needs a PIN: it is not given: a refusal could not be remembered: open /nonexistent/x: no such file or directory", sms.SIMNeedsPIN},
	}
	for _, tt := range tests {
		with(t, tt.o, func(f *modemtest.Faults) { f.SIM, f.PIN = "SIM PIN", "1234" }, func(b *bench) {
			if st := b.near.Status(); st.Problem != tt.want || st.SIM != tt.sim {
				t.Errorf("%s: %q, %v, want %q", tt.name, st.Problem, st.SIM, tt.want)
			}
			if n := len(b.far.PINs()); n != 0 {
				t.Errorf("%s: %d PINs were given", tt.name, n)
			}
		})
	}
	// somebody else's failure: two tries are left
	with(t, sms.Options{PIN: func() (string, error) { return "1234", nil }}, func(f *modemtest.Faults) { f.SIM, f.PIN, f.Tries = "SIM PIN", "1234", 2 }, func(b *bench) {
		if st := b.near.Status(); st.SIM != sms.SIMRefusedPIN || !strings.Contains(st.Problem, "2 tries left") || len(b.far.PINs()) != 0 {
			t.Errorf("status %+v, %d PINs", st, len(b.far.PINs()))
		}
	})
	with(t, sms.Options{}, func(f *modemtest.Faults) { f.SIM = "SIM PUK" }, func(b *bench) {
		if st := b.near.Status(); st.SIM != sms.SIMNeedsPUK || st.Problem != "SIM locked, PUK needed" {
			t.Errorf("status %+v", st)
		}
	})
}

// Long texts go in parts with one reference each; a repeat of a text that broke off goes on where it stopped.
func TestParts(t *testing.T) {
	long := strings.Repeat("0123456789", 40) // 400 septets: 3 parts
	with(t, sms.Options{}, func(f *modemtest.Faults) { f.SendErrors = []int{0, 38} }, func(b *bench) {
		if _, err := b.send(long); err == nil || errors.Is(err, callout.ErrPerhaps) {
			t.Errorf("got %v", err)
		}
		r, err := b.send(long)
		if err != nil || r.Reference != "7,8,9" {
			t.Errorf("got %+v, %v", r, err)
		}
		var whole strings.Builder
		texts := b.far.Texts()
		for i, x := range texts {
			if x.Total != 3 || x.Part != i+1 || x.Ref != texts[0].Ref {
				t.Errorf("part %d: %+v", i, x)
			}
			whole.WriteString(x.Text)
		}
		if len(texts) != 3 || whole.String() != long {
			t.Errorf("%d parts make %q", len(texts), whole.String())
		}
		if _, err := b.send(long); err != nil {
			t.Error(err)
		}
		if again := b.far.Texts()[3:]; len(again) != 3 || again[0].Ref == texts[0].Ref {
			t.Errorf("sent anew: %+v", again)
		}
	})
}

// What is said of a text that is late or repeated, replaced, cut, or no text.
func TestCompose(t *testing.T) {
	tests := []struct {
		m    callout.Message
		want string
		ucs2 bool
	}{
		{callout.Message{Short: "Oil 71 °C, 3 m³, 40 µS/cm – “hot”"}, "Oil 71 C, 3 m3, 40 uS/cm - \"hot\"", false},
		{callout.Message{Title: "t", Text: "x"}, "t", false},
		{callout.Message{Text: "x"}, "x", false},
		{callout.Message{Short: "x", Late: true}, "LATE: x", false},
		{callout.Message{Short: "x", Late: true, Repeat: true}, "REPEAT: LATE: x", false},
		{callout.Message{Short: "REPEAT x", Repeat: true}, "REPEAT x", false},
		{callout.Message{Short: "Цех 71 °C"}, "Цех 71 °C", true},
		{callout.Message{Short: strings.Repeat("a", 500)}, strings.Repeat("a", 456) + "...", false},
	}
	for _, tt := range tests {
		with(t, sms.Options{}, nil, func(b *bench) {
			tt.m.To = " +353 87 123-4567 "
			if _, err := b.near.Texts().Send(b.t.Context(), &tt.m); err != nil {
				t.Fatal(err)
			}
			var whole strings.Builder
			for _, x := range b.far.Texts() {
				whole.WriteString(x.Text)
				if x.UCS2 != tt.ucs2 {
					t.Errorf("%q: UCS-2 %v", x.Text, x.UCS2)
				}
			}
			if whole.String() != tt.want {
				t.Errorf("sent %q, want %q", whole.String(), tt.want)
			}
		})
	}
	with(t, sms.Options{}, nil, func(b *bench) {
		for _, m := range []callout.Message{{To: phone}, {To: "0871234567", Short: "x"}, {To: "+353 87 ATD", Short: "x"}, {To: "+0001234567", Short: "x"}} {
			if _, err := b.near.Texts().Send(b.t.Context(), &m); !errors.Is(err, callout.ErrForGood) {
				t.Errorf("%+v: %v", m, err)
			}
			if _, err := b.near.Voice().Send(b.t.Context(), &m); m.To != phone && !errors.Is(err, callout.ErrForGood) {
				t.Errorf("ring %+v: %v", m, err)
			}
		}
		b.want()
	})
}

// Reports of delivery: of a text of one part, of two, of one that failed, and of one nobody knows.
func TestReceipts(t *testing.T) {
	with(t, sms.Options{Receipts: true}, nil, func(b *bench) {
		next := func() sms.Delivery {
			select {
			case d := <-b.near.Deliveries():
				return d
			case <-time.After(time.Minute):
				t.Fatal("no report")
			}
			return sms.Delivery{}
		}
		at := time.Now().Truncate(time.Second)
		if _, err := b.send("a"); err != nil || !b.far.Texts()[0].Report {
			t.Fatalf("%v, %+v", err, b.far.Texts())
		}
		b.far.Report(phone, 7, at, 0x30) // still trying
		b.far.Report(phone, 7, at, 0x00)
		if d := next(); d.Key != "k1" || d.To != phone || d.Reference != "7" || !d.Delivered || !d.Final || !d.At.Equal(at) {
			t.Errorf("got %+v", d)
		}
		if r, err := b.send(strings.Repeat("x", 200)); err != nil || r.Reference != "8,9" {
			t.Errorf("%+v, %v", r, err)
		}
		b.far.Report("0871234567", 9, at, 0x00)
		b.far.Report("0871234567", 8, at, 0x01)
		if d := next(); d.Reference != "8,9" || !d.Delivered || d.To != phone {
			t.Errorf("got %+v", d)
		}
		if _, err := b.send("c"); err != nil {
			t.Error(err)
		}
		b.far.Report(phone, 10, at, 0x46) // validity period expired
		if d := next(); d.Reference != "10" || d.Delivered || !d.Final || d.Key != "k1" {
			t.Errorf("got %+v", d)
		}
		b.far.Report("+358501234567", 7, at, 0)
		if d := next(); d.Key != "" || d.To != "+358501234567" || d.Reference != "7" {
			t.Errorf("got %+v", d)
		}
		b.silence(time.Minute)
	})
}

func TestOptions(t *testing.T) {
	if _, err := sms.New(sms.Options{}); err == nil {
		t.Error("a modem without a port")
	}
	open := func(context.Context) (io.ReadWriteCloser, error) { return nil, io.EOF }
	if _, err := sms.New(sms.Options{Open: open, MaxParts: 256}); err == nil {
		t.Error("256 parts")
	}
	synctest.Test(t, func(t *testing.T) {
		m, err := sms.New(sms.Options{Open: open})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := m.Texts().Send(t.Context(), &callout.Message{To: phone, Short: "x"}); !errors.Is(err, sms.ErrBusy) {
			t.Errorf("before Run: %v", err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := m.Run(ctx); !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
		if _, err := m.Texts().Send(t.Context(), &callout.Message{To: phone, Short: "x"}); !errors.Is(err, sms.ErrEnded) {
			t.Errorf("after Run: %v", err)
		}
	})
}
