package configs

import (
	"slices"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/configs/strict"
)

// hours are weekly opening hours in a time zone, with dates that differ. They
// implement rules.Hours. Times are those on the wall: where daylight saving
// skips the hour that opening falls into, it opens when that hour is over;
// where it repeats an hour, opening happens the first time and closing the last.
type hours struct {
	zone   *time.Location
	week   [7][]open // by time.Weekday
	except map[date][]open
}

// open is a stretch of one day in minutes from midnight; to may be 1440.
type open struct{ from, to int }

type date struct {
	year  int
	month time.Month
	day   int
}

// At reports whether the moment is inside the hours and when that changes next;
// Never when it does not change within two years.
func (h *hours) At(m collector.Moment) (inside bool, next collector.Moment) {
	t := time.Unix(0, int64(m)).In(h.zone)
	y, mo, d := t.Date()
	edge := collector.Never
	for i := -1; i <= 800; i++ {
		for _, s := range h.spans(y, mo, d+i) {
			switch {
			case s.to <= m:
			case s.from <= m:
				if !inside {
					edge = s.to
				}
				inside = true
				edge = max(edge, s.to)
			case !inside:
				return false, s.from
			case s.from <= edge: // goes on without a break, over midnight
				edge = max(edge, s.to)
			default:
				return true, edge
			}
		}
		if inside && i >= 2 && edge < collector.Moment(time.Date(y, mo, d+i, 0, 0, 0, 0, h.zone).UnixNano()) {
			return true, edge
		}
	}
	if inside {
		return true, collector.Never
	}
	return false, collector.Never
}

type stretch struct{ from, to collector.Moment }

// spans returns the stretches of one date, in order.
func (h *hours) spans(y int, m time.Month, d int) []stretch {
	noon := time.Date(y, m, d, 12, 0, 0, 0, h.zone)
	y, m, d = noon.Date()
	day, ok := h.except[date{y, m, d}]
	if !ok {
		day = h.week[noon.Weekday()]
	}
	out := make([]stretch, 0, len(day))
	for _, o := range day {
		s := stretch{wall(h.zone, y, m, d, o.from, false), wall(h.zone, y, m, d, o.to, true)}
		if s.from < s.to {
			out = append(out, s)
		}
	}
	return out
}

// longestStep is more than any clock on a wall was ever set forward or back: by a day, where a zone changed sides of the
// date line.
const longestStep = 25 * time.Hour

// wall returns the moment at which the clock on a zone's walls reads a time. The
// readings it skips stand for the moment of the skip; of two it returns the
// first, or with last the last.
func wall(zone *time.Location, y int, m time.Month, d, minute int, last bool) collector.Moment {
	t := time.Date(y, m, d, 0, minute, 0, 0, zone)
	start, end := t.ZoneBounds()
	if (start.IsZero() || t.Sub(start) > longestStep) && (end.IsZero() || end.Sub(t) > longestStep) {
		return collector.At(t)
	}
	_, offset := t.Zone()
	naive := time.Date(y, m, d, 0, minute, 0, 0, time.UTC).Unix()
	if t.Unix()+int64(offset) != naive { // skipped
		if !end.IsZero() && end.Sub(t) < t.Sub(start) {
			return collector.At(end)
		}
		return collector.At(start)
	}
	for _, edge := range [...]time.Time{start, end} {
		if edge.IsZero() {
			continue
		}
		_, before := edge.Add(-time.Second).Zone()
		_, after := edge.Zone()
		for _, o := range [...]int{before, after} {
			other := time.Unix(naive-int64(o), 0)
			_, is := other.In(zone).Zone()
			if is == o && (last && other.After(t) || !last && other.Before(t)) {
				t = other
			}
		}
	}
	return collector.At(t)
}

var weekdays = [...]string{"sunday", "monday", "tuesday", "wednesday", "thursday", "friday", "saturday"}

// hours reads {monday-friday: 07:00-20:00, sunday: [08:00-12:00, 14:00-18:00], except: {2026-12-25: closed}}.
func (b *builder) hours(v *strict.Value) *hours {
	h := &hours{zone: b.site.Zone, except: map[date][]open{}}
	set := [7]bool{}
	for _, e := range v.Entries() {
		if e.Key() == "except" {
			b.exceptions(h, e)
			continue
		}
		if e.IsTable() {
			e.Failf("expected times such as 07:00-20:00, or closed")
			continue
		}
		days := daysOf(e, "except")
		spans := openings(e)
		for _, d := range days {
			if set[d] {
				e.KeyFailf("%s has its hours already", weekdays[d])
				continue
			}
			set[d], h.week[d] = true, spans
		}
	}
	return h
}

func (b *builder) exceptions(h *hours, v *strict.Value) {
	if !v.IsTable() {
		v.Failf("expected dates with their times: {2026-12-25: closed}")
		return
	}
	for _, e := range v.Entries() {
		t, err := time.Parse("2006-01-02", e.Key())
		if err != nil {
			e.KeyFailf("%q is no date; expected one such as 2026-12-25", short(e.Key()))
			continue
		}
		y, m, d := t.Date()
		h.except[date{y, m, d}] = openings(e)
	}
}

// daysOf reads a key such as 'monday', 'monday-friday' or 'daily'; others are the words that may stand in its place.
func daysOf(v *strict.Value, others ...string) []int {
	days, ok := daysIn(v.Key())
	if !ok {
		words := append([]string{"daily"}, others...)
		v.KeyFailf("unknown day %q%s; expected a day, days such as monday-friday%s", short(v.Key()),
			v.Guess(strings.ToLower(v.Key()), slices.Concat(weekdays[:], words)...), orWords(words))
	}
	return days
}

// orWords is the end of a list of what is expected: ', daily or except'.
func orWords(words []string) string {
	last := len(words) - 1
	out := ""
	for _, w := range words[:last] {
		out += ", " + w
	}
	return out + " or " + words[last]
}

// daysIn returns the days of 'monday', 'monday-friday' or 'daily', as time.Weekday counts them.
func daysIn(text string) (days []int, ok bool) {
	name := strings.ToLower(text)
	if name == "daily" {
		return []int{0, 1, 2, 3, 4, 5, 6}, true
	}
	first, last, span := strings.Cut(name, "-")
	a, ok1 := weekday(first)
	z, ok2 := a, ok1
	if span {
		z, ok2 = weekday(last)
	}
	if !ok1 || !ok2 {
		return nil, false
	}
	out := []int{a}
	for d := a; d != z; {
		d = (d + 1) % 7
		out = append(out, d)
	}
	return out, true
}

func weekday(s string) (int, bool) {
	if len(s) < 3 {
		return 0, false
	}
	i := slices.IndexFunc(weekdays[:], func(d string) bool { return d == s || d[:3] == s })
	return i, i >= 0
}

// openings reads 'closed' or stretches of one day, which rise and do not overlap.
func openings(v *strict.Value) []open {
	var out []open
	for _, e := range v.Entries() {
		if e.Text() == "closed" {
			continue
		}
		o, ok := openingOf(e.Text())
		switch {
		case !ok:
			e.Failf("%q are no hours; expected 07:00-20:00 or closed", short(e.Text()))
		case o.to <= o.from:
			e.Failf("%s ends before it begins; past midnight write two days: 18:00-24:00 and 00:00-02:00", e.Text())
		case len(out) > 0 && o.from < out[len(out)-1].to:
			e.Failf("%s begins before the hours before it end", e.Text())
		default:
			out = append(out, o)
		}
	}
	return out
}

// openingOf reads '07:00-20:00'.
func openingOf(s string) (open, bool) {
	first, last, ok := strings.Cut(s, "-")
	from, ok1 := clock(first)
	to, ok2 := clock(last)
	return open{from, to}, ok && ok1 && ok2
}

// clock reads '7:00' or '07:00', up to 24:00, in minutes from midnight.
func clock(s string) (int, bool) {
	h, m, ok := strings.Cut(strings.TrimSpace(s), ":")
	if !ok || len(h) < 1 || len(h) > 2 || len(m) != 2 {
		return 0, false
	}
	n := 0
	for _, c := range h + m {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	minutes := n/100*60 + n%100
	return minutes, n%100 < 60 && minutes <= 24*60
}
