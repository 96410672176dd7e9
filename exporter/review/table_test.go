package review_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"roundsman/exporter/review"
	"roundsman/rules"
)

func saturday() review.Figures {
	var list []review.Activation
	add := func(rule, point string, p rules.Priority, start, length float64) {
		a := review.Activation{Rule: rule, Point: point, Priority: p, Start: at(start)}
		if length > 0 {
			a.End, a.Ending = at(start+length), review.Returned
		}
		list = append(list, a)
	}
	add("brine-low", "ro.brine.level", rules.LowPriority, 30, 0)
	for i := range 12 {
		add("air-low", "air.header.pressure", rules.HighPriority, 22200+20*float64(i), 10)
	}
	for i := range 8 {
		add("oil-hot", "hyd.tank.temperature", rules.MediumPriority, 40000+4000*float64(i), 600)
	}
	add("dryer-dew-point", "air.dew.point", rules.LowPriority, 60000, 12)
	add("filter-due", "reclaim.filter.dp", rules.Note, 61000, 4000)
	for i := range list {
		if list[i].Rule == "oil-hot" {
			list[i].Acknowledged = list[i].Start.Add(time.Duration(i-11) * time.Minute)
		}
	}
	f, err := review.Alarms(list, review.Span{From: midnight, To: at(2 * 86400)}, review.Options{})
	if err != nil {
		panic(err)
	}
	return f
}

const saturdayTable = `2026-03-02 00:00:00 UTC to 2026-03-04 00:00:00 UTC, 2.0 d; for one operating position
22 alarms; 1 note kept apart: a note rings nobody
the recommendations are meant for at least 30 days (ISA-18.2, from memory)

verdict        found  figure                                recommended
poor         54.55 %  share of high priority                about 5 % [1]
poor         90.91 %  share of high and medium priority     about 20 % (5 % high, 15 % medium, 80 % low) [1]
look              12  most alarms in any ten minutes        10 or fewer [2]
look               1  chattering alarms                     0 [3]
look               1  fleeting alarms                       0 [4]
good              11  alarms a day                          about 150 very likely acceptable, about 300 the most that can be managed [5]
good            0.46  alarms an hour, mean                  about 6 very likely acceptable, about 12 the most that can be managed [6]
good            0.08  alarms in ten minutes, mean           about 1 very likely acceptable, about 2 the most that can be managed [7]
good              12  most alarms in any hour               15 in the peak hour [8]
good          0.00 %  hours with more than 30 alarms        under about 1 % [9]
good          0.35 %  ten-minute periods with more than 10  under about 1 % [9]
good          0.32 %  time in flood                         under about 1 % [1]
good               1  stale alarms, most on a day           fewer than 5 on any day [10]
not judged  100.00 %  share of the ten most frequent        under 1 % to 5 % at most [11]; with 4 different alarms it cannot be under 100 %
not judged   5.5 min  time to acknowledge, median           no published figure is known here; compare it with each alarm's time to respond
not judged   8.3 min  time to acknowledge, 90 % within      no published figure is known here; compare it with each alarm's time to respond

floods: 1, sliding, 0.32 % of the time; 1 by fixed periods, 0.35 %

flood from           to                   alarms  most in ten minutes
2026-03-02 06:13:00  2026-03-02 06:22:20      12                   12

most frequent             point                 alarms     share
air-low                   air.header.pressure       12   54.55 %
oil-hot                   hyd.tank.temperature       8   36.36 %
brine-low                 ro.brine.level             1    4.55 %
dryer-dew-point           air.dew.point              1    4.55 %
together, of 4 different                                100.00 %

chattering (3 starts in a minute)  minutes  starts in them  first
air-low                                 10              12  2026-03-02 06:10:00

fleeting (over within 60 s, by itself)  times
dryer-dew-point                             1

stale (active over 24 h)  since                active
brine-low                 2026-03-02 00:00:30  48.0 h  still active

[1] ISA-18.2 clause 16, second-hand; poor above twice that: ours
[2] ISA-18.2 clause 16 and EEMUA 191; from memory; EEMUA 191 calls 20 to 100 after an upset hard, over 100 excessive (from memory)
[3] ISA-18.2 clause 16 and EEMUA 191; from memory; three starts in a minute: second-hand
[4] ISA-18.2 clause 16 and EEMUA 191; from memory; over within a minute by itself and not back within another: ours
[5] 150: ISA-18.2-2009, second-hand (IEC 62682:2014: 144, second-hand); 300: from memory; the 2016 edition is said to have dropped the daily count
[6] 6: ISA-18.2 clause 16, second-hand; 12: from memory
[7] 1: ISA-18.2 clause 16, second-hand; 2: from memory. EEMUA 191: under 1 very likely acceptable (second-hand), 2 manageable, 5 likely over-demanding, over 10 very likely unacceptable (from memory)
[8] a key-figure grid credited to EEMUA 191's authors, second-hand; poor above 30, from which ISA-18.2 counts hours: ours
[9] ISA-18.2 clause 16 and EEMUA 191; from memory; poor above twice that: ours
[10] ISA-18.2 clause 16 and EEMUA 191; from memory; stale after 24 h: from memory; poor above twice that: ours
[11] ISA-18.2 clause 16 and EEMUA 191; from memory
a flood begins at 10 or more alarms in ten minutes and ends below 5; sources differ between 10 or more and more than 10
`

func TestTable(t *testing.T) {
	f := saturday()
	var b strings.Builder
	if err := f.Table(&b, time.UTC); err != nil {
		t.Fatal(err)
	}
	if got := b.String(); got != saturdayTable {
		t.Errorf("got\n%s\nwant\n%s", got, saturdayTable)
	}
}

// Whoever reads it lives by the clocks of the site, also where they change within the span.
func TestTableInTheZoneOfTheSite(t *testing.T) {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	f := review.Figures{From: time.Date(2026, 3, 1, 0, 0, 0, 0, zone), To: time.Date(2026, 4, 1, 0, 0, 0, 0, zone)}
	var b strings.Builder
	if err := f.Table(&b, zone); err != nil || !strings.HasPrefix(b.String(), "2026-03-01 00:00:00 GMT to 2026-04-01 00:00:00 BST, 31.0 d;") {
		t.Errorf("%v: %s", err, b.String())
	}
}

type fullPipe struct{ left int }

func (p *fullPipe) Write(text []byte) (int, error) {
	if p.left--; p.left < 0 {
		return 0, errors.New("nobody reads")
	}
	return len(text), nil
}

func TestTableCannotBeWritten(t *testing.T) {
	f := saturday()
	for n := range 10 {
		p := &fullPipe{n}
		if err := f.Table(p, time.UTC); err == nil || err.Error() != "nobody reads" || p.left != -1 {
			t.Errorf("after %d lines: error %v, left %d", n, err, p.left)
		}
	}
}
