package configs

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/sorting"
	"roundsman/configs/strict"
)

// turn is who is on duty: weeks that take turns, and dates that differ. It implements callout.Turn.
//
// Times are those on the wall. Each change happens once: where daylight saving repeats an hour, the first time; where it
// skips the hour, at the skip. So nobody's duty is counted twice or left out in the nights of 23 and 25 hours.
type turn struct {
	zone     *time.Location
	weeks    [][7][]shift // by week, by time.Weekday
	handOver int          // of the first week, in minutes since the day 0
	except   map[dayNumber][]shift
	last     dayNumber // of except
}

// shift is a stretch of one day in minutes from midnight; to may be 1440. Nobody on duty is a shift too, in except.
type shift struct {
	open
	who []string
}

// dayNumber counts the dates of the calendar from 1970-01-01, whatever their length.
type dayNumber int

const (
	dayMinutes  = 24 * 60
	weekMinutes = 7 * dayMinutes
)

func dayOf(t time.Time) dayNumber {
	y, m, d := t.Date()
	return dayNumber(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

func (d dayNumber) date() (int, time.Month, int) { return d.utc().Date() }

func (d dayNumber) utc() time.Time { return time.Unix(int64(d)*86400, 0).UTC() }

func (d dayNumber) weekday() time.Weekday { return d.utc().Weekday() }

// furthest is how many days ahead a change is looked for beyond one round of the weeks.
const furthest = 800

// On returns the ids of those on duty at m and when that changes next; Never when it does not change within two years.
func (t *turn) On(m collector.Moment) (people []string, next collector.Moment) {
	day := dayOf(time.Unix(0, int64(m)).In(t.zone))
	round := dayNumber(7*len(t.weeks) + 8)
	for d := day; d <= max(day+round, min(t.last+1, day+furthest)); d++ {
		for _, p := range t.pieces(d) {
			switch {
			case p.from <= m:
				people = p.who
			case !slices.Equal(p.who, people):
				return people, p.from
			}
		}
	}
	return people, collector.Never
}

// piece begins at a moment and lasts until the next.
type piece struct {
	from collector.Moment
	who  []string
}

// pieces returns who is on duty on one date, without those that have no length.
func (t *turn) pieces(d dayNumber) []piece {
	y, mo, day := d.date()
	var out []piece
	for _, c := range t.cuts(d) {
		p := piece{wall(t.zone, y, mo, day, c, false), t.at(d, c)}
		if n := len(out); n > 0 && out[n-1].from >= p.from { // the hour was skipped
			out = out[:n-1]
		}
		out = append(out, p)
	}
	return out
}

// cuts returns the minutes of a date at which something may change, rising, 0 first.
func (t *turn) cuts(d dayNumber) []int {
	out := []int{0}
	add := func(shifts []shift) {
		for _, s := range shifts {
			out = append(out, s.from)
			if s.to < dayMinutes {
				out = append(out, s.to)
			}
		}
	}
	add(t.except[d])
	first, last := t.week(d, 0), t.week(d, dayMinutes-1)
	add(t.weeks[first][d.weekday()])
	if first != last {
		add(t.weeks[last][d.weekday()])
		out = append(out, mod(t.handOver, dayMinutes))
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// at returns who is on duty at a minute of a date.
func (t *turn) at(d dayNumber, minute int) []string {
	for _, list := range [...][]shift{t.except[d], t.weeks[t.week(d, minute)][d.weekday()]} {
		for _, s := range list {
			if s.from <= minute && minute < s.to {
				return s.who
			}
		}
	}
	return nil
}

// week returns whose week it is.
func (t *turn) week(d dayNumber, minute int) int {
	since := int(d)*dayMinutes + minute - t.handOver
	return mod((since-mod(since, weekMinutes))/weekMinutes, len(t.weeks))
}

func mod(a, n int) int { return (a%n + n) % n }

// nobody is the word for a stretch in which nobody is on duty on purpose.
const nobody = "nobody"

// rota reads one rota. What names may stand in it, member finds.
func (b *builder) rota(v *strict.Value, member func(*strict.Value) bool) *turn {
	t := &turn{zone: b.site.Zone, except: map[dayNumber][]shift{}}
	r := rotaReader{member: member}
	weeks := v.Get("weeks").Entries()
	switch {
	case v.Has("week") && v.Has("weeks"):
		v.KeyFailf("week and weeks: give one of them")
	case v.Has("week"):
		weeks = []*strict.Value{v.Get("week")}
	case !v.Has("weeks"):
		v.Missing("week or weeks is missing: who is on duty?")
	}
	for _, w := range weeks {
		t.weeks = append(t.weeks, r.week(w))
	}
	if len(t.weeks) == 0 {
		t.weeks = make([][7][]shift, 1)
	}
	t.handOver = handOver(v, len(weeks))
	for _, e := range v.Get("except").Entries() {
		r.exception(t, e)
	}
	return t
}

// handOver reads when the first of several weeks begins.
func handOver(v *strict.Value, weeks int) int {
	at, since := v.Get("hand-over"), v.Get("since")
	if weeks < 2 {
		misplaced(v, "goes with weeks that take turns, two or more", "hand-over", "since")
		return 0
	}
	if !v.Has("hand-over") || !v.Has("since") {
		v.Missing("weeks take turns: hand-over (monday 08:00) and since (the date of one to the first week) are needed")
	}
	if at == nil || since == nil {
		return 0
	}
	day, hour, _ := strings.Cut(strings.TrimSpace(at.Text()), " ")
	weekday, ok1 := weekday(strings.ToLower(day))
	minute, ok2 := clock(hour)
	if !ok1 || !ok2 || minute == dayMinutes {
		at.Failf("%q is no hand-over; expected a day and an hour, such as monday 08:00", short(at.Text()))
		return 0
	}
	date, ok := dateOf(since.Text())
	switch {
	case !ok:
		since.Failf("%q is no date; expected one such as 2026-11-02", short(since.Text()))
	case int(date.weekday()) != weekday:
		since.Failf("%s is a %s; the hand-over is on a %s", since.Text(), weekdays[date.weekday()], weekdays[weekday])
	}
	return int(date)*dayMinutes + minute
}

func dateOf(s string) (dayNumber, bool) {
	t, err := time.Parse(time.DateOnly, strings.TrimSpace(s))
	if err != nil {
		return 0, false
	}
	return dayOf(t), true
}

// rotaReader reads who is on duty when.
type rotaReader struct {
	member func(*strict.Value) bool // says what is wrong with a name
}

// week reads a name for all of it, or names by day.
func (r rotaReader) week(v *strict.Value) (w [7][]shift) {
	if !v.IsTable() {
		all := r.day(v)
		for d := range w {
			w[d] = all
		}
		return w
	}
	set := [7]bool{}
	for _, e := range v.Entries() {
		shifts := r.day(e)
		for _, d := range daysOf(e) {
			if set[d] {
				e.KeyFailf("%s has its names already", weekdays[d])
				continue
			}
			set[d], w[d] = true, shifts
		}
	}
	return w
}

// day reads a name for the whole day, or names by hours.
func (r rotaReader) day(v *strict.Value) []shift {
	if !v.IsTable() {
		return []shift{{open{0, dayMinutes}, r.names(v)}}
	}
	var out []shift
	for _, e := range v.Entries() {
		if s, ok := openingOf(e.Key()); !ok {
			e.KeyFailf("%q are no hours; expected 07:00-20:00", short(e.Key()))
		} else if s.to <= s.from {
			e.KeyFailf("%s ends before it begins; past midnight write two days: 18:00-24:00 and 00:00-02:00", e.Key())
		} else {
			out = append(out, shift{s, r.names(e)})
			r.overlap(e, out)
		}
	}
	sorting.Func(out, func(a, z shift) int { return cmp.Compare(a.from, z.from) })
	return out
}

// overlap complains when the last of the shifts falls into another.
func (r rotaReader) overlap(v *strict.Value, shifts []shift) {
	last := shifts[len(shifts)-1]
	for _, s := range shifts[:len(shifts)-1] {
		if last.from < s.to && s.from < last.to {
			v.KeyFailf("%s overlaps other hours of the day; two people at once are a list: [a, b]", v.Key())
			return
		}
	}
}

func (r rotaReader) names(v *strict.Value) []string {
	var out []string
	for _, e := range v.Entries() {
		switch {
		case e.Text() == nobody && !v.IsList():
		case !r.member(e):
		case slices.Contains(out, e.Text()):
			e.Failf("%s stands twice", e.Text())
		default:
			out = append(out, e.Text())
		}
	}
	return out
}

// Bounds of the dates that differ: of one line, and of all.
const (
	mostExceptDays = 366
	mostExcept     = 4000
)

// exception reads a date, or 'DATE to DATE', that differs.
func (r rotaReader) exception(t *turn, v *strict.Value) {
	first, last, two := strings.Cut(v.Key(), " to ")
	if !two {
		last = first
	}
	a, ok1 := dateOf(first)
	z, ok2 := dateOf(last)
	switch {
	case !ok1 || !ok2:
		v.KeyFailf("%q is no date; expected one such as 2026-12-25, or 2026-12-24 to 2026-12-27", short(v.Key()))
		return
	case z < a:
		v.KeyFailf("%s ends before it begins", v.Key())
		return
	case z-a >= mostExceptDays:
		v.KeyFailf("%s is longer than %d days; change the weeks", v.Key(), mostExceptDays)
		return
	}
	shifts := r.day(v)
	for d := a; d <= z; d++ {
		if _, taken := t.except[d]; taken {
			v.KeyFailf("%s differs already by another line", d.utc().Format(time.DateOnly))
			return
		}
		if len(t.except) >= mostExcept {
			v.KeyFailf("more than %d dates differ", mostExcept)
			return
		}
		t.except[d] = shifts
	}
	t.last = max(t.last, z)
}
