package outbox_test

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/exporter"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/outbox"
	"roundsman/exporter/record"
)

var _ exporter.Callouts = (*outbox.Shown)(nil)
var _ outbox.Kept = (*record.Reader)(nil)

// What pages may know of a call: who, what, how far it got, and nothing by which somebody could write to a person.
func TestShown(t *testing.T) {
	set, points, plan := blackout()
	synctest.Test(t, func(t *testing.T) {
		p := &phone{err: errors.New("no network for +3535550000, see https://gate.example/t/secret and ann@wash.example")}
		h := openHouse(t, filepath.Join(t.TempDir(), "roundsman.db"), set, points, plan, p)
		shown := &outbox.Shown{Kept: h.record, Sender: h.sender, Clock: h.clock}
		if r := shown.Reach(); !r.Reachable || r.Waiting != 0 || r.Oldest != 0 || len(r.Channels) != 1 {
			t.Errorf("before anything happened: %+v", r)
		}
		h.read(make([]float64, 13)...)
		time.Sleep(time.Minute)
		synctest.Wait()
		waiting, err := shown.Calls(t.Context(), exporter.CallQuery{Waiting: true})
		if err != nil || len(waiting) != 1 {
			t.Fatalf("%+v, %v", waiting, err)
		}
		c := waiting[0]
		if c.Contact != "ann" || c.Person != "Ann" || c.Alarm != "mains-lost" || c.Subject != "alarm" || c.State != "waiting" || c.Done || c.Channel != "sms" ||
			c.Tries < 3 || c.Number != 1 || !strings.Contains(c.Title, "mains lost") || c.Written.IsZero() || !c.Next.After(h.clock.Time(h.clock.Now())) {
			t.Errorf("got %+v", c)
		}
		r := shown.Reach()
		if r.Reachable || r.Waiting != 1 || r.Oldest < 50*time.Second || r.Oldest > time.Minute || !r.Channels[0].Failing {
			t.Errorf("got %+v", r)
		}
		said := fmt.Sprintf("%+v %+v", c, r)
		for _, secret := range []string{"gate.example", "secret", "ann@", "555 0000", "5550000"} {
			if strings.Contains(said, secret) {
				t.Errorf("%q stands in %s", secret, said)
			}
		}
		p.fail(nil)
		h.answer <- callout.Answer{From: "+353 555 0000", Text: "ok 1"}
		h.answer <- callout.Answer{From: "+15550123456", Text: "who is this"}
		time.Sleep(10 * time.Minute)
		if waiting, err = shown.Calls(t.Context(), exporter.CallQuery{Waiting: true}); err != nil || len(waiting) != 0 {
			t.Errorf("still waits: %+v, %v", waiting, err)
		}
		all, err := shown.Calls(t.Context(), exporter.CallQuery{Alarm: "mains-lost", Limit: 5})
		if err != nil || len(all) == 0 || all[len(all)-1].State != "handed over" || !all[len(all)-1].Done || all[len(all)-1].Ended.IsZero() || !all[len(all)-1].Next.IsZero() {
			t.Errorf("got %+v, %v", all, err)
		}
		if other, err := shown.Calls(t.Context(), exporter.CallQuery{Alarm: "air-low"}); err != nil || len(other) != 0 {
			t.Errorf("of another alarm: %+v, %v", other, err)
		}
		answers, err := shown.Answers(t.Context(), 10)
		var got []string
		for _, l := range answers {
			got = append(got, l.Kind+" "+l.Who+" "+l.Why)
		}
		want := []string{"answer unheard …3456 an answer from an unknown sender", "answer Ann mains-lost: ok 1"}
		if diff := cmp.Diff(want, got); diff != "" || err != nil {
			t.Errorf("answers (-want +got), %v\n%s", err, diff)
		}
		if one, err := shown.Answers(t.Context(), 1); len(one) != 1 || err != nil {
			t.Errorf("at most one: %+v, %v", one, err)
		}
		h.close(t)
	})
}
