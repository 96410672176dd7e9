package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
	"roundsman/rules"
)

// maxFindings is how many breaches of the laws Check tells of.
const maxFindings = 20

// ErrUnlawful is wrapped by each breach that Check finds.
var ErrUnlawful = errors.New("unlawful")

// Check proves the record's own laws on one snapshot of the file and returns all breaches, joined:
//
//   - SQLite finds the file sound.
//   - The journal's sequence has no hole; the steady moments never fall; the times fall only where a line says that the
//     clock jumped, but for corrections below two seconds; runs follow each other, and each begins with its own line. No line
//     is left without a date once the clock was set in its boot.
//   - Every line of an alarm follows from the one before: it begins in the state where that ended. What is kept of the
//     alarm is the state where its last line ended, and counts the starts that the lines tell, as far as the journal
//     reaches back. After 'lines lost' and 'alarm removed' this begins anew.
//   - A shelve has an end. No counter ever fell, and run time fits into the time seen.
//   - The intervals of equipment follow each other without overlap. With what has not ended they add up exactly to what
//     is counted, and the sums of the days are those of the intervals.
//
// It takes about a second for a million lines.
func (r *Reader) Check(ctx context.Context) error {
	tx, err := r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return r.fail("check", reason(err))
	}
	defer func() { _ = tx.Rollback() }() // it only reads
	c := &checker{ctx: ctx, q: tx, alarms: map[string]*followed{}}
	for _, law := range []func() error{c.sound, c.readRuns, c.journal, c.states, c.duty, c.intervals, c.counts, c.outbox, c.trend, c.alive} {
		if err := law(); err != nil {
			return r.fail("check", reason(errors.Join(append(c.found, err)...)))
		}
	}
	if len(c.found) > 0 {
		return r.fail("check", errors.Join(c.found...))
	}
	return nil
}

// checker gathers breaches.
type checker struct {
	ctx    context.Context
	q      queryer
	found  []error
	runs   map[int64]bool
	alarms map[string]*followed
	whole  bool // the journal reaches back to its first line
	last   Line
}

// followed is what the journal says of an alarm so far.
type followed struct {
	state   rules.State
	known   bool
	starts  uint64 // since it is followed without a gap
	counted bool   // starts is all there were
	removed bool
}

func (c *checker) breach(format string, args ...any) {
	if len(c.found) < maxFindings {
		c.found = append(c.found, fmt.Errorf("%w: "+format, append([]any{ErrUnlawful}, args...)...))
	}
}

func (c *checker) sound() error { return quickCheck(c.ctx, c.q, "5") }

func (c *checker) readRuns() error {
	c.runs = map[int64]bool{}
	rows, err := c.q.QueryContext(c.ctx, `SELECT run, moment FROM runs ORDER BY run`)
	if err != nil {
		return err
	}
	defer rows.Close()
	last := collector.Moment(-1 << 62)
	for rows.Next() {
		var run int64
		var moment collector.Moment
		if err := rows.Scan(&run, &moment); err != nil {
			return err
		}
		if moment < last {
			c.breach("run %d began at the moment %d, before the one before it", run, moment)
		}
		c.runs[run], last = true, moment
	}
	return rows.Err()
}

func (c *checker) journal() error {
	rows, err := c.q.QueryContext(c.ctx, `SELECT `+lineColumns+` FROM journal j LEFT JOIN runs r USING (run) ORDER BY j.seq`)
	if err != nil {
		return err
	}
	defer rows.Close()
	reader := &Reader{}
	for rows.Next() {
		l, err := reader.scan(rows)
		if err != nil {
			return err
		}
		c.line(&l)
		c.follow(&l)
		c.last = l
	}
	return rows.Err()
}

// line holds a line against the one before it.
func (c *checker) line(l *Line) {
	p := &c.last
	if !c.runs[l.Run] {
		c.breach("line %d belongs to run %d, which is not known", l.Seq, l.Run)
	}
	if p.Seq == 0 {
		c.whole = l.Seq == 1
		return
	}
	if l.Seq != p.Seq+1 {
		c.breach("line %d follows line %d", l.Seq, p.Seq)
	}
	if l.Steady < p.Steady {
		c.breach("line %d is %v before line %d", l.Seq, p.Steady.Sub(l.Steady), p.Seq)
	}
	if back := p.Time.Sub(l.Time); back > slewing && !l.Kind.jumps() {
		c.breach("the time of line %d is %v before that of line %d, and no line says that the clock stepped", l.Seq, back, p.Seq)
	}
	switch {
	case l.Run < p.Run:
		c.breach("line %d of run %d follows run %d", l.Seq, l.Run, p.Run)
	case l.Run > p.Run && l.Kind != Outage && l.Kind != BoxStarted && l.Kind != LinesLost:
		c.breach("run %d begins at line %d with %q", l.Run, l.Seq, l.Kind)
	}
	if p.Undated && !l.Undated && (p.Run == l.Run || p.Boot != "" && p.Boot == l.Boot) {
		c.breach("line %d has no date, but line %d of the same boot has one", p.Seq, l.Seq)
	}
	if p.Run == l.Run && p.Kind == BoxStopped {
		c.breach("line %d comes after the box was stopped", l.Seq)
	}
}

// follow holds an alarm's line against the one before it.
func (c *checker) follow(l *Line) {
	if l.Kind == LinesLost {
		clear(c.alarms)
		c.whole = false
	}
	if l.Alarm == "" {
		return
	}
	a := c.alarms[l.Alarm]
	if a == nil {
		a = &followed{counted: c.whole}
		c.alarms[l.Alarm] = a
	}
	old := l.Kind == AlarmRemoved && l.From == rules.Normal // once, whoever removed it did not know where it stood
	if a.known && l.From != a.state && !old {
		c.breach("line %d: %s goes from %v, but was %v", l.Seq, l.Alarm, l.From, a.state)
	}
	if l.Kind == Kind(rules.EventShelved.String()) && l.Until.IsZero() {
		c.breach("line %d: %s is shelved without an end", l.Seq, l.Alarm)
	}
	a.known, a.state, a.removed = true, l.To, false
	switch l.Kind {
	case Kind(rules.EventStarted.String()):
		a.starts++
	case AlarmRemoved:
		*a = followed{counted: true, removed: true}
	}
}

// states holds what is kept of alarms against the journal.
func (c *checker) states() error {
	kept, _, _, unread, err := readMemories(c.ctx, c.q)
	if err != nil {
		return err
	}
	if unread != nil {
		c.breach("%w", unread)
	}
	for name, m := range kept.Alarms {
		a := c.alarms[name]
		switch {
		case m.State == rules.Shelved && (m.Until == 0 || m.Until < m.Since):
			c.breach("%s is shelved without an end", name)
		case a == nil:
		case a.removed && m.State != rules.Normal:
			c.breach("%s is %v, but was removed", name, m.State)
		case a.known && m.State != a.state:
			c.breach("%s is %v, but its last line says %v", name, m.State, a.state)
		case a.counted && m.Activations != a.starts:
			c.breach("%s counts %d activations, the journal has %d", name, m.Activations, a.starts)
		}
	}
	for name, a := range c.alarms {
		if _, ok := kept.Alarms[name]; !ok && a.known && a.state != rules.Normal {
			c.breach("nothing is kept of %s, but its last line says %v", name, a.state)
		}
	}
	return c.letters(kept.Alarms)
}

// letters holds the states that are told twice against each other.
func (c *checker) letters(kept map[string]rules.AlarmMemory) error {
	_, err := readPairs(c.ctx, c.q, `SELECT name, state FROM alarms`, func(name string, letter []byte) error {
		if m, ok := kept[name]; ok && string(letter) != string(m.State.Letter()) {
			c.breach("%s has the letter %s and is %v", name, letter, m.State)
		}
		return nil
	})
	return err
}

func (c *checker) duty() error {
	return c.tops(`SELECT equipment, kept, run, top_run, starts, top_starts FROM duty`, func(name string, text []byte) {
		doc, err := decode[dutyDoc]("equipment", name, text)
		if err != nil {
			return // told by states
		}
		k := duty.Kept(doc)
		if k.Run < 0 || k.Seen < 0 || k.Unseen < 0 || k.Run > k.Seen {
			c.breach("%s ran for %v of the %v it was seen", name, k.Run, k.Seen)
		}
		if k.Starts > k.Runs && !k.Counter.Known {
			c.breach("%s started %d times and ran %d times", name, k.Starts, k.Runs)
		}
	})
}

func (c *checker) counts() error {
	return c.tops(`SELECT point, kept, pulses, top_pulses, 0, 0 FROM counts`, func(string, []byte) {})
}

// tops holds two counters of each row against the most they ever were.
func (c *checker) tops(query string, more func(name string, text []byte)) error {
	rows, err := c.q.QueryContext(c.ctx, query)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		var text []byte
		var a, topA, b, topB float64
		if err := rows.Scan(&name, &text, &a, &topA, &b, &topB); err != nil {
			return err
		}
		if a < topA || b < topB {
			c.breach("a counter of %s fell: %v, %v after %v, %v", name, a, b, topA, topB)
		}
		more(name, text)
	}
	return rows.Err()
}

// alive holds the latest sign of life against the journal.
func (c *checker) alive() error {
	s, err := readLastSeen(c.ctx, c.q)
	switch {
	case err != nil:
		return err
	case !s.known:
		if c.last.Seq > 0 {
			c.breach("there are lines, but no sign of life")
		}
	case !c.runs[s.run]:
		c.breach("the latest sign of life is of run %d, which is not known", s.run)
	case c.last.Seq > 0 && s.seq > c.last.Seq:
		c.breach("the journal ends at line %d, but line %d was written", c.last.Seq, s.seq)
	case s.planned && c.last.Seq > 0 && c.last.Kind != BoxStopped:
		c.breach("the box was stopped as planned, but the journal ends with %q", c.last.Kind)
	case s.time.Year() < 1970 || s.time.After(time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)):
		c.breach("the latest sign of life is of %v", s.time)
	}
	return nil
}
