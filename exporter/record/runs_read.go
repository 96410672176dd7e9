package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"math"
	"time"

	"roundsman/collector/duty"
)

// ErrNoEquipment means that nothing of that name is on the record.
var ErrNoEquipment = errors.New("no such equipment on the record")

// Duty is what one piece of equipment did in a span. Lengths are of steady time: a step of the wall clock makes them
// neither longer nor shorter, it only moves them.
type Duty struct {
	Equipment string
	From, To  time.Time
	Until     time.Time // how far the record reaches, however late To is
	Run       time.Duration
	Still     time.Duration // seen standing still
	Unseen    time.Duration // on the record as not seen
	Starts    int           // begun in the span
	Runs      int           // that touch the span; one through which sight was lost counts once
	Longest   time.Duration // piece of a run, within the span
	Shortest  time.Duration // run that was seen from start to stop within the span; 0: none
	WorstHour int           // most starts in an hour that ended with a start in the span
}

// Ratio is the duty: run time over seen time, 0 to 1; NaN where nothing was seen.
func (d *Duty) Ratio() float64 {
	if d.Run+d.Still == 0 {
		return math.NaN()
	}
	return float64(d.Run) / float64(d.Run+d.Still)
}

// MeanRun is run time over runs; 0 for none.
func (d *Duty) MeanRun() time.Duration {
	if d.Runs == 0 {
		return 0
	}
	return d.Run / time.Duration(d.Runs)
}

// Interval is an interval as the record has it.
type Interval struct {
	duty.Interval
	Begin, End time.Time // UTC
	Open       bool      // it has not ended; End is how far it was seen
}

// EquipmentKept is one piece of equipment on the record.
type EquipmentKept struct {
	Name  string
	Until time.Time // when it was looked at last, as far as it is on the record
}

// Equipment returns all equipment that the record knows.
func (r *Reader) Equipment(ctx context.Context) ([]EquipmentKept, error) {
	list, err := readNames(ctx, r.db)
	if err != nil {
		return nil, r.fail("equipment", reason(err))
	}
	out := make([]EquipmentKept, 0, len(list))
	for _, e := range list {
		out = append(out, EquipmentKept{e.name, time.UnixMilli(e.looked).UTC()})
	}
	return out, nil
}

// Duty returns what equipment did in [from, to): of whole days from their sums, of the rest from the intervals. The error
// wraps ErrNoEquipment where there is none of that name.
func (r *Reader) Duty(ctx context.Context, equipment string, from, to time.Time) (Duty, error) {
	var d Duty
	err := r.ofEquipment(ctx, equipment, func(v *dutyView) error {
		d = Duty{Equipment: equipment, From: from.UTC(), To: to.UTC(), Until: time.UnixMilli(v.looked).UTC()}
		return v.sum(ctx, &d)
	})
	return d, err
}

// Days returns what equipment did on each day of the record's zone that touches [from, to) and is on the record, oldest
// first, cut to the span.
func (r *Reader) Days(ctx context.Context, equipment string, from, to time.Time) ([]Duty, error) {
	var days []Duty
	err := r.ofEquipment(ctx, equipment, func(v *dutyView) error {
		for at := from.UnixNano(); at < min(to.UnixNano(), v.looked*int64(time.Millisecond)+1); at = v.cal.end {
			v.cal.find(at)
			d := Duty{Equipment: equipment, From: time.Unix(0, max(at, v.cal.start)).UTC(), To: time.Unix(0, min(v.cal.end, to.UnixNano())).UTC(), Until: time.UnixMilli(v.looked).UTC()}
			day := v.cal.end
			if err := v.sum(ctx, &d); err != nil {
				return err
			}
			if d.Run+d.Still+d.Unseen > 0 || d.Starts > 0 {
				days = append(days, d)
			}
			v.cal.find(day - 1)
		}
		return nil
	})
	return days, err
}

// Intervals returns the intervals of equipment that touch [from, to), whole, oldest first; the last ones may be open.
func (r *Reader) Intervals(ctx context.Context, equipment string, from, to time.Time) iter.Seq2[Interval, error] {
	return func(yield func(Interval, error) bool) {
		lo, hi := from.UnixNano(), to.UnixNano()
		more := true
		give := func(s *stretch, open bool) bool {
			if more && s.to >= lo && s.from() < hi && (s.to > lo || s.Length() == 0) {
				s.From, s.To = r.shown(s.From), r.shown(s.To)
				more = yield(Interval{s.Interval, time.Unix(0, s.from()).UTC(), time.Unix(0, s.to).UTC(), open}, nil)
			}
			return more
		}
		err := r.ofEquipment(ctx, equipment, func(v *dutyView) error {
			first, last, err := v.touching(ctx, lo, hi)
			if err != nil {
				return err
			}
			if err := v.stretches(ctx, first, last, func(s *stretch) bool { return give(s, false) }); err != nil {
				return err
			}
			for i := range v.rest {
				if more && v.rest[i].Kind != duty.Stood {
					give(&v.rest[i], true)
				}
			}
			return nil
		})
		if err != nil && more {
			yield(Interval{}, err)
		}
	}
}

// dutyView is one piece of equipment on one snapshot of the file.
type dutyView struct {
	named
	q    queryer
	cal  *calendar
	rest []stretch // what has not ended
}

// ofEquipment gives f a view; its errors name the record.
func (r *Reader) ofEquipment(ctx context.Context, equipment string, f func(*dutyView) error) error {
	tx, err := r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return r.fail("duty", reason(err))
	}
	defer func() { _ = tx.Rollback() }() // it only reads
	v, err := newDutyView(ctx, tx, equipment)
	if err == nil {
		err = f(v)
	}
	if err != nil {
		return r.fail("duty", reason(err))
	}
	return nil
}

func newDutyView(ctx context.Context, q queryer, equipment string) (*dutyView, error) {
	v := &dutyView{q: q, named: named{name: equipment}}
	err := q.QueryRowContext(ctx, `SELECT id, n, looked, moment FROM equipment WHERE name = ?`, equipment).Scan(&v.id, &v.n, &v.looked, &v.moment)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("%w: %q", ErrNoEquipment, equipment)
	}
	if err != nil {
		return nil, err
	}
	zone, err := readZone(ctx, q)
	if err != nil {
		return nil, err
	}
	if zone == nil {
		zone = time.UTC
	}
	v.cal = &calendar{zone: zone}
	v.rest, err = readRest(ctx, q, &v.named)
	return v, err
}

// readRest returns what of a piece of equipment has not ended.
func readRest(ctx context.Context, q queryer, e *named) ([]stretch, error) {
	var text []byte
	err := q.QueryRowContext(ctx, `SELECT kept FROM duty WHERE equipment = ?`, e.name).Scan(&text)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	doc, err := decode[dutyDoc]("equipment", e.name, text)
	if err != nil {
		return nil, nil // told by Check; what has ended is there
	}
	k := duty.Kept(doc)
	if k.Told == 0 {
		return nil, nil
	}
	var out []stretch
	for _, i := range k.Rest() {
		out = append(out, stretch{i, e.looked*int64(time.Millisecond) - e.moment + int64(i.To)})
	}
	return out, nil
}

// sum adds up a span.
func (v *dutyView) sum(ctx context.Context, d *Duty) error {
	t := tally{Duty: d, lo: d.From.UnixNano(), hi: d.To.UnixNano()}
	if t.lo < t.hi {
		if err := v.sumDays(ctx, &t); err != nil {
			return err
		}
		for i := range v.rest {
			t.add(&v.rest[i], t.lo, t.hi)
		}
	}
	return nil
}

// sumDays adds the days between: the first and the last by their intervals, for what crosses the span's ends must be cut
// there; so too the day in which a run ends that began before the span. The others by their sums.
func (v *dutyView) sumDays(ctx context.Context, t *tally) error {
	v.cal.find(t.hi - 1)
	last := v.cal.day
	v.cal.find(t.lo)
	read := map[string]bool{last: true, v.cal.day: true}
	first := v.cal.day
	err := v.readDay(ctx, t, first, func(s *stretch) {
		if s.Kind == duty.Ran && s.from() < t.lo && s.to > t.lo {
			v.cal.find(s.to - 1)
			read[v.cal.day] = true
		}
	})
	if err != nil {
		return err
	}
	sums, err := v.daysBetween(ctx, first, last)
	if err != nil {
		return err
	}
	for _, s := range sums {
		if !read[s.day] {
			t.addDay(&s)
		} else if s.day != first {
			if err := v.readDay(ctx, t, s.day, func(*stretch) {}); err != nil {
				return err
			}
		}
	}
	return nil
}

// readDay adds one day by its intervals.
func (v *dutyView) readDay(ctx context.Context, t *tally, day string, also func(*stretch)) error {
	var first, last int64
	err := v.q.QueryRowContext(ctx, `SELECT first, last FROM duty_days WHERE equipment = ? AND day = ?`, v.id, day).Scan(&first, &last)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	lo, hi, err := v.bounds(day)
	if err != nil {
		return err
	}
	return v.stretches(ctx, first, last, func(s *stretch) bool {
		t.add(s, max(lo, t.lo), min(hi, t.hi))
		also(s)
		return true
	})
}

// bounds returns the ends of a day.
func (v *dutyView) bounds(day string) (lo, hi int64, err error) {
	date, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return 0, 0, err
	}
	y, m, d := date.Date()
	return dayStart(v.cal.zone, y, m, d).UnixNano(), dayStart(v.cal.zone, y, m, d+1).UnixNano(), nil
}

func (v *dutyView) stretches(ctx context.Context, first, last int64, f func(*stretch) bool) error {
	return eachStretch(ctx, v.q, `SELECT `+stretchColumns+` FROM intervals WHERE equipment = ? AND n BETWEEN ? AND ? ORDER BY n`,
		[]any{v.id, first, last}, func(_ int64, s *stretch) bool { return f(s) })
}

// touching returns the numbers of the first and the last interval that may touch a span.
func (v *dutyView) touching(ctx context.Context, lo, hi int64) (first, last int64, err error) {
	v.cal.find(lo)
	from := v.cal.day
	v.cal.find(hi)
	var a, b sql.NullInt64
	err = v.q.QueryRowContext(ctx, `SELECT min(first), max(last) FROM duty_days WHERE equipment = ? AND day BETWEEN ? AND ?`, v.id, from, v.cal.day).Scan(&a, &b)
	if !a.Valid {
		return 1, 0, err
	}
	return a.Int64, b.Int64, err
}

// daySum is one row of the days.
type daySum struct {
	day                          string
	run, still, unseen           time.Duration
	starts, runs                 int
	longest, shortest, worstHour int64 // shortest: 0 for none
}

func (v *dutyView) daysBetween(ctx context.Context, first, last string) ([]daySum, error) {
	rows, err := v.q.QueryContext(ctx, `SELECT day, run, still, unseen, starts, runs, longest, coalesce(shortest, 0), worst FROM duty_days
		WHERE equipment = ? AND day BETWEEN ? AND ? ORDER BY day`, v.id, first, last)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []daySum
	for rows.Next() {
		var s daySum
		if err := rows.Scan(&s.day, &s.run, &s.still, &s.unseen, &s.starts, &s.runs, &s.longest, &s.shortest, &s.worstHour); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, rows.Err()
}

// tally adds up a span from lo to hi.
type tally struct {
	*Duty
	lo, hi int64
}

func (t *tally) addDay(s *daySum) {
	t.Run += s.run
	t.Still += s.still
	t.Unseen += s.unseen
	t.Starts += s.starts
	t.Runs += s.runs
	t.Longest = max(t.Longest, time.Duration(s.longest))
	if s.shortest > 0 {
		t.shorter(time.Duration(s.shortest))
	}
	t.WorstHour = max(t.WorstHour, int(s.worstHour))
}

func (t *tally) shorter(d time.Duration) {
	if t.Shortest == 0 || d < t.Shortest {
		t.Shortest = d
	}
}

// add adds what of a stretch lies within a window of the span. Only the window in which it begins counts its start, so
// each stretch may be given once for each window that it touches.
func (t *tally) add(s *stretch, lo, hi int64) {
	from := s.from()
	t.Still += within(s.still(), from, lo, hi)
	part := within(from, s.to, lo, hi)
	begins := lo <= from && from < hi
	if begins {
		t.Starts += s.Starts
		t.WorstHour = max(t.WorstHour, s.Hour)
	}
	switch s.Kind {
	case duty.Ran:
		t.Run += part
		if begins && s.New || lo == t.lo && from < lo && part > 0 {
			t.Runs++
		}
		if part > 0 && !s.Alone() {
			t.Longest = max(t.Longest, within(from, s.to, t.lo, t.hi))
		}
		if s.whole() && part > 0 && from >= t.lo && s.to <= t.hi {
			t.shorter(s.Length())
		}
	case duty.Unseen:
		t.Unseen += part
	case duty.Stood:
		t.Still += part
	}
}

// within returns how much of [from, to) lies in [lo, hi).
func within(from, to, lo, hi int64) time.Duration {
	return time.Duration(max(0, min(to, hi)-max(from, lo)))
}
