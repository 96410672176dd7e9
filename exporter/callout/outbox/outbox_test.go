package outbox_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/outbox"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// What the record keeps of a message is all of it, with its moments on the clock that reads it.
func TestNothingIsLostOnTheRecord(t *testing.T) {
	d := callout.Dispatch{
		Message: callout.Message{Key: "k", Number: 7, Subject: callout.AboutDrill, Alarm: "air-low", Thread: "t", Priority: rules.HighPriority, Site: "s", Person: "p", To: "to",
			Title: "title", Short: "short", Text: "text \u00b0", HTML: "<p>", Link: "https://x/", Created: time.Date(2026, 11, 25, 6, 12, 0, 0, time.UTC), Try: 3, Repeat: true, Late: true},
		Contact: "ann", Addresses: []callout.Address{{Channel: "sms", To: "1"}, {Channel: "mail", To: "2"}}, Patience: time.Minute,
		State: callout.Sending, Made: 1000, Next: 2000, Address: 1, Here: 1500, Tries: 3, Failures: 2, Moves: 5, Dead: []int{0}, Perhaps: true,
		Error: "e", Reference: "r", Through: "mail", Ended: time.Date(2026, 11, 25, 6, 13, 0, 0, time.UTC),
	}
	row := outbox.Sending(&d)
	if row.Key != "k" || row.Done || row.State != "sending" || row.Channel != "mail" || row.Made != 1000 || row.Tries != 3 {
		t.Errorf("row: got %+v", row)
	}
	row.Made += collector.Moment(time.Hour)
	got, err := outbox.Dispatch(&row)
	if err != nil {
		t.Fatal(err)
	}
	want := d
	want.Shift(time.Hour)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	row.Doc = []byte("{")
	if _, err := outbox.Dispatch(&row); err == nil {
		t.Error("half a document: no error")
	}
	if _, err := outbox.UsedLinks(&record.State{Outbox: record.Outbox{Papers: map[string]record.Paper{"links": {Doc: []byte("[]")}}}}); err == nil {
		t.Error("used links that are a list: no error")
	}
}
