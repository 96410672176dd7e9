package record

import (
	"context"
	"database/sql"
	"errors"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/rules"
)

// State is what was kept of the run before, with moments on the clock of this one.
type State struct {
	First    bool          // the record was just made
	Alive    time.Time     // when the box was last known to be alive
	Planned  bool          // it was stopped as planned
	Gap      time.Duration // from then to this start, real time
	GapKnown bool          // false: the wall clock was not set or went back over a reboot; Gap is the least there was

	Memory rules.Memory
	Duty   map[string]duty.Kept
	Counts map[string]compute.Count // Count.Point is collector.NoPoint: the names are the keys
	Outbox                          // messages not done yet, oldest first, and all papers

	unread error // what could not be read
}

// Restore returns what was kept when the record was opened. It may be called once or more. An error names what could
// not be read; the rest is there.
func (r *Record) Restore() (State, error) {
	if r.kept.unread != nil {
		return r.kept, r.fail("restore", r.kept.unread, "the rest is restored")
	}
	return r.kept, nil
}

// Reread makes Restore return what is kept now, as of a stop that was planned at this moment: for who goes on with an open
// record after it wrote what it had kept elsewhere. It belongs to the goroutine that judges.
func (r *Record) Reread(ctx context.Context) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	now := r.opts.Clock.Now()
	r.kept = State{Planned: true, GapKnown: true, Alive: r.opts.Clock.Time(now)}
	if err := r.restore(ctx, r.Reader.db, now); err != nil {
		return r.fail("restore", reason(err), "")
	}
	return nil
}

// restore reads the kept memories and moves them to this run's clock.
func (r *Record) restore(ctx context.Context, q queryer, now collector.Moment) error {
	k := &r.kept
	m, dutyKept, counts, unread, err := readMemories(ctx, q)
	if err != nil {
		return err
	}
	m.At = now.Add(r.offset)
	k.unread, k.Memory = unread, m.Shifted(-r.offset)
	k.Duty, k.Counts = dutyKept, counts
	for name, d := range k.Duty {
		k.Duty[name] = d.Shifted(-r.offset)
	}
	for name, c := range k.Counts {
		c.At = shift(c.At, -r.offset)
		k.Counts[name] = c
	}
	o, err := readOutbox(ctx, q)
	k.Outbox = o.shifted(-r.offset)
	return err
}

// readMemories returns all that is kept beside the journal, on the record's scale. What cannot be read is left out and
// named in unread; err is for what stops all reading.
func readMemories(ctx context.Context, q queryer) (m rules.Memory, d map[string]duty.Kept, c map[string]compute.Count, unread, err error) {
	m = rules.Memory{Alarms: map[string]rules.AlarmMemory{}, Conditions: map[string]rules.ConditionMemory{}}
	d, c = map[string]duty.Kept{}, map[string]compute.Count{}
	var bad []error
	tables := []struct {
		query string
		keep  func(name string, text []byte) error
	}{
		{"SELECT name, memory FROM alarms", func(name string, text []byte) error {
			doc, err := decode[alarmDoc]("alarm", name, text)
			if err == nil {
				m.Alarms[name] = rules.AlarmMemory(doc)
			}
			return err
		}},
		{"SELECT name, memory FROM conditions", func(name string, text []byte) error {
			doc, err := decode[conditionDoc]("condition", name, text)
			if err == nil {
				m.Conditions[name] = rules.ConditionMemory(doc)
			}
			return err
		}},
		{"SELECT equipment, kept FROM duty", func(name string, text []byte) error {
			doc, err := decode[dutyDoc]("equipment", name, text)
			if err == nil {
				d[name] = duty.Kept(doc)
			}
			return err
		}},
		{"SELECT point, kept FROM counts", func(name string, text []byte) error {
			doc, err := decode[countDoc]("count of", name, text)
			if err == nil {
				doc.Point = collector.NoPoint
				c[name] = compute.Count(doc)
			}
			return err
		}},
	}
	for _, t := range tables {
		faults, err := readPairs(ctx, q, t.query, t.keep)
		if err != nil {
			return m, d, c, nil, err
		}
		bad = append(bad, faults...)
	}
	return m, d, c, errors.Join(bad...), nil
}

// readPairs gives each row's name and text to keep and returns keep's errors.
func readPairs(ctx context.Context, q queryer, query string, keep func(string, []byte) error) (bad []error, err error) {
	rows, err := q.QueryContext(ctx, query)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		var text []byte
		if err := rows.Scan(&name, &text); err != nil {
			return nil, err
		}
		if err := keep(name, text); err != nil {
			bad = append(bad, err)
		}
	}
	return bad, rows.Err()
}

// State returns what the file holds now, with moments on the record's own scale.
func (r *Reader) State(ctx context.Context) (State, error) {
	tx, err := r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return State{}, r.fail("read", reason(err))
	}
	defer func() { _ = tx.Rollback() }() // it only reads
	seen, err := readLastSeen(ctx, tx)
	if err != nil {
		return State{}, r.fail("read", reason(err))
	}
	s := State{First: !seen.known, Planned: seen.planned, Alive: seen.time.Add(seen.alive.Sub(seen.moment))}
	var unread error
	s.Memory, s.Duty, s.Counts, unread, err = readMemories(ctx, tx)
	if err == nil {
		s.Outbox, err = readOutbox(ctx, tx)
	}
	if err = errors.Join(err, unread); err != nil {
		return s, r.fail("read", reason(err))
	}
	s.Memory.At = seen.alive
	return s, nil
}
