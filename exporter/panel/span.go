package panel

import (
	"errors"
	"net/http"
	"net/url"
	"time"
)

// spanChoice is the span of time that a review page was asked for, and the others that it offers. An end that is zero is now;
// a begin that is zero is the usual one.
type spanChoice struct {
	From, To    time.Time
	Path        string
	First, Last string // days of the form; Last is included
	Wrong       string // what is wrong with what was asked: the usual span is shown instead
	Links       []spanLink
	Kept        []spanField // that the form keeps

	thirty time.Time // when the span of thirty days begins that was asked for by name; zero: none was
}

// begin returns the begin of the span as it was asked for; zero: none was.
func (c *spanChoice) begin() time.Time {
	if c.From.IsZero() {
		return c.thirty
	}
	return c.From
}

type spanLink struct {
	Words, URL string
	Current    bool
}

type spanField struct{ Name, Value string }

// spanChoices are offered on each review page, by name.
var spanChoices = []struct {
	name, words string
	between     func(today time.Time) (from, to time.Time) // of the day that begins then
}{
	{"7-days", "Last 7 days", nil},
	{"30-days", "Last 30 days", nil},
	{"this-week", "This week", func(d time.Time) (from, to time.Time) { return monday(d, 0), time.Time{} }},
	{"last-week", "Last week", func(d time.Time) (from, to time.Time) { return monday(d, -1), monday(d, 0) }},
	{"this-month", "This month", func(d time.Time) (from, to time.Time) { return first(d, 0), time.Time{} }},
	{"last-month", "Last month", func(d time.Time) (from, to time.Time) { return first(d, -1), first(d, 0) }},
}

// monday returns the beginning of the week (ISO 8601: it begins on Monday) so many weeks from that of d.
func monday(d time.Time, weeks int) time.Time {
	back := (int(d.Weekday()) + 6) % 7
	return time.Date(d.Year(), d.Month(), d.Day()-back+7*weeks, 0, 0, 0, 0, d.Location())
}

// first returns the beginning of the month so many months from that of d.
func first(d time.Time, months int) time.Time {
	return time.Date(d.Year(), d.Month()+time.Month(months), 1, 0, 0, 0, 0, d.Location())
}

// choose reads the span that a page was asked for: one by name, or 'from' and 'to' as the interface takes them, or 'last',
// a day that is included. usual is the name of the one that is meant without. Fields of keep stand in all links.
func choose(v url.Values, path, usual string, now time.Time, keep ...string) spanChoice {
	c := spanChoice{Path: path}
	for _, name := range keep {
		if value := v.Get(name); value != "" {
			c.Kept = append(c.Kept, spanField{name, value})
		}
	}
	picked, err := c.read(v, now)
	if err != nil {
		c.From, c.To, picked = time.Time{}, time.Time{}, ""
		c.Wrong = capital(wrongWords(err)) + "."
	}
	if picked == "" && c.From.IsZero() && c.To.IsZero() {
		picked = usual
	}
	if v.Get("span") == "30-days" {
		c.thirty = now.AddDate(0, 0, -30).Truncate(time.Minute)
	}
	switch {
	case picked == usual && c.To.IsZero() && !timed(picked): // the interface's own: its answers are shared
		c.From = time.Time{}
	case picked == "7-days":
		c.From = now.AddDate(0, 0, -7).Truncate(time.Minute)
	case picked == "30-days":
		c.From = now.AddDate(0, 0, -30).Truncate(time.Minute)
	}
	c.offer(picked, now)
	return c
}

// timed reports whether a span by name begins at a time of the calendar.
func timed(name string) bool { return name != "7-days" && name != "30-days" }

func wrongWords(err error) string {
	if prob, ok := errors.AsType[*problem](err); ok {
		return prob.Detail
	}
	return err.Error()
}

func (c *spanChoice) read(v url.Values, now time.Time) (picked string, err error) {
	if name := v.Get("span"); name != "" {
		var names []string
		for _, s := range spanChoices {
			if s.name == name {
				if s.between != nil {
					c.From, c.To = s.between(now)
				}
				return name, nil
			}
			names = append(names, s.name)
		}
		return "", problemf(http.StatusBadRequest, "there is no span %s", quoteNear(name, names)).about("span")
	}
	if err := timeOrDayField(v, "from", now.Location(), &c.From); err != nil {
		return "", err
	}
	if err := timeOrDayField(v, "to", now.Location(), &c.To); err != nil {
		return "", err
	}
	if text := v.Get("last"); text != "" {
		day, err := time.ParseInLocation(time.DateOnly, text, now.Location())
		if err != nil {
			return "", problemf(http.StatusBadRequest, "last: %q is no day such as 2026-11-28", clip(text)).about("last")
		}
		c.To = time.Date(day.Year(), day.Month(), day.Day()+1, 0, 0, 0, 0, day.Location())
		if c.To.After(now) {
			c.To = time.Time{}
		}
	}
	if end := c.end(now); !c.From.IsZero() && !c.From.Before(end) {
		return "", problemf(http.StatusBadRequest, "the first day is after the last, or has not come yet").about("from")
	}
	return "", nil
}

func (c *spanChoice) end(now time.Time) time.Time {
	if c.To.IsZero() {
		return now
	}
	return c.To
}

// offer makes the links and the days of the form.
func (c *spanChoice) offer(picked string, now time.Time) {
	for _, s := range spanChoices {
		q := url.Values{"span": {s.name}}
		for _, f := range c.Kept {
			q.Set(f.Name, f.Value)
		}
		c.Links = append(c.Links, spanLink{s.words, c.Path + "?" + q.Encode(), s.name == picked})
	}
	if !c.From.IsZero() {
		c.First = c.From.In(now.Location()).Format(time.DateOnly)
	}
	if !c.From.IsZero() || !c.To.IsZero() {
		c.Last = c.end(now).In(now.Location()).Add(-time.Nanosecond).Format(time.DateOnly)
	}
}

// stamp returns a time of a review as its heads show it: 'Mon 16 Nov 2026, 00:00'.
func stamp(t time.Time, zone *time.Location) string {
	return t.In(zone).Format("Mon 2 Jan 2006, 15:04")
}
