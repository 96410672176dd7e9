package sms_test

import (
	"context"
	"io"
	"sync"
	"testing"
	"time"

	"roundsman/collector/modbus/serial"
	"roundsman/collector/outsidetest"
	"roundsman/collector/practice/terminal"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/sms"
	"roundsman/exporter/callout/sms/modemtest"
)

// The whole way over a pseudo terminal, opened as a daemon opens a port: a text out, an answer in, the end of Run.
func TestTerminal(t *testing.T) {
	line, err := terminal.Open()
	if err != nil {
		outsidetest.Lacking(t, "no pseudo terminal: %v", err)
	}
	far := modemtest.New()
	var wg sync.WaitGroup
	wg.Go(func() { _ = far.Serve(line) })
	near, err := sms.New(sms.Options{Name: line.Path, Open: func(context.Context) (io.ReadWriteCloser, error) {
		return serial.Open(line.Path, serial.Mode{Baud: 115200, Parity: 'N', StopBits: 1})
	}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	wg.Go(func() { _ = near.Run(ctx) })
	begun := time.Now()
	if _, err := near.Texts().Send(ctx, &callout.Message{To: phone, Short: "Low air [5.3 bar]"}); err != nil {
		t.Fatal(err)
	}
	t.Logf("started and sent in %v", time.Since(begun).Round(time.Millisecond))
	if got := far.Texts(); len(got) != 1 || got[0].Text != "Low air [5.3 bar]" || got[0].To != phone {
		t.Errorf("got %+v", got)
	}
	far.Deliver(phone, "ok 3", time.Now())
	select {
	case a := <-near.Answers():
		if a.Number != 3 || a.From != phone {
			t.Errorf("got %+v", a)
		}
	case <-ctx.Done():
		t.Fatal("no answer came")
	}
	cancel()
	line.Close()
	wg.Wait()
	far.Close()
}
