package record_test

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record"
)

// TestPackedWhileRead packs hours into pieces and drops their windows while they are read: nothing is missing, nothing is
// told twice.
func TestPackedWhileRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := keepRoom(t, 40, record.Keep{})
		k.sparse(4*time.Hour, 2*time.Minute)
		all := func(meanwhile func()) (list []string) {
			for s, err := range k.trend(4).Readings(t.Context(), time.Time{}, time.Time{}) {
				if err != nil {
					t.Fatal(err)
				}
				if list = append(list, fmt.Sprint(s)); len(list) == 3 {
					meanwhile()
				}
			}
			return list
		}
		played := func(meanwhile func()) (list []string) {
			p, err := k.rec.Playback(t.Context(), k.points, time.Time{}, time.Time{})
			if err != nil {
				t.Fatal(err)
			}
			for {
				at, round, err := p.Next()
				if errors.Is(err, io.EOF) {
					return list
				}
				if err != nil {
					t.Fatal(err)
				}
				if list = append(list, told(at, round)); len(list) == 3 {
					meanwhile()
				}
			}
		}
		readings, rounds := all(func() {}), played(func() {})
		if len(readings) < 60 || len(rounds) < 110 {
			t.Fatalf("%d readings, %d rounds", len(readings), len(rounds))
		}
		if got := all(k.tidy); !slices.Equal(got, readings) {
			t.Errorf("%d readings of %d while they were packed", len(got), len(readings))
		}
		k.sparse(4*time.Hour, 2*time.Minute)
		rounds = played(func() {})
		if got := played(k.tidy); !slices.Equal(got, rounds) {
			t.Errorf("%d rounds of %d while they were packed", len(got), len(rounds))
		}
	})
}

func told(at collector.Moment, round []collector.Reading) string {
	s := fmt.Sprint(at)
	for _, r := range round {
		s += fmt.Sprint(" ", r.Point, r.Value, r.Quality, r.Fault)
	}
	return s
}
