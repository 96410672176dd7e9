package record_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
	"roundsman/exporter/record"
)

// Each law of the intervals is broken once, behind the record's back.
func TestCheckFindsEachBreachOfIntervals(t *testing.T) {
	for _, tt := range []struct{ name, edit, want string }{
		{"nothing", "", ""},
		{"hole", `DELETE FROM intervals WHERE n = 2`, "interval 3 of fan follows 1"},
		{"end cut off", `DELETE FROM intervals WHERE n = 3`, "fan has 2 intervals, and counts 3"},
		{"overlap", `UPDATE intervals SET begun = begun - 1000000000 WHERE n = 2`, "interval 2 of fan begins -1s from the end of the one before it"},
		{"gap", `UPDATE intervals SET still = still - 1000000000 WHERE n = 2`, "interval 2 of fan begins 1s from the end of the one before it"},
		{"backwards", `UPDATE intervals SET ended = begun - 1 WHERE n = 1`, "interval 1 of fan is -1ns long"},
		{"sums", `UPDATE equipment SET run = run + 1`, "the intervals of fan are"},
		{"counted", `UPDATE duty SET kept = json_set(kept, '$.starts', 9, '$.runs', 9)`, "is counted"},
		{"a day's sum", `UPDATE duty_days SET unseen = 5`, "its intervals make"},
		{"a day too many", `INSERT INTO duty_days VALUES (1, '1999-01-01', 0, 0, 0, 0, 0, 0, NULL, 0, 1, 1)`, "no interval of fan touches its day 1999-01-01"},
		{"a day too few", `DELETE FROM duty_days`, "fan has 0 days"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			clock := collector.NewClock()
			r, err := record.Open(path(t), record.Options{Clock: clock, Reserve: -1})
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = r.Abandon() }() // the file is unlawful
			m := duty.New(duty.Spec{Join: -1})
			var c record.Change
			m.OnInterval(func(i duty.Interval) {
				c.Intervals = append(c.Intervals, record.Finished{Equipment: "fan", Interval: i})
			})
			at := clock.Now().Add(-time.Hour)
			for i := range 8 {
				m.Observe(at, &collector.Reading{Value: float64(i % 2), Quality: collector.Good, At: at})
				at = at.Add(10 * time.Second)
			}
			c.Duty = map[string]duty.Kept{"fan": m.Keep()}
			commit(t, r, c)
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
