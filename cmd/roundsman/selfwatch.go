package main

import (
	"errors"
	"math"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/record"
)

var errNoRecord = errors.New("nothing is recorded")

const (
	// leastStep is the smallest jump of the wall clock that is called a step; time services slew less.
	leastStep = time.Second
	// stepShown is how long a step stays on the box's point, so that its alarm is not over at once.
	stepShown = 10 * time.Minute
)

// selfWatch makes readings of how the box itself is.
type selfWatch struct {
	box     configs.Box
	clock   *collector.Clock
	step    time.Duration    // of the wall clock, of late; that it was set for the first time is none
	stepped collector.Moment // when

	notBefore time.Time       // the build date: before it the wall clock is not set
	files     string          // what is wrong with the files on disk, "" if they are those in force
	others    []func() string // the same of files that are read apart: certificate, accounts
}

func newSelfWatch(box configs.Box, clock *collector.Clock) *selfWatch {
	return &selfWatch{box: box, clock: clock}
}

// clockStep notices a step of the wall clock and journals it.
func (s *selfWatch) clockStep(k *keeper, now collector.Moment) bool {
	d := s.clock.Check()
	if d.Abs() < leastStep {
		if now.Sub(s.stepped) > stepShown {
			s.step = 0
		}
		return false
	}
	why := ""
	if s.clock.Time(now).Add(-d).Before(s.notBefore) {
		why = "it was not set before" // lines until now get their true time
	} else {
		s.step, s.stepped = d, now
	}
	k.line(record.Line{Kind: record.ClockStepped, Length: d, Why: why})
	return true
}

func (s *selfWatch) readings(st record.Status, now collector.Moment, out []collector.Reading) []collector.Reading {
	return append(out,
		state(s.box.Record, now, st.Reason()),
		s.disk(st, now),
		collector.Reading{Point: s.box.Clock, Quality: collector.Good, At: now, Value: math.Abs(s.step.Seconds())},
		state(s.box.Files, now, s.wrongFiles()),
	)
}

// wrongFiles is what is wrong with any file on disk; "" for nothing.
func (s *selfWatch) wrongFiles() string {
	wrong := s.files
	for _, o := range s.others {
		if wrong == "" {
			wrong = firstLine(o())
		}
	}
	return wrong
}

// state is 1 while nothing is wrong; else 0 with the reason, and still a good reading: rules judge it.
func state(p collector.PointID, now collector.Moment, wrong string) collector.Reading {
	r := collector.Reading{Point: p, Quality: collector.Good, At: now, Value: 1}
	if wrong != "" {
		r.Value, r.Fault, r.Detail = 0, collector.Hinted, wrong
	}
	return r
}

func (s *selfWatch) disk(st record.Status, now collector.Moment) collector.Reading {
	if !st.FreeKnown || st.Size == 0 {
		return collector.Fail(s.box.Disk, collector.NotRead, 0, now, "")
	}
	share := 100 * float64(st.Free) / float64(st.Size)
	return collector.Reading{Point: s.box.Disk, Quality: collector.Good, At: now, Value: share}
}
