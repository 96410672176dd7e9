package main

import (
	"runtime/debug"
	"testing"
	"time"
)

// A clock is not set before the program was made: the commit's time where it is known and can be true, else a constant.
func TestCommitted(t *testing.T) {
	at := func(key, value string) *debug.BuildInfo {
		return &debug.BuildInfo{Settings: []debug.BuildSetting{{Key: "vcs", Value: "git"}, {Key: key, Value: value}}}
	}
	for _, tt := range []struct {
		info *debug.BuildInfo
		want time.Time
	}{
		{nil, oldest},
		{&debug.BuildInfo{}, oldest},
		{at("vcs.time", "2027-03-04T06:10:00Z"), time.Date(2027, 3, 4, 6, 10, 0, 0, time.UTC)},
		{at("vcs.time", "2027-03-04T07:10:00+01:00"), time.Date(2027, 3, 4, 6, 10, 0, 0, time.UTC)},
		{at("vcs.time", "1970-01-01T00:00:00Z"), oldest}, // a build made to be reproducible
		{at("vcs.time", "yesterday"), oldest},
		{at("vcs.revision", "2027-03-04T06:10:00Z"), oldest},
	} {
		if got := committed(tt.info); got != tt.want {
			t.Errorf("%+v: %v, want %v", tt.info, got, tt.want)
		}
	}
	if got := builtAt(); got.Before(oldest) || got.After(time.Now()) {
		t.Errorf("this program was built at %v", got)
	}
}
