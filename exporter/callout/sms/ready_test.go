package sms_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/exporter/callout"
	"roundsman/exporter/callout/sms"
	"roundsman/exporter/callout/sms/modemtest"
)

// The root counts the room of texts with a table of its own; it must be this one, for every character.
func TestOneAlphabet(t *testing.T) {
	for r := rune(' '); r <= 0xFFFF; r++ {
		if r >= 0xD800 && r < 0xE000 {
			continue // halves of surrogate pairs are no characters
		}
		n, gsm := callout.Septets(string(r))
		units, ucs2, _ := sms.Fit(string(r))
		if gsm == ucs2 || gsm && n != units {
			t.Fatalf("%q: the root says %d units, in the alphabet: %v; this package %d, %v", r, n, gsm, units, !ucs2)
		}
	}
}

// Channels tell without sending whether they could.
func TestReady(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		far := modemtest.New()
		defer far.Close()
		far.Set(func(f *modemtest.Faults) { f.CREG, f.CEREG = 3, 3 })
		m, err := sms.New(sms.Options{Name: "modem", Open: far.Open})
		if err != nil {
			t.Fatal(err)
		}
		if err := m.Texts().Ready(); err == nil {
			t.Error("ready before it was run")
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- m.Run(ctx) }()
		time.Sleep(5 * time.Minute)
		if err := m.Texts().Ready(); !errors.Is(err, sms.ErrNetwork) {
			t.Errorf("registration denied: got %v", err)
		}
		far.Set(func(f *modemtest.Faults) { f.CREG, f.CEREG = 1, 1 })
		time.Sleep(5 * time.Minute)
		if err, ring := m.Texts().Ready(), m.Voice().Ready(); err != nil || ring != nil {
			t.Errorf("registered: got %v, %v", err, ring)
		}
		far.Vanish(errors.New("unplugged"))
		time.Sleep(5 * time.Minute)
		if err := m.Voice().Ready(); err == nil {
			t.Error("ready without a port")
		}
		cancel()
		<-done
	})
}
