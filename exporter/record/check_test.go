package record_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// lawful fills a record with a bit of everything: lines 2 to 6 are of the alarm a.
func lawful(t *testing.T, r *record.Record, clock *collector.Clock) {
	t.Helper()
	now := clock.Now()
	event := func(kind record.Kind, from, to rules.State) record.Line {
		return record.Line{Kind: kind, Alarm: "a", From: from, To: to}
	}
	shelved := event("shelved", rules.Unacknowledged, rules.Shelved)
	shelved.Until = clock.Time(now).Add(time.Hour)
	c := record.Change{
		Lines: []record.Line{
			event("started", rules.Normal, rules.Unacknowledged),
			event("returned", rules.Unacknowledged, rules.ReturnUnacknowledged),
			event("started", rules.ReturnUnacknowledged, rules.Unacknowledged),
			shelved,
			event("condition false", rules.Shelved, rules.Shelved),
		},
		Duty:   map[string]duty.Kept{"pump": {Run: time.Hour, Seen: 2 * time.Hour, Starts: 3, Runs: 4}},
		Counts: map[string]compute.Count{"litres": {Pulses: 10, At: now}},
	}
	c.KeepAlarm("a", rules.AlarmMemory{State: rules.Shelved, Activations: 2, Since: now, Until: now.Add(time.Hour)})
	commit(t, r, c)
	c.Clear()
	c.Duty = map[string]duty.Kept{"pump": {Run: 2 * time.Hour, Seen: 3 * time.Hour, Starts: 5, Runs: 6}}
	c.Counts = map[string]compute.Count{"litres": {Pulses: 20, At: now}}
	commit(t, r, c)
}

// Each law is broken once, behind the record's back.
func TestCheckFindsEachBreach(t *testing.T) {
	tests := []struct{ name, edit, want string }{
		{"nothing", "", ""},
		{"hole", `DELETE FROM journal WHERE seq = 4`, "line 5 follows line 3"},
		{"end cut off", `UPDATE alive SET seq = 99`, "the journal ends at line 6, but line 99 was written"},
		{"order", `UPDATE journal SET moment = moment - 1000000000 WHERE seq = 5`, "line 5 is 1s before line 4"},
		{"time", `UPDATE journal SET time = time + 5000 WHERE seq = 3`, "the time of line 4 is 5s before that of line 3"},
		{"run", `UPDATE journal SET run = 7 WHERE seq = 4`, "line 4 belongs to run 7"},
		{"run without a start", `INSERT INTO runs VALUES (2, '', 0, 9000000000000000000, ''); UPDATE journal SET run = 2 WHERE seq >= 5`, `run 2 begins at line 5 with "shelved"`},
		{"runs", `INSERT INTO runs VALUES (0, '', 0, 9000000000000000000, '')`, "run 1 began at the moment"},
		{"after the stop", `UPDATE journal SET kind = 'box stopped', alarm = NULL WHERE seq = 2`, "line 3 comes after the box was stopped"},
		{"chain", `UPDATE journal SET "to" = 'C' WHERE seq = 3`, "line 4: a goes from returned unacknowledged, but was acknowledged"},
		{"shelve", `UPDATE journal SET until = NULL WHERE seq = 5`, "line 5: a is shelved without an end"},
		{"kept shelve", `UPDATE alarms SET memory = json_remove(memory, '$.until')`, "a is shelved without an end"},
		{"state", `UPDATE alarms SET memory = json_set(memory, '$.state', 'normal')`, "a is normal, but its last line says shelved"},
		{"letter", `UPDATE alarms SET state = 'A'`, "a has the letter A and is shelved"},
		{"nothing kept", `DELETE FROM alarms`, "nothing is kept of a, but its last line says shelved"},
		{"activations", `UPDATE alarms SET memory = json_set(memory, '$.activations', 3)`, "a counts 3 activations, the journal has 2"},
		{"unreadable", `UPDATE alarms SET memory = '{'`, "alarm a: what was kept of it cannot be read"},
		{"run time fell", `UPDATE duty SET run = 5`, "a counter of pump fell"},
		{"starts fell", `UPDATE duty SET starts = 4`, "a counter of pump fell"},
		{"pulses fell", `UPDATE counts SET pulses = 10`, "a counter of litres fell"},
		{"run beyond sight", `UPDATE duty SET kept = json_set(kept, '$.seen', 60000000000)`, "pump ran for 2h0m0s of the 1m0s it was seen"},
		{"starts beyond runs", `UPDATE duty SET kept = json_set(kept, '$.runs', 1)`, "pump started 5 times and ran 1 times"},
		{"no sign of life", `DELETE FROM alive`, "no sign of life"},
		{"life of no run", `UPDATE alive SET run = 9`, "the latest sign of life is of run 9"},
		{"stop without a line", `UPDATE alive SET ended = 1`, `the box was stopped as planned, but the journal ends with "condition false"`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := path(t)
			clock := collector.NewClock()
			r, err := record.Open(p, record.Options{Clock: clock, Reserve: -1})
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = r.Abandon() }() // the file is unlawful
			lawful(t, r, clock)
			if err := r.Exec(tt.edit); err != nil {
				t.Fatal(err)
			}
			err = r.Check(t.Context())
			if tt.want == "" {
				if err != nil {
					t.Error(err)
				}
				return
			}
			if !errors.Is(err, record.ErrUnlawful) || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want it to say %q", err, tt.want)
			}
		})
	}
}

// A counter that fell in a commit is on the record for ever, even when it has caught up again.
func TestCheckFindsFallenCounters(t *testing.T) {
	clock := collector.NewClock()
	r, err := record.Open(path(t), record.Options{Clock: clock, Reserve: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Abandon() }() // the file is unlawful
	lawful(t, r, clock)
	commit(t, r, record.Change{
		Duty:   map[string]duty.Kept{"pump": {Run: time.Hour, Seen: 3 * time.Hour, Starts: 5, Runs: 6}},
		Counts: map[string]compute.Count{"litres": {Pulses: 19}},
	})
	err = r.Check(t.Context())
	for _, want := range []string{"a counter of pump fell", "a counter of litres fell"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want it to say %q", err, want)
		}
	}
}
