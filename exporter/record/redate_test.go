package record_test

import (
	"fmt"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

// lateClock is a box without a battery: its wall clock begins in 1970 at each boot, until it is set.
type lateClock struct {
	*machine
	r    *record.Record
	off  time.Duration
	said map[string]time.Time // when each remark was really made
}

func newLateClock(t *testing.T) *lateClock {
	c := &lateClock{machine: newMachine(t), said: map[string]time.Time{}}
	c.since = time.Now()
	c.start()
	return c
}

func (c *lateClock) start() {
	c.off = time.Unix(0, 0).Sub(c.since)
	c.open()
}

func (c *lateClock) open() {
	c.t.Helper()
	o := c.options()
	c.clock = collector.NewClockFrom(func() time.Time { return time.Now().Add(c.off) })
	o.Clock, o.NotBefore = c.clock, time.Date(1999, 6, 1, 0, 0, 0, 0, time.UTC) // a bubble begins in 2000
	r, err := record.Open(c.path, o)
	if err != nil {
		c.t.Fatal(err)
	}
	c.r = r
}

func (c *lateClock) kill() {
	if err := c.r.Abandon(); err != nil {
		c.t.Fatal(err)
	}
}

// set has a time service set the wall clock, and the judge notice it.
func (c *lateClock) set() {
	c.off = 0
	if d := c.clock.Check(); d > 0 {
		c.commit(record.Line{Kind: record.ClockStepped, Length: d})
	}
}

func (c *lateClock) commit(l record.Line) { _ = c.r.Commit(&record.Change{Lines: []record.Line{l}}) }

// remarks makes so many lines, some seconds apart.
func (c *lateClock) remarks(n int) {
	for range n {
		time.Sleep(1700 * time.Millisecond)
		why := fmt.Sprint("remark ", len(c.said)+1)
		c.said[why] = time.Now().Truncate(time.Millisecond)
		c.commit(record.Line{Kind: record.Remark, Why: why, Until: c.clock.Time(c.clock.Now().Add(time.Hour))})
	}
}

// compare holds the remarks against when they were made. Those in undated must have no date.
func (c *lateClock) compare(undated map[string]bool) {
	c.t.Helper()
	remarks := 0
	for _, l := range recordtest.Lines(c.t, c.r.Reader, record.Query{}) {
		if l.Kind != record.Remark {
			continue
		}
		remarks++
		if l.Why != fmt.Sprint("remark ", remarks) {
			c.t.Errorf("line %d is %s, want the order in which they were made", l.Seq, l.Why)
		}
		switch {
		case undated[l.Why]:
			if !l.Undated || l.Time.Year() != 1970 {
				c.t.Errorf("%s has the date %v (undated: %v), nobody can know it", l.Why, l.Time, l.Undated)
			}
		case l.Undated || !l.Time.Equal(c.said[l.Why]) || l.Until.Sub(l.Time) != time.Hour:
			c.t.Errorf("%s is of %v until %v (undated: %v), it was made at %v", l.Why, l.Time, l.Until, l.Undated, c.said[l.Why])
		}
	}
	if remarks != len(c.said) {
		c.t.Errorf("%d remarks of %d are there", remarks, len(c.said))
	}
}

func (c *lateClock) redated() (lines []record.Line) {
	for _, l := range recordtest.Lines(c.t, c.r.Reader, record.Query{}) {
		if l.Kind == record.LinesRedated {
			lines = append(lines, l)
		}
	}
	return lines
}

// Lines from before the clock was set get their true time in one step, and are then found by it; their order stays.
func TestRedated(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newLateClock(t)
		began := time.Now()
		c.remarks(40)
		first := recordtest.Lines(t, c.r.Reader, record.Query{})
		for _, l := range first {
			if !l.Undated || l.Time.Year() != 1970 {
				t.Fatalf("before the clock is set a line is %+v", l)
			}
		}
		time.Sleep(time.Minute)
		c.set()
		c.compare(nil)
		list := c.redated()
		if len(list) != 1 || list[0].Count != 41 || !list[0].Until.Equal(began) || !list[0].Time.Equal(time.Now()) { // with 'box started'
			t.Errorf("it is told as %+v", list)
		}
		for i, l := range recordtest.Lines(t, c.r.Reader, record.Query{Limit: len(first)}) {
			if l.Seq != first[i].Seq || l.Steady != first[i].Steady || l.Kind != first[i].Kind {
				t.Errorf("line %d became line %d %s", first[i].Seq, l.Seq, l.Kind)
			}
		}
		from, to := c.said["remark 10"], c.said["remark 20"]
		for _, newest := range []bool{false, true} {
			if got := recordtest.Lines(t, c.r.Reader, record.Query{From: from, To: to, Newest: newest}); len(got) != 10 {
				t.Errorf("between remarks 10 and 20 there are %d lines, want 10", len(got))
			}
		}
		c.remarks(3)
		c.compare(nil)
		closed(t, c.r, c.path)
	})
}

// Runs of one boot get their time together, those of a boot that ended without it never.
func TestRedatedByBoot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newLateClock(t)
		c.remarks(5)
		c.kill()
		time.Sleep(time.Hour)
		c.reboot()
		c.start()
		c.remarks(5)
		c.kill()
		time.Sleep(time.Minute)
		c.open() // the daemon again, in the same boot
		c.remarks(2)
		lost := map[string]bool{}
		for i := range 5 {
			lost[fmt.Sprint("remark ", i+1)] = true
		}
		c.set()
		c.compare(lost)
		c.kill()
		c.reboot()
		c.off = 0
		c.open() // with a clock that is right from the start
		c.remarks(1)
		c.compare(lost)
		if list := c.redated(); len(list) != 1 || list[0].Count != 11 { // seven remarks, and an outage and a start before each group
			t.Errorf("told as %+v", list)
		}
		n := 0
		for _, l := range recordtest.Lines(t, c.r.Reader, record.Query{}) {
			if l.Undated {
				n++
			}
		}
		if n != 6 { // 'box started' and five remarks
			t.Errorf("%d lines have no date, want 6", n)
		}
		closed(t, c.r, c.path)
	})
}

// The clock was set while the daemon did not run.
func TestRedatedAtStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newLateClock(t)
		c.remarks(4)
		alive := time.Now()
		if err := c.r.Close(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		c.off = 0
		c.open()
		c.compare(nil)
		if s := c.restored(c.r); s.Gap != time.Minute || !s.GapKnown || !s.Alive.Equal(alive) {
			t.Errorf("the gap is %v (known: %v) since %v", s.Gap, s.GapKnown, s.Alive)
		}
		closed(t, c.r, c.path)
	})
}

// The clock is set while the record cannot be written: what waits and what is in the file get their time when it can.
func TestRedatedLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newLateClock(t)
		c.remarks(10)
		if err := c.r.BreakWrites(true); err != nil {
			t.Fatal(err)
		}
		c.remarks(10)
		c.set()
		c.remarks(10)
		for _, l := range recordtest.Lines(t, c.r.Reader, record.Query{}) {
			if !l.Undated {
				t.Fatalf("what cannot be written was dated: %+v", l)
			}
		}
		if err := c.r.BreakWrites(false); err != nil {
			t.Fatal(err)
		}
		c.remarks(1)
		c.compare(nil)
		if list := c.redated(); len(list) != 1 || list[0].Count != 21 {
			t.Errorf("told as %+v", list)
		}
		closed(t, c.r, c.path)
	})
}

// Ended in the middle of it, none or all of the lines have their time: the log is cut at every page of the transaction.
func TestRedatedAllOrNone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newLateClock(t)
		c.remarks(120)
		size := func() int64 {
			info, err := os.Stat(c.path + "-wal")
			if err != nil {
				t.Fatal(err)
			}
			return info.Size()
		}
		if err := c.r.Exec("PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
			t.Fatal(err)
		}
		before := size()
		c.set()
		after := size()
		all, none := 0, 0
		for end := after; end >= before; end -= 1031 * fewer {
			copied := path(t)
			copyFile(t, c.path, copied)
			copyFile(t, c.path+"-wal", copied+"-wal")
			if err := os.Truncate(copied+"-wal", end); err != nil {
				t.Fatal(err)
			}
			switch n := undatedIn(t, copied); n {
			case 0:
				all++
			case 121:
				none++
			default:
				t.Errorf("cut at %d of %d: %d lines of 121 have no date", end, after, n)
			}
		}
		t.Logf("the log grew from %d to %d: none dated in %d cuts, all in %d", before, after, none, all)
		if none < 5 || all == 0 {
			t.Errorf("only %d cuts were in the middle of it, %d at its end", none, all)
		}
		if n := undatedIn(t, c.path); n != 0 {
			t.Errorf("%d lines have no date in the end", n)
		}
		closed(t, c.r, c.path)
	})
}

// undatedIn counts lines without a date, as whoever comes next finds the file. The laws hold.
func undatedIn(t *testing.T, path string) (n int) {
	t.Helper()
	r, err := record.Read(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for _, l := range recordtest.Lines(t, r, record.Query{}) {
		if l.Undated {
			n++
		}
	}
	if err := r.Check(t.Context()); err != nil {
		t.Error(err)
	}
	return n
}
