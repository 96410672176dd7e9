package record_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
	"roundsman/rules"
)

// A record of an older program is brought up to date when it is opened, and its lines read as they were; to one that
// only reads it is told.
func TestOlderRecord(t *testing.T) {
	for version := 1; version < record.Schema; version++ {
		p := path(t)
		err := record.MakeOlder(p, version, `INSERT INTO runs VALUES (1, 'b', 5, 5, 'old');
			INSERT INTO journal (seq, time, moment, run, jump, kind) VALUES (1, 1750000000000, 5, 1, 1, 'box started');
			INSERT INTO journal (seq, time, moment, run, kind, alarm, "from", "to", value) VALUES (2, 1750000001000, 6, 1, 'started', 'air-low', 'A', 'B', 5.25);
			INSERT INTO alarms VALUES ('air-low', 'B', '{"kind":0,"state":"unacknowledged","active":true,"activations":1}');
			INSERT INTO alive VALUES (1, 1, 'b', 6, 1750000001000, 6, 2, 0)`)
		if err != nil {
			t.Fatal(err)
		}
		if r, err := record.Read(p); !errors.Is(err, record.ErrOlder) || !strings.Contains(err.Error(), "the daemon brings it up to date") {
			t.Errorf("schema %d: read: %v, %v", version, r, err)
		}
		r := recordtest.Open(t, p, record.Options{Clock: collector.NewClock(), Reserve: -1})
		lines := recordtest.Lines(t, r.Reader, record.Query{Alarm: "air-low"})
		if len(lines) != 1 || lines[0].Value != 5.25 || lines[0].Priority != rules.NoPriority || lines[0].Undated || !math.IsNaN(lines[0].Limit) {
			t.Errorf("schema %d: %+v", version, lines)
		}
		if s, err := r.Restore(); err != nil || s.Memory.Alarms["air-low"].State != rules.Unacknowledged {
			t.Errorf("schema %d: restored %+v, %v", version, s.Memory.Alarms, err)
		}
	}
}
