package sms_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"roundsman/exporter/callout"
	"roundsman/exporter/callout/sms"
	"roundsman/exporter/callout/sms/modemtest"
)

// An answer comes whole, with sender and the network's time, once, and its place on the card is freed.
func TestAnswer(t *testing.T) {
	for _, direct := range []bool{false, true} {
		with(t, sms.Options{}, func(f *modemtest.Faults) { f.Direct = direct }, func(b *bench) {
			sent := time.Now().Add(-time.Minute).Truncate(time.Second)
			for _, text := range []string{"ok 3", "Ok  7 thanks", "да, ок €", strings.Repeat("why? ", 50) + "end", strings.Repeat("что? ", 50)} {
				b.far.Deliver(phone, text, sent)
				a := b.answer()
				want := strings.TrimSpace(text)
				if a.Text != want || a.From != phone || !a.At.Equal(sent) {
					t.Errorf("direct %v: got %+v, want %q", direct, a, want)
				}
				if n, _ := sms.ParseAnswer(text); a.Number != n {
					t.Errorf("%q: number %d, want %d", text, a.Number, n)
				}
			}
			b.silence(3 * time.Minute)
			if n := b.far.Stored(); n != 0 {
				t.Errorf("%d messages stay on the card", n)
			}
			if st := b.near.Status(); st.Received != 5 || st.Dropped != 0 || st.Unreadable != 0 {
				t.Errorf("status %+v", st)
			}
		})
	}
}

// What arrived while the box was off is read at the start; a text stays on the card until somebody took it.
func TestStoredBefore(t *testing.T) {
	far := modemtest.New()
	far.Deliver(phone, "ok 3", time.Date(2026, 3, 11, 6, 14, 0, 0, time.UTC))
	far.Deliver("+358501234567", strings.Repeat("x", 200), time.Date(2026, 3, 11, 6, 15, 0, 0, time.UTC))
	kept := far.Stored()
	with(t, sms.Options{}, nil, func(b *bench) {
		for _, pdu := range modemtest.DeliverPDUs(phone, "ok 3", time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), 0) {
			b.far.DeliverPDU(pdu)
		}
		time.Sleep(time.Hour)
		b.end() // nobody took it
		if n := b.far.Stored(); n != 1 {
			t.Fatalf("%d messages on the card, want 1: it was not taken", n)
		}
		b.run(sms.Options{})
		if a := b.answer(); a.Number != 3 || a.From != phone || a.At.Year() != 2000 {
			t.Errorf("got %+v", a)
		}
		time.Sleep(time.Second)
		if n := b.far.Stored(); n != 0 {
			t.Errorf("%d messages on the card", n)
		}
	})
	if kept != 3 {
		t.Errorf("the emulator held %d of 3", kept)
	}
}

// Duplicates count once: the network sends a text again, or the port was lost before the card was cleared.
func TestDuplicates(t *testing.T) {
	with(t, sms.Options{}, nil, func(b *bench) {
		pdus := modemtest.DeliverPDUs(phone, "ok 3", time.Now(), 0)
		b.far.DeliverPDU(pdus[0])
		b.far.DeliverPDU(pdus[0])
		b.answer()
		b.far.DeliverPDU(pdus[0])
		b.silence(2 * time.Minute)
		if n := b.far.Stored(); n != 0 {
			t.Errorf("%d messages on the card", n)
		}
		b.far.Set(func(f *modemtest.Faults) { f.Stuck = true })
		b.far.Deliver(phone, "ok 4", time.Now())
		b.answer()
		b.far.HangUp()
		b.silence(10 * time.Minute)
	})
}

// Parts come in any order, with others between them, twice, or not all: then what is there is handed on.
func TestReassembly(t *testing.T) {
	with(t, sms.Options{}, nil, func(b *bench) {
		one := strings.Repeat("first ", 60)
		two := strings.Repeat("второе ", 30)
		first := modemtest.DeliverPDUs(phone, one, time.Now(), 9)
		second := modemtest.DeliverPDUs(phone, two, time.Now(), 10)
		other := modemtest.DeliverPDUs("+358501234567", one, time.Now(), 9)
		for _, p := range []string{first[2], second[1], other[0], first[0], second[3], first[0], second[0], first[1], second[2], other[1]} {
			b.far.DeliverPDU(p)
			time.Sleep(time.Second)
		}
		got := []string{b.answer().Text, b.answer().Text}
		if !slices.Equal(got, []string{strings.TrimSpace(one), strings.TrimSpace(two)}) {
			t.Errorf("got %q", got)
		}
		begun := time.Now()
		time.Sleep(4 * time.Minute)
		a := <-b.near.Answers()
		if want := one[:306] + "..."; a.Text != want || a.From != "+358501234567" {
			t.Errorf("got %+v, want %q", a, want)
		}
		if d := time.Since(begun); d > 7*time.Minute {
			t.Errorf("an incomplete text was held for %v", d)
		}
		b.far.DeliverPDU(modemtest.DeliverPDUs(phone, strings.Repeat("ok 5 ", 40), time.Now(), 11)[0])
		if a := <-b.near.Answers(); a.Number != 5 {
			t.Errorf("got %+v", a)
		}
		time.Sleep(time.Minute)
		if n := b.far.Stored(); n != 0 {
			t.Errorf("%d messages on the card", n)
		}
	})
}

// A full card is emptied: of parts whose others can no longer arrive, and of what cannot be deleted one by one.
func TestFull(t *testing.T) {
	with(t, sms.Options{}, func(f *modemtest.Faults) { f.Room = 3 }, func(b *bench) {
		for i := range 3 {
			b.far.DeliverPDU(modemtest.DeliverPDUs(phone, strings.Repeat("ok 1 ", 40), time.Now(), byte(20+i))[0])
		}
		if b.far.DeliverPDU(modemtest.DeliverPDUs(phone, "ok 2", time.Now(), 0)[0]) {
			t.Fatal("the card is not full")
		}
		for range 3 {
			if a := b.answer(); a.Number != 1 {
				t.Errorf("got %+v", a)
			}
		}
		time.Sleep(time.Minute)
		b.far.Deliver(phone, "ok 2", time.Now())
		if a := b.answer(); a.Number != 2 {
			t.Errorf("got %+v", a)
		}
		time.Sleep(time.Second) // until it is deleted
		b.far.Set(func(f *modemtest.Faults) { f.Stuck = true })
		for i := range 3 {
			b.far.Deliver(phone, fmt.Sprintf("ok %d", i+3), time.Now())
			b.answer()
		}
		time.Sleep(2 * time.Minute)
		if n := b.far.Stored(); n != 0 {
			t.Errorf("%d messages on the card", n)
		}
		if st := b.near.Status(); st.Problem != "" || st.Room != 3 {
			t.Errorf("status %+v", st)
		}
	})
}

// A card that was cleared as a whole may hold a new message where one lay that nobody took yet: the new one stays until
// it is taken itself.
func TestClearedSlots(t *testing.T) {
	with(t, sms.Options{}, func(f *modemtest.Faults) { f.Room, f.Stuck = 3, true }, func(b *bench) {
		for i := range 3 {
			b.far.Deliver(phone, fmt.Sprintf("ok %d", i+1), time.Now())
		}
		time.Sleep(time.Minute)
		if n := b.far.Stored(); n != 0 {
			t.Fatalf("%d messages on the card, want it cleared", n)
		}
		b.far.Set(func(f *modemtest.Faults) { f.Stuck = false })
		b.far.Deliver(phone, "ok 4", time.Now())
		for i := range 3 {
			if a := b.answer(); a.Number != i+1 {
				t.Errorf("got %+v, want %d", a, i+1)
			}
		}
		time.Sleep(time.Second)
		if n := b.far.Stored(); n != 1 {
			t.Errorf("%d messages on the card, want the one that nobody took", n)
		}
		if a := b.answer(); a.Number != 4 {
			t.Errorf("got %+v", a)
		}
	})
}

// When nobody takes answers the first 64 wait in memory and the others on the card.
func TestNobodyTakes(t *testing.T) {
	with(t, sms.Options{}, func(f *modemtest.Faults) { f.Room = 100 }, func(b *bench) {
		for i := range 80 {
			b.far.Deliver(phone, fmt.Sprintf("ok %d", i+1), time.Now())
			time.Sleep(time.Second)
		}
		time.Sleep(10 * time.Minute)
		if n := b.far.Stored(); n != 80 {
			t.Errorf("%d messages on the card, want all 80: nobody took any", n)
		}
		seen := map[int]int{}
		for range 80 {
			seen[b.answer().Number]++
		}
		b.silence(3 * time.Minute)
		for i := range 80 {
			if seen[i+1] != 1 {
				t.Errorf("answer %d came %d times", i+1, seen[i+1])
			}
		}
		if n := b.far.Stored(); n != 0 {
			t.Errorf("%d messages on the card", n)
		}
	})
}

// What is no text, or no PDU, is counted and cleared away.
func TestUnreadable(t *testing.T) {
	with(t, sms.Options{}, nil, func(b *bench) {
		good := modemtest.DeliverPDUs(phone, "ok 3", time.Now(), 0)[0]
		for _, pdu := range []string{"00", "07", good[:20], good[:len(good)-2], good + "00", strings.Replace(good, "54760000", "54760004", 1)} {
			b.far.DeliverPDU(pdu)
		}
		b.far.Say("+CMT: ,25")
		b.far.Say("zz")
		b.far.Say("+CDS: 1")
		b.far.Say("+CMT:")
		b.far.Say("+CMTI:")
		b.far.Say("+CREG:")
		b.silence(3 * time.Minute)
		if n := b.far.Stored(); n != 0 {
			t.Errorf("%d messages on the card", n)
		}
		if st := b.near.Status(); st.Unreadable < 6 || st.Received != 0 {
			t.Errorf("status %+v", st)
		}
		if _, err := b.send("a"); err != nil {
			t.Error(err)
		}
	})
}

// An announced text whose PDU never comes does not swallow what comes instead.
func TestLostPDU(t *testing.T) {
	with(t, sms.Options{}, nil, func(b *bench) {
		begun := time.Now()
		b.far.Say("+CMT: ,25")
		b.far.Deliver(phone, "ok 3", time.Now())
		if a := b.answer(); a.Number != 3 || time.Since(begun) > time.Second {
			t.Errorf("got %+v after %v", a, time.Since(begun))
		}
	})
}

// Senders of the own country, whom the network gives by their national number.
func TestNationalSender(t *testing.T) {
	for from, want := range map[string]string{
		"0871234567": "+353871234567", "871234567": "+353871234567", "00358501234567": "+358501234567",
		"+358501234567": "+358501234567", "50123": "50123",
	} {
		with(t, sms.Options{Country: "353"}, nil, func(b *bench) {
			b.far.Deliver(from, "ok", time.Now())
			if a := b.answer(); a.From != want {
				t.Errorf("%s: got %s, want %s", from, a.From, want)
			}
		})
	}
}

// Rings: what the network does, what is known of it, and that we hang up.
func TestRing(t *testing.T) {
	tests := []struct {
		name   string
		faults func(*modemtest.Faults)
		rang   bool
		err    string
		least  time.Duration
		most   time.Duration
		hungUp bool
	}{
		{"rings", nil, true, "", 23 * time.Second, 25 * time.Second, true},
		{"no answer", func(f *modemtest.Faults) { f.CallEnds, f.CallEnd = 15*time.Second, "NO ANSWER" }, true, "", 15 * time.Second, 16 * time.Second, false},
		{"declined", func(f *modemtest.Faults) { f.CallEnds, f.CallEnd = 8*time.Second, "NO CARRIER" }, true, "", 8 * time.Second, 9 * time.Second, false},
		{"busy", func(f *modemtest.Faults) { f.CallEnds, f.CallEnd = 2*time.Second, "BUSY" }, false, "busy", 2 * time.Second, 3 * time.Second, false},
		{"switched off", func(f *modemtest.Faults) { f.Alert, f.CallEnds, f.CallEnd = 0, 9*time.Second, "NO CARRIER" }, false, "no connection", 9 * time.Second, 10 * time.Second, false},
		{"never rings", func(f *modemtest.Faults) { f.Alert = 0 }, false, "did not ring", 30 * time.Second, 31 * time.Second, true},
		{"answered", func(f *modemtest.Faults) { f.Answered = 9 * time.Second }, true, "", 11 * time.Second, 14 * time.Second, true},
		{"no call states", func(f *modemtest.Faults) { f.Refused = []string{"+CLCC"} }, false, "", 20 * time.Second, 21 * time.Second, true},
		{"no CHUP", func(f *modemtest.Faults) { f.Refused = []string{"+CHUP"} }, true, "", 23 * time.Second, 25 * time.Second, true},
		{"no answer, no call states", func(f *modemtest.Faults) {
			f.Refused, f.CallEnds, f.CallEnd = []string{"+CLCC"}, 15*time.Second, "NO ANSWER"
		}, true, "", 15 * time.Second, 16 * time.Second, false},
		{"late OK", func(f *modemtest.Faults) { f.LateOK = true }, false, "", 50 * time.Second, 52 * time.Second, false},
		{"no carrier at once", func(f *modemtest.Faults) { f.DialError = "NO CARRIER" }, false, "no connection", 0, time.Second, false},
		{"no dial tone", func(f *modemtest.Faults) { f.DialError = "NO DIALTONE" }, false, "NO DIALTONE", 0, time.Second, false},
		{"refused", func(f *modemtest.Faults) { f.DialError = "+CME ERROR: 30" }, false, "no network service", 0, time.Second, false},
		{"through garbage", func(f *modemtest.Faults) {
			f.Split, f.Garbage, f.Midway = true, "\r\nq\x00\r\n", []string{"+CREG: 1", "RING"}
		}, true, "", 23 * time.Second, 25 * time.Second, true},
	}
	for _, tt := range tests {
		with(t, sms.Options{Ring: 20 * time.Second}, tt.faults, func(b *bench) {
			begun := time.Now()
			r, err := b.near.Voice().Send(b.t.Context(), &callout.Message{To: phone})
			took := time.Since(begun)
			if r.Delivered != tt.rang || (err == nil) != (tt.err == "") || err != nil && !strings.Contains(err.Error(), tt.err) {
				t.Errorf("%s: got %+v, %v, want rang %v, %q", tt.name, r, err, tt.rang, tt.err)
			}
			if errors.Is(err, callout.ErrForGood) || errors.Is(err, callout.ErrPerhaps) {
				t.Errorf("%s: %v is not temporary", tt.name, err)
			}
			if took < tt.least || took > tt.most {
				t.Errorf("%s: it took %v, want %v to %v", tt.name, took, tt.least, tt.most)
			}
			for _, c := range b.far.Calls() {
				if c.To != phone || c.Ended.IsZero() || c.HungUp != tt.hungUp {
					t.Errorf("%s: call %+v, want hung up %v", tt.name, c, tt.hungUp)
				}
			}
			if _, err := b.send("a"); err != nil {
				t.Errorf("%s: a text after it: %v", tt.name, err)
			}
		})
	}
}

// Whoever asked for a ring may end it; a text that waits for its turn goes next; answers come in meanwhile.
func TestRingEnds(t *testing.T) {
	with(t, sms.Options{}, nil, func(b *bench) {
		ctx, cancel := context.WithTimeout(b.t.Context(), 10*time.Second)
		defer cancel()
		done := make(chan error, 1)
		go func() {
			_, err := b.near.Voice().Send(ctx, &callout.Message{To: phone})
			done <- err
		}()
		time.Sleep(5 * time.Second)
		b.far.Deliver(phone, "ok 3", time.Now())
		begun := time.Now()
		if _, err := b.send("a"); err != nil {
			t.Error(err)
		}
		if d := time.Since(begun); d < 5*time.Second || d > 6*time.Second {
			t.Errorf("the text waited %v", d)
		}
		if err := <-done; !errors.Is(err, context.DeadlineExceeded) {
			t.Error(err)
		}
		if c := b.far.Calls(); len(c) != 1 || !c[0].HungUp {
			t.Errorf("calls %+v", c)
		}
		if a := b.answer(); a.Number != 3 {
			t.Errorf("got %+v", a)
		}
	})
}

// A daemon that stops in the middle of a call hangs up; in the middle of a text it says that nobody knows.
func TestStop(t *testing.T) {
	with(t, sms.Options{}, func(f *modemtest.Faults) { f.SendDelay = 30 * time.Second }, func(b *bench) {
		done := make(chan error, 1)
		go func() {
			_, err := b.near.Voice().Send(b.t.Context(), &callout.Message{To: phone})
			done <- err
		}()
		time.Sleep(6 * time.Second)
		b.end()
		if err := <-done; err != nil {
			t.Errorf("it rang, and yet: %v", err)
		}
		if c := b.far.Calls(); len(c) != 1 || !c[0].HungUp {
			t.Errorf("calls %+v", c)
		}
		b.run(sms.Options{})
		time.Sleep(10 * time.Second)
		go func() {
			_, err := b.send("a")
			done <- err
		}()
		time.Sleep(6 * time.Second)
		b.end()
		if err := <-done; !errors.Is(err, callout.ErrPerhaps) {
			t.Errorf("got %v", err)
		}
	})
}

func TestBothChannels(t *testing.T) {
	with(t, sms.Options{}, nil, func(b *bench) {
		for _, c := range []callout.Channel{b.near.Texts(), b.near.Voice()} {
			if _, err := c.Send(b.t.Context(), &callout.Message{To: phone, Short: "x"}); err != nil {
				t.Errorf("%s: %v", c.Kind(), err)
			}
		}
		if a, b := b.near.Texts().Kind(), b.near.Voice().Kind(); a != "sms" || b != "voice" {
			t.Errorf("kinds %s, %s", a, b)
		}
	})
}
