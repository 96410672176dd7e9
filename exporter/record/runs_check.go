package record

import (
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
)

// intervals holds the intervals of all equipment against each other, their sums, their days and what is counted.
func (c *checker) intervals() error {
	zone, err := readZone(c.ctx, c.q)
	if err != nil {
		return err
	}
	if zone == nil {
		zone = time.UTC
	}
	all, err := readNames(c.ctx, c.q)
	if err != nil {
		return err
	}
	_, kept, _, _, err := readMemories(c.ctx, c.q)
	if err != nil {
		return err
	}
	for i := range all {
		if err := c.intervalsOf(&all[i], zone, kept); err != nil {
			return err
		}
	}
	return nil
}

func (c *checker) intervalsOf(e *named, zone *time.Location, kept map[string]duty.Kept) error {
	var sum duty.Totals
	var lost int
	if err := c.kept(e, &sum, &lost); err != nil {
		return err
	}
	told, end, err := c.follows(e, lost > 0)
	if err != nil {
		return err
	}
	if k, ok := kept[e.name]; ok && k.Told != 0 {
		c.adds(e.name, &k, sum, end)
	}
	var without duty.Totals
	if err := c.lost(e, &without); err != nil {
		return err
	}
	if plus(told, without) != sum {
		c.breach("the intervals of %s are %+v in all, their sums say %+v", e.name, plus(told, without), sum)
	}
	return c.days(e, zone)
}

// plus adds totals.
func plus(a, b duty.Totals) duty.Totals {
	return duty.Totals{Run: a.Run + b.Run, Seen: a.Seen + b.Seen, Unseen: a.Unseen + b.Unseen, Starts: a.Starts + b.Starts, Runs: a.Runs + b.Runs}
}

// kept reads the sums of a piece of equipment, those of lost intervals included.
func (c *checker) kept(e *named, sum *duty.Totals, lost *int) error {
	err := c.q.QueryRowContext(c.ctx, `SELECT run + lost_run, run + still + lost_run + lost_still, unseen + lost_unseen, starts + lost_starts, runs + lost_runs, lost
		FROM equipment WHERE id = ?`, e.id).Scan(&sum.Run, &sum.Seen, &sum.Unseen, &sum.Starts, &sum.Runs, lost)
	return err
}

func (c *checker) lost(e *named, sum *duty.Totals) error {
	return c.q.QueryRowContext(c.ctx, `SELECT lost_run, lost_run + lost_still, lost_unseen, lost_starts, lost_runs FROM equipment WHERE id = ?`, e.id).
		Scan(&sum.Run, &sum.Seen, &sum.Unseen, &sum.Starts, &sum.Runs)
}

// follows holds each interval against the one before it, and adds them up.
func (c *checker) follows(e *named, holes bool) (told duty.Totals, end collector.Moment, err error) {
	var last int64
	err = eachStretch(c.ctx, c.q, `SELECT `+stretchColumns+` FROM intervals WHERE equipment = ? ORDER BY n`, []any{e.id}, func(n int64, s *stretch) bool {
		told.Add(s.Interval)
		if n != last+1 {
			c.breach("interval %d of %s follows %d", n, e.name, last)
		}
		last = n
		if s.Length() < 0 || s.Still < 0 {
			c.breach("interval %d of %s is %v long, after %v", n, e.name, s.Length(), s.Still)
		}
		if s.Kind == duty.Counted {
			return true
		}
		if begins := s.From.Add(-s.Still); end != 0 && (begins < end || begins > end && !holes) {
			c.breach("interval %d of %s begins %v from the end of the one before it", n, e.name, begins.Sub(end))
		}
		end = s.To
		return true
	})
	if err == nil && last != e.n {
		c.breach("%s has %d intervals, and counts %d", e.name, last, e.n)
	}
	return told, end, err
}

// adds holds the sums, with what has not ended, against what is counted.
func (c *checker) adds(name string, k *duty.Kept, sum duty.Totals, end collector.Moment) {
	sum = plus(sum, k.Before)
	for _, i := range k.Rest() {
		sum.Add(i)
	}
	if sum != k.Totals() {
		c.breach("the intervals of %s are %+v in all, %+v is counted", name, sum, k.Totals())
	}
	if end != 0 && k.Told < end {
		c.breach("the last interval of %s ends %v after what its meter told", name, end.Sub(k.Told))
	}
}

// days holds the sums of the days against the intervals.
func (c *checker) days(e *named, zone *time.Location) error {
	want, err := cutDays(c.ctx, c.q, e.id, &calendar{zone: zone})
	if err != nil {
		return err
	}
	rows, err := c.q.QueryContext(c.ctx, `SELECT day, run, run + still, unseen, starts, runs, longest, coalesce(shortest, 0), worst, first, last FROM duty_days WHERE equipment = ?`, e.id)
	if err != nil {
		return err
	}
	defer rows.Close()
	days := 0
	for rows.Next() {
		var day string
		var t dayTotals
		if err := rows.Scan(&day, &t.Run, &t.Seen, &t.Unseen, &t.Starts, &t.Runs, &t.longest, &t.shortest, &t.worst, &t.first, &t.last); err != nil {
			return err
		}
		days++
		w := want[day]
		if w == nil {
			c.breach("no interval of %s touches its day %s", e.name, day)
			continue
		}
		if t.shortest == 0 {
			t.shortest = w.shortest
		}
		if t != *w {
			c.breach("the day %s of %s is %+v, its intervals make %+v", day, e.name, t, *w)
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	if days != len(want) {
		c.breach("%s has %d days, its intervals touch %d", e.name, days, len(want))
	}
	return nil
}
