package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math"
	"time"

	"roundsman/collector"
)

// The kinds of line about calling people. Alarm is "" in them: they change no alarm; Why names it.
const (
	Answered Kind = "answer"         // what Who answered, and what it counted for
	Unheeded Kind = "answer unheard" // an answer that counts for nothing, and why
	Drilled  Kind = "drill"          // how a drill of Who went
	Nobody   Kind = "nobody called"  // a call-out that reached nobody, or could not be sent
)

// OutboxKept is how many of the latest messages are kept for a look after they are done; older ones are let go as newer
// ones get done.
const OutboxKept = 2000

// Sending is what is kept of a message to one person. The record looks into no document: Doc is the call-out's own.
type Sending struct {
	Key     string
	State   string // in words
	Done    bool   // nothing more is to be done about it
	Channel string // where it waits, or what took it; "" none
	Contact string // the person's id
	Alarm   string // "" none
	Subject string
	Tries   int
	Time    time.Time        // when it was written, UTC
	Made    collector.Moment // the same moment: those in Doc are on its scale
	Doc     []byte           // JSON
}

// Paper is a document of another part, kept under its name with the rounds it belongs to: what the desk knows of its
// calls, which links were used. Its moments are on the scale of At.
type Paper struct {
	At  collector.Moment
	Doc []byte // JSON
}

// Outbox is the part of a Change, and of a State, about calling people.
type Outbox struct {
	Sendings []Sending // new or changed, by Key; the later of two counts. Of a State: those not done, oldest first
	Papers   map[string]Paper
}

// KeepSending adds a message, new or changed.
func (c *Change) KeepSending(s Sending) { c.Sendings = append(c.Sendings, s) }

// KeepPaper adds a document; it takes the place of the one of that name.
func (c *Change) KeepPaper(name string, p Paper) {
	if c.Papers == nil {
		c.Papers = make(map[string]Paper)
	}
	c.Papers[name] = p
}

func (o *Outbox) empty() bool { return len(o.Sendings)+len(o.Papers) == 0 }

func (o *Outbox) clear() {
	clear(o.Sendings) // lets go of their documents
	o.Sendings = o.Sendings[:0]
	clear(o.Papers)
}

// waiting is the part of the queue about calling people: the latest of each, in the order they came.
type waiting struct {
	order    []string
	sendings map[string]Sending
	papers   map[string]Paper
}

func newWaiting() waiting {
	return waiting{sendings: map[string]Sending{}, papers: map[string]Paper{}}
}

func (w *waiting) empty() bool { return len(w.order)+len(w.papers) == 0 }

func (w *waiting) clear() {
	w.order = w.order[:0]
	clear(w.sendings)
	clear(w.papers)
}

func (w *waiting) take(o *Outbox, offset time.Duration) {
	for _, s := range o.Sendings {
		if _, ok := w.sendings[s.Key]; !ok {
			w.order = append(w.order, s.Key)
		}
		s.Made = shift(s.Made, offset)
		w.sendings[s.Key] = s
	}
	for name, p := range o.Papers {
		p.At = shift(p.At, offset)
		w.papers[name] = p
	}
}

// The statements of the outbox.
const (
	sqlSending = `INSERT INTO outbox (key, moment, time, state, done, channel, contact, alarm, subject, tries, doc)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (key) DO UPDATE SET moment = excluded.moment, state = excluded.state, done = excluded.done,
		channel = excluded.channel, tries = excluded.tries, doc = excluded.doc`
	sqlOldSendings = `DELETE FROM outbox WHERE done = 1 AND rowid <= (SELECT max(rowid) FROM outbox) - ?`
	sqlPaper       = `INSERT INTO papers (name, moment, doc) VALUES (?, ?, ?)
		ON CONFLICT (name) DO UPDATE SET moment = excluded.moment, doc = excluded.doc`
	outboxColumns = `key, moment, time, state, done, coalesce(channel, ''), contact, coalesce(alarm, ''), subject, tries, doc`
)

func outboxStatements() []string { return []string{sqlSending, sqlOldSendings, sqlPaper} }

// writeOutbox writes what waits of it.
func (r *Record) writeOutbox() error {
	w := &r.queue.outbox
	done := false
	for _, key := range w.order {
		s := w.sendings[key]
		done = done || s.Done
		err := r.w.exec(sqlSending, s.Key, int64(s.Made), s.Time.UnixMilli(), s.State, s.Done, word(s.Channel), s.Contact, word(s.Alarm), s.Subject, s.Tries, string(s.Doc))
		if err != nil {
			return err
		}
	}
	if done {
		if err := r.w.exec(sqlOldSendings, OutboxKept); err != nil {
			return err
		}
	}
	return each(w.papers, func(name string, p Paper) error { return r.w.exec(sqlPaper, name, int64(p.At), string(p.Doc)) })
}

// readOutbox returns what is not done and all papers, on the record's scale.
func readOutbox(ctx context.Context, q queryer) (o Outbox, err error) {
	o.Papers = map[string]Paper{}
	if o.Sendings, err = readSendings(ctx, q, `WHERE done = 0 ORDER BY rowid`); err != nil {
		return o, err
	}
	rows, err := q.QueryContext(ctx, `SELECT name, moment, doc FROM papers`)
	if err != nil {
		return o, err
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		var p Paper
		if err := rows.Scan(&name, &p.At, &p.Doc); err != nil {
			return o, err
		}
		o.Papers[name] = p
	}
	return o, rows.Err()
}

func readSendings(ctx context.Context, q queryer, where string, args ...any) ([]Sending, error) {
	rows, err := q.QueryContext(ctx, `SELECT `+outboxColumns+` FROM outbox `+where, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []Sending
	for rows.Next() {
		var s Sending
		var ms int64
		if err := rows.Scan(&s.Key, &s.Made, &ms, &s.State, &s.Done, &s.Channel, &s.Contact, &s.Alarm, &s.Subject, &s.Tries, &s.Doc); err != nil {
			return nil, err
		}
		s.Time = time.UnixMilli(ms).UTC()
		list = append(list, s)
	}
	return list, rows.Err()
}

// shifted returns the outbox with its moments moved by d.
func (o Outbox) shifted(d time.Duration) Outbox {
	moved := Outbox{Papers: maps.Clone(o.Papers)}
	for _, s := range o.Sendings {
		s.Made = shift(s.Made, d)
		moved.Sendings = append(moved.Sendings, s)
	}
	for name, p := range moved.Papers {
		p.At = shift(p.At, d)
		moved.Papers[name] = p
	}
	return moved
}

// OutboxQuery chooses messages.
type OutboxQuery struct {
	Undone bool   // only those that wait
	Alarm  string // "": all
	Limit  int    // at most so many; 0: all
}

// Outbox returns the messages that the query chooses, newest first: those that wait, and of the others the latest.
func (r *Reader) Outbox(ctx context.Context, q OutboxQuery) ([]Sending, error) {
	limit := q.Limit
	if limit <= 0 {
		limit = math.MaxInt
	}
	list, err := readSendings(ctx, r.db, `WHERE (?1 = 0 OR done = 0) AND (?2 = '' OR alarm = ?2) ORDER BY rowid DESC LIMIT ?3`, q.Undone, q.Alarm, limit)
	if err != nil {
		return nil, r.fail("read", reason(err))
	}
	for i := range list {
		list[i].Made = r.shown(list[i].Made)
	}
	return list, nil
}

// Message returns one message by its key; the error wraps sql.ErrNoRows if there is none.
func (r *Reader) Message(ctx context.Context, key string) (Sending, error) {
	list, err := readSendings(ctx, r.db, `WHERE key = ?`, key)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("message %s: %w", key, sql.ErrNoRows)
	}
	if err != nil {
		return Sending{}, r.fail("read", reason(err))
	}
	list[0].Made = r.shown(list[0].Made)
	return list[0], nil
}

// outbox holds the messages against their laws: documents that can be read.
func (c *checker) outbox() error {
	for _, law := range []struct{ query, words string }{
		{`SELECT key FROM outbox WHERE NOT json_valid(doc)`, "the document of the message %s cannot be read"},
		{`SELECT name FROM papers WHERE NOT json_valid(doc)`, "the paper %s cannot be read"},
	} {
		if err := c.names(law.query, law.words); err != nil {
			return err
		}
	}
	return nil
}

func (c *checker) names(query, words string) (err error) {
	rows, err := c.q.QueryContext(c.ctx, query)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return err
		}
		c.breach(words, name)
	}
	return rows.Err()
}
