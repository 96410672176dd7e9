package collector_test

import (
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
)

func TestClockIsSteady(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := collector.NewClock()
		a := c.Now()
		time.Sleep(90 * time.Minute)
		if got := c.Now().Sub(a); got != 90*time.Minute {
			t.Errorf("90 minutes on the steady scale: got %v", got)
		}
		if got := c.Check(); got != 0 {
			t.Errorf("step of a wall clock that did not step: got %v", got)
		}
		if got, want := c.Time(c.Now()), time.Now(); !got.Equal(want) {
			t.Errorf("wall time of now: got %v, want %v", got, want)
		}
		if got := c.Moment(c.Time(a)); got != a {
			t.Errorf("moment of a moment's wall time: got %d, want %d", got, a)
		}
	})
}

func TestNeverStaysNever(t *testing.T) {
	if got := collector.Never.Add(time.Hour); got != collector.Never {
		t.Errorf("Never.Add(1h): got %d", got)
	}
}

// NE 107 status words as in OPC 10000-100 (Devices), clause 4.5.4, table 22; which of them makes a reading
// unusable follows from the words there ('the signal cannot be trusted').
func TestFaultsHaveQualityAndStatus(t *testing.T) {
	tests := []struct {
		fault   collector.Fault
		quality collector.Quality
		status  string
	}{
		{collector.NoFault, collector.Good, "normal"},
		{collector.SignalLow, collector.Bad, "failure"},
		{collector.SignalBetween, collector.Uncertain, "out of specification"},
		{collector.OverRange, collector.Good, "out of specification"},
		{collector.TooFast, collector.Uncertain, "out of specification"},
		{collector.UnderRepair, collector.Uncertain, "function check"},
		{collector.Hinted, collector.Good, "maintenance required"},
		{collector.NotRead, collector.Unread, "failure"},
		{collector.Fault(250), collector.Bad, "failure"},
	}
	for _, tt := range tests {
		if q, s := tt.fault.Quality(), tt.fault.Status().String(); q != tt.quality || s != tt.status {
			t.Errorf("fault %q: got %v, %s, want %v, %s", tt.fault, q, s, tt.quality, tt.status)
		}
	}
	for f := collector.NotRead; f <= collector.Hinted; f++ {
		if f.String() == "" || f.String() == "unknown fault" {
			t.Errorf("fault %d has no words", f)
		}
	}
}

func TestReason(t *testing.T) {
	tests := []struct {
		reading collector.Reading
		want    string
	}{
		{collector.Reading{Quality: collector.Good}, ""},
		{collector.Fail(1, collector.SignalLow, 3480, 0, "3.48 mA is below 3.6 mA"), "signal too low: 3.48 mA is below 3.6 mA"},
		{collector.Fail(1, collector.LinkLost, 0, 0, ""), "link down"},
	}
	for _, tt := range tests {
		if got := tt.reading.Reason(); got != tt.want {
			t.Errorf("reason of %+v: got %q, want %q", tt.reading, got, tt.want)
		}
	}
}

func TestWorseQuality(t *testing.T) {
	order := []collector.Quality{collector.Good, collector.Uncertain, collector.Bad, collector.Unread}
	for i, a := range order {
		for j, b := range order {
			if got, want := a.Worse(b), order[max(i, j)]; got != want {
				t.Errorf("worse of %v and %v: got %v, want %v", a, b, got, want)
			}
		}
	}
}

func TestLinkMeter(t *testing.T) {
	var m collector.LinkMeter
	m.Describe("plc", "modbus tcp", "tcp://10.0.4.10:502")
	if !m.SetUp(true, 5, "") || m.SetUp(true, 6, "") || !m.SetUp(false, 7, "no answer in 1s") {
		t.Error("SetUp must report changes and nothing else")
	}
	m.Count(collector.Answered, 1500*time.Microsecond)
	m.Count(collector.TimedOut, 20*time.Second)
	m.SetUnit(3, true, 5, "")
	m.SetUnit(3, false, 9, "silent")
	m.SetUnit(3, false, 11, "silent")
	s := m.Status()
	if s.Up || s.Since != 7 || s.LastError != "no answer in 1s" {
		t.Errorf("link: got up %v since %d because %q", s.Up, s.Since, s.LastError)
	}
	if s.Requests[collector.Answered] != 1 || s.Requests[collector.TimedOut] != 1 || s.DurationSum != 20.0015 {
		t.Errorf("requests: got %v in %v s", s.Requests, s.DurationSum)
	}
	if s.Durations[2] != 1 || s.Durations[len(s.Durations)-1] != 1 {
		t.Errorf("1.5 ms and 20 s belong into buckets 2 and last: got %v", s.Durations)
	}
	if len(s.Units) != 1 || s.Units[0] != (collector.UnitStatus{Unit: 3, Since: 9, Reason: "silent"}) {
		t.Errorf("units: got %+v", s.Units)
	}
	m.SetUnit(3, true, 12, "")
	if s.Units[0].Good {
		t.Error("a snapshot changed after it was taken")
	}
}

// A clock that starts in 1970 and is set later: moments go on, and every moment gets its true time.
func TestClockIsSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		off := time.Until(time.Unix(12, 0))
		c := collector.NewClockFrom(func() time.Time { return time.Now().Add(off) })
		first := c.Now()
		if got := c.Time(first); !got.Equal(time.Unix(12, 0)) {
			t.Errorf("it begins at %v", got)
		}
		time.Sleep(time.Minute)
		was := off
		off = 0
		if got := c.Check(); got != -was {
			t.Errorf("it stepped by %v, want %v", got, -was)
		}
		if got := c.Now().Sub(first); got != time.Minute {
			t.Errorf("the moments moved by %v in a minute", got)
		}
		if got := c.Time(first); time.Since(got) != time.Minute {
			t.Errorf("a moment a minute ago was at %v", got)
		}
	})
}
