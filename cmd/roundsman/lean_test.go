package main

import (
	"testing"
	"time"
)

// Memory is given back after the start, after use, and once a minute; not again and again because what is needed comes back.
func TestReturns(t *testing.T) {
	type look struct {
		after time.Duration // since the look before
		mib   int64
		want  bool
	}
	for name, looks := range map[string][]look{
		"a day":          {{returnLook, 55, true}, {returnLook, 30, false}, {returnLook, 34, false}, {returnLook, 40, true}, {returnLook, 31, false}, {returnLook, 33, false}, {returnLast, 32, true}, {returnLook, 29, false}},
		"a large site":   {{returnLook, 250, true}, {returnLook, 160, false}, {returnLook, 195, false}, {returnLook, 201, true}},
		"it is not told": {{returnLook, 0, false}, {returnLast, 0, true}, {returnLook, 0, false}, {returnLast, 0, true}},
	} {
		now := time.Unix(1764057600, 0)
		r := returns{last: now}
		for i, l := range looks {
			now = now.Add(l.after)
			if got := r.due(now, l.mib<<20); got != l.want {
				t.Errorf("%s: look %d, %d MiB: %t, want %t", name, i, l.mib, got, l.want)
			}
		}
	}
}
