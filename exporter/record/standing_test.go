package record_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
	"roundsman/rules"
)

// Against a walk through the lines, at any time: an alarm stands from its start until something ends it.
func TestStanding(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMachine(t)
		r := m.open()
		defer r.Close() // any lines will do, lawful or not
		random := rand.New(rand.NewPCG(3, 3))
		begin := time.Now()
		states := map[string]rules.State{}
		for range 400 {
			time.Sleep(time.Duration(random.IntN(90)) * time.Second)
			name := fmt.Sprint("alarm ", random.IntN(9))
			to := rules.State(random.IntN(9))
			kind := record.Kind(rules.EventKind(random.IntN(int(rules.EventConditionFalse) + 1)).String())
			if random.IntN(20) == 0 {
				kind, to = record.AlarmRemoved, rules.Normal
			}
			l := record.Line{Kind: kind, Alarm: name, From: states[name], To: to, Until: time.Now().Add(time.Hour)}
			states[name] = to
			c := record.Change{Lines: []record.Line{l}}
			c.KeepAlarm(name, rules.AlarmMemory{State: to, Until: m.clock.Now().Add(time.Hour)})
			_ = r.Commit(&c)
		}
		all := recordtest.Lines(t, r.Reader, record.Query{})
		ends := []record.Kind{"returned", "shelved", "suppressed", "taken out of service", record.AlarmRemoved}
		found := 0
		for n := range 60 {
			at := begin.Add(time.Duration(n) * 7 * time.Minute)
			if n%3 == 0 {
				at = all[random.IntN(len(all))].Time // on a line: it is not before itself
			}
			open := map[string]uint64{}
			for _, l := range all {
				switch {
				case !l.Time.Before(at):
				case l.Kind == "started":
					open[l.Alarm] = l.Seq
				case slices.Contains(ends, l.Kind):
					delete(open, l.Alarm)
				}
			}
			lines, err := r.Standing(t.Context(), at)
			if err != nil || len(lines) != len(open) {
				t.Fatalf("at %v: %d stand, want %d, %v", at, len(lines), len(open), err)
			}
			for i, l := range lines {
				if l.Kind != "started" || open[l.Alarm] != l.Seq || i > 0 && lines[i-1].Seq >= l.Seq {
					t.Errorf("at %v: %s by line %d (%s), want line %d", at, l.Alarm, l.Seq, l.Kind, open[l.Alarm])
				}
			}
			found += len(lines)
		}
		if found < 60 {
			t.Errorf("only %d were found standing", found)
		}
	})
}
