package record

import (
	"context"
	"database/sql"
	"iter"
	"math"
	"slices"
	"sort"
	"time"

	"roundsman/rules"
)

// Query chooses lines of the journal.
type Query struct {
	From, To time.Time // From <= Time < To; zero: no bound
	Alarm    string    // "": all
	Kind     Kind      // "": all
	Who      string    // only lines whose person's name has it, small and capital letters (a-z) alike; "": all
	After    uint64    // only lines with a higher Seq (with Newest: a lower one); 0: no bound
	Limit    int       // at most so many; 0: all
	Newest   bool      // latest line first
}

// slewing is how far the wall clock may run backwards without a line 'clock stepped': corrections below it are no steps.
const slewing = 2 * time.Second

// page is how many lines are read at a time. They are held in memory and the read is ended before they are handed out:
// an open read would keep the log from shrinking.
const page = 512

// Journal returns the lines that the query chooses, in the order of their sequence. An error ends it.
func (r *Reader) Journal(ctx context.Context, q Query) iter.Seq2[Line, error] {
	return func(yield func(Line, error) bool) {
		spans, err := r.spans(ctx, &q)
		if err != nil {
			yield(Line{}, r.fail("read", reason(err)))
			return
		}
		left := q.Limit
		if left <= 0 {
			left = math.MaxInt
		}
		for _, s := range spans {
			for !s.empty() {
				lines, err := r.lines(ctx, &q, &s, min(left, page))
				if err != nil {
					yield(Line{}, r.fail("read", reason(err)))
					return
				}
				for i := range lines {
					if !yield(lines[i], nil) {
						return
					}
				}
				if left -= len(lines); left <= 0 {
					return
				}
			}
		}
	}
}

// span is a range of the sequence, from lo up to but not including hi.
type span struct{ lo, hi uint64 }

func (s *span) empty() bool { return s.lo >= s.hi }

// sqlWhole asks for the two ends apart: for both at once SQLite goes through all lines.
const sqlWhole = `SELECT coalesce((SELECT min(seq) FROM journal), 0), coalesce((SELECT max(seq) + 1 FROM journal), 0)`

// spans returns where lines of the wanted time can be, in the order asked for. Between two jumps of the clock the
// sequence is in order of time, so each such piece is cut by its ends or by bisection; the lines' own times are
// compared later.
func (r *Reader) spans(ctx context.Context, q *Query) ([]span, error) {
	var whole span
	err := r.db.QueryRowContext(ctx, sqlWhole).Scan(&whole.lo, &whole.hi)
	if err != nil {
		return nil, err
	}
	switch {
	case q.After > 0 && q.Newest:
		whole.hi = min(whole.hi, q.After)
	case q.After > 0:
		whole.lo = max(whole.lo, q.After+1)
	}
	if whole.empty() {
		return nil, nil
	}
	spans := []span{whole}
	if !q.From.IsZero() || !q.To.IsZero() {
		if spans, err = r.pieces(ctx, q, whole); err != nil {
			return nil, err
		}
	}
	if q.Newest {
		slices.Reverse(spans)
	}
	return spans, nil
}

// pieces cuts the whole at the jumps and each piece to the wanted time. There is a piece for each restart of the box, so
// only those that begin before the wanted time and end in it, or the other way round, are looked into.
func (r *Reader) pieces(ctx context.Context, q *Query, whole span) ([]span, error) {
	pieces, err := r.jumps(ctx, whole)
	if err != nil {
		return nil, err
	}
	var spans []span
	for _, p := range pieces {
		if err := r.cut(ctx, q, &p); err != nil {
			return nil, err
		}
		switch n := len(spans); {
		case p.empty():
		case n > 0 && spans[n-1].hi == p.lo: // the lines between two jumps in the wanted time are read with those around them
			spans[n-1].hi = p.hi
		default:
			spans = append(spans, p.span)
		}
	}
	return spans, nil
}

// piece is a span without a jump within, and the times of its first and its last line, in milliseconds.
type piece struct {
	span
	first, last int64
}

// sqlPieces gives the first lines of the pieces from ?1 up to but not including ?2, with the time of the line before
// each. The sequence has no gaps.
const sqlPieces = `SELECT seq, time, 0 FROM journal WHERE seq = ?1
	UNION ALL SELECT j.seq, j.time, p.time FROM journal j JOIN journal p ON p.seq = j.seq - 1 WHERE j.jump = 1 AND j.seq > ?1 AND j.seq < ?2
	UNION ALL SELECT ?2, 0, time FROM journal WHERE seq = ?2 - 1 ORDER BY 1`

// jumps cuts the whole at the lines at which the wall time may have stepped.
func (r *Reader) jumps(ctx context.Context, whole span) ([]piece, error) {
	rows, err := r.db.QueryContext(ctx, sqlPieces, whole.lo, whole.hi)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []piece
	for rows.Next() {
		var p piece
		var before int64
		if err := rows.Scan(&p.lo, &p.first, &before); err != nil {
			return nil, err
		}
		if n := len(list); n > 0 {
			list[n-1].hi, list[n-1].last = p.lo, before
		}
		list = append(list, p)
	}
	return list[:max(0, len(list)-1)], rows.Err()
}

// cut narrows a piece to the wanted time, give or take what the clock may have been slewed.
func (r *Reader) cut(ctx context.Context, q *Query, p *piece) error {
	lookup, failed := r.prepared(ctx, `SELECT time FROM journal WHERE seq = ?`)
	if failed != nil {
		return failed
	}
	since := func(wanted time.Time) uint64 {
		ms := wanted.UnixMilli()
		switch {
		case p.first >= ms:
			return p.lo
		case p.last < ms-slewing.Milliseconds(): // lines before the last may be so much later than it
			return p.hi
		}
		n := sort.Search(int(p.hi-p.lo), func(i int) bool {
			var at int64
			if err := lookup.QueryRowContext(ctx, p.lo+uint64(i)).Scan(&at); err != nil {
				failed = err
			}
			return at >= ms
		})
		return p.lo + uint64(n)
	}
	lo, hi := p.lo, p.hi
	if !q.To.IsZero() {
		hi = since(q.To.Add(slewing))
	}
	if !q.From.IsZero() {
		lo = since(q.From.Add(-slewing))
	}
	p.lo, p.hi = lo, hi
	return failed
}

const lineColumns = `j.seq, j.time, j.moment, j.run, coalesce(r.boot, ''), j.kind, coalesce(j.alarm, ''), coalesce(j.point, ''),
	j."from", j."to", j.value, j."limit", coalesce(j.unit, ''), coalesce(j.quality, 0), coalesce(j.who, ''), coalesce(j.why, ''),
	j.until, coalesce(j.length, 0), coalesce(j.count, 0), coalesce(j.priority, 0), coalesce(j.undated, 0)`

const (
	sqlLines = `SELECT ` + lineColumns + ` FROM journal j LEFT JOIN runs r USING (run) WHERE j.seq >= ?1 AND j.seq < ?2 AND j.time >= ?3 AND j.time < ?4 AND (?5 = '' OR j.alarm = ?5)
		AND (?6 = '' OR j.kind = ?6) AND (?7 = '' OR instr(lower(j.who), lower(?7)) > 0)`
	oldest    = ` ORDER BY j.seq LIMIT ?8`
	latest    = ` ORDER BY j.seq DESC LIMIT ?8`
	endOfTime = math.MaxInt64
)

// lines reads at most n lines of the span and takes what was looked at off it.
func (r *Reader) lines(ctx context.Context, q *Query, s *span, n int) ([]Line, error) {
	from, to := int64(math.MinInt64), int64(endOfTime)
	if !q.From.IsZero() {
		from = q.From.Add(time.Millisecond - 1).UnixMilli() // times are kept to the millisecond
	}
	if !q.To.IsZero() {
		to = q.To.Add(time.Millisecond - 1).UnixMilli()
	}
	text := sqlLines + oldest
	if q.Newest {
		text = sqlLines + latest
	}
	rows, err := r.db.QueryContext(ctx, text, s.lo, s.hi, from, to, q.Alarm, string(q.Kind), q.Who, n)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	lines := make([]Line, 0, n)
	for rows.Next() {
		l, err := r.scan(rows)
		if err != nil {
			return nil, err
		}
		lines = append(lines, l)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	switch {
	case len(lines) < n:
		s.lo = s.hi
	case q.Newest:
		s.hi = lines[n-1].Seq
	default:
		s.lo = lines[n-1].Seq + 1
	}
	return lines, nil
}

func (r *Reader) scan(rows *sql.Rows) (Line, error) {
	var l Line
	var ms int64
	var from, to sql.NullString
	var value, limit sql.NullFloat64
	var until sql.NullInt64
	err := rows.Scan(&l.Seq, &ms, &l.Steady, &l.Run, &l.Boot, &l.Kind, &l.Alarm, &l.Point, &from, &to, &value, &limit, &l.Unit,
		&l.Quality, &l.Who, &l.Why, &until, &l.Length, &l.Count, &l.Priority, &l.Undated)
	if err != nil {
		return l, err
	}
	l.Time, l.At = time.UnixMilli(ms).UTC(), r.shown(l.Steady)
	l.From, l.To = stateOf(from.String), stateOf(to.String)
	if l.Alarm != "" {
		l.Value, l.Limit = floatOf(value), floatOf(limit)
	}
	if l.Kind.measures() {
		l.Value = floatOf(value)
	}
	if until.Valid {
		l.Until = time.UnixMilli(until.Int64).UTC()
	}
	return l, nil
}

// stateOf reads the letter of a state; a line about the box has none.
func stateOf(letter string) rules.State {
	if len(letter) != 1 || letter[0] < 'A' {
		return rules.Normal
	}
	return rules.State(letter[0] - 'A')
}

func floatOf(v sql.NullFloat64) float64 {
	if !v.Valid {
		return math.NaN()
	}
	return v.Float64
}

// Latest returns the number of the latest line, 0 if there is none.
func (r *Reader) Latest(ctx context.Context) (uint64, error) {
	var seq uint64
	if err := r.db.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM journal`).Scan(&seq); err != nil {
		return 0, r.fail("read", reason(err))
	}
	return seq, nil
}
