package outbox_test

import (
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/desk"
	"roundsman/exporter/callout/outbox"
	"roundsman/exporter/callout/push"
	"roundsman/exporter/record"
)

// A phone that was stored is on the record when Store returns, with the next change, and a restart knows it.
func TestPhonesOnTheRecord(t *testing.T) {
	const subscription = `{"endpoint":"https://push.example.net/p/1","keys":{"p256dh":"BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4","auth":"BTBZMqHH6r4Tts7J_aSIgg"}}`
	folder := t.TempDir()
	channel, err := push.New(push.Options{KeyFile: filepath.Join(folder, "push.key"), Contact: "desk@ardenmoor.example"})
	if err != nil {
		t.Fatal(err)
	}
	defer channel.Close()
	_, points, plan := blackout()
	open := func(clock *collector.Clock) (*record.Record, *outbox.Outbox, *push.Phones) {
		r, err := record.Open(filepath.Join(folder, "roundsman.db"), record.Options{Clock: clock, Reserve: -1, Boot: func() record.Boot { return record.Boot{ID: "boot", Up: time.Duration(clock.Now())} }})
		if err != nil {
			t.Fatal(err)
		}
		kept, err := r.Restore()
		if err != nil {
			t.Fatal(err)
		}
		phones, err := push.NewPhones(push.PhonesOptions{Clock: clock}, outbox.KeptPhones(&kept))
		if err != nil {
			t.Fatal(err)
		}
		phones.Through(channel)
		d, err := desk.New(desk.Options{Plan: plan, Points: points, Time: clock.Time})
		if err != nil {
			t.Fatal(err)
		}
		return r, outbox.New(outbox.Options{Clock: clock, Desk: d, Sender: callout.NewSender(callout.SenderOptions{Clock: clock}), Phones: phones}), phones
	}
	synctest.Test(t, func(t *testing.T) {
		clock := collector.NewClock()
		r, box, phones := open(clock)
		stored := make(chan error, 1)
		go func() {
			_, err := phones.Store(t.Context(), "ann", "Ann's phone", subscription)
			stored <- err
		}()
		synctest.Wait()
		var c record.Change
		box.Step(clock.Now(), nil, nil, &c)
		if _, ok := c.Papers["phones"]; !ok {
			t.Fatal("nothing of it is in the next change")
		}
		synctest.Wait()
		if len(stored) != 0 {
			t.Error("stored before it was committed")
		}
		if err := r.Commit(&c); err != nil {
			t.Fatal(err)
		}
		box.Committed()
		if err := <-stored; err != nil {
			t.Error(err)
		}
		c.Clear()
		if box.Step(clock.Now(), nil, nil, &c); len(c.Papers) != 0 {
			t.Errorf("kept again without a change: %v", c.Papers)
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		r, _, phones = open(clock)
		if got := phones.List("ann"); len(got) != 1 || got[0].Name != "Ann's phone" || got[0].Stale {
			t.Errorf("after a restart: %+v", got)
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
	})
}
