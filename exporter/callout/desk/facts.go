package desk

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/rules"
)

// Facts are what the texts of a message are made of, ready to be read: each is a phrase without a full stop, or "".
type Facts struct {
	Site        string
	Mark        string // 'STILL' where it was told before, 'CHATTERING', 'NORMAL'
	What        string // 'AIR header pressure 5.3 bar, low 5.5'
	Limit       string // 'low limit 5.5 bar', for long texts
	Trend       string // 'falling'
	Severity    string // 'severe'
	Priority    string // 'high'
	Since       string // 'since 06:12'
	Date        string // the same with day and zone, for long texts
	Cause       string // 'Signal too low: 3.4 mA is below 3.6 mA'
	Follow      string // '12 alarms follow, first: compressor fault'
	Others      string // 'and 2 more alarms', of the same message
	List        string // all alarms of the message and what follows from them, one a line, for long texts
	Consequence string
	Response    string // 'Stop loading cars; check compressor panel'
	Was         string // of a return: 'was low 7 min (lowest 4.9)'
	Acked       string // of a return: 'Acknowledged 06:13 by N. Quill'
	Reply       string // 'Reply OK 7'
	Link        string
	Caution     string
}

// message writes the message of notices of one kind, the worst first.
func (d *Desk) message(id string, list []notice, alarms []string) callout.Message {
	n := &list[0]
	r := d.rule(n.Rule)
	m := callout.Message{Alarm: r.Name, Priority: r.Priority}
	c := d.callOf(n)
	if c == nil {
		c = &call{Rule: n.Rule, Started: cmp.Or(n.Since, d.now), Starts: n.Count}
	}
	m.Thread = r.Name + "-" + strconv.FormatInt(int64(c.Started)/int64(time.Millisecond), 36)
	f := d.facts(c, list)
	form := d.texts.alarm
	switch n.Kind {
	case aboutReturn:
		m.Subject, form = callout.AboutReturn, d.texts.back
		d.returnFacts(&f, c, list)
	case aboutChatter:
		f.Mark, f.Since = "CHATTERING", fmt.Sprintf("%d starts %s", n.Count, d.since(n.Since))
		f.Severity = ""
	}
	if n.Kind != aboutReturn && d.canAnswer(id) {
		m.Number = d.numberFor(alarms)
		f.Reply = "Reply OK " + strconv.Itoa(m.Number)
		if d.o.Link != nil {
			m.Link = d.o.Link(n.Rule, id, d.o.Time(d.now))
			f.Link = m.Link
		}
	}
	form.write(&m, f)
	return m
}

// facts gathers what is to say about the first call of a list.
func (d *Desk) facts(c *call, list []notice) Facts {
	r := d.rule(c.Rule)
	f := Facts{
		Site: d.o.Plan.Site, Priority: r.Priority.String(), Since: d.since(c.Started), Date: d.date(c.Started),
		Consequence: stop(r.Consequence), Response: stop(r.Response), Caution: callout.Caution,
	}
	if r.Severity != rules.NoSeverity {
		f.Severity = r.Severity.String()
	}
	value := c.value()
	if d.o.Look != nil && !c.Over {
		look := d.o.Look(c.Rule)
		f.Trend = look.Trend
		if !math.IsNaN(look.Value) {
			value = look.Value
		}
		if look.Lost {
			f.Trend = "reading lost, take as still in alarm"
		}
	}
	f.What, f.Limit = d.what(r, value, c)
	f.Cause = capital(stop(c.Why))
	if list[0].Again {
		f.Mark = "STILL"
	}
	if n := len(c.Follows); n > 0 {
		f.Follow = fmt.Sprintf("%s, first: %s", count(n, "alarm follows", "alarms follow"), d.alarmWords(d.rule(c.Follows[0])))
	}
	if n := len(list) - 1; n > 0 {
		f.Others = fmt.Sprintf("%s, next: %s", count(n, "more alarm", "more alarms"), d.alarmWords(d.rule(list[1].Rule)))
	}
	f.List = d.listed(c, list)
	return f
}

// listed names everything the message stands for, one a line.
func (d *Desk) listed(c *call, list []notice) string {
	var lines []string
	for i := range list[1:] {
		lines = append(lines, "Also: "+d.brief(list[i+1].Rule))
	}
	for _, rule := range c.Follows {
		lines = append(lines, "Follows: "+d.alarmWords(d.rule(rule)))
	}
	return strings.Join(lines, "\n")
}

func (d *Desk) returnFacts(f *Facts, c *call, list []notice) {
	r := d.rule(c.Rule)
	f.Mark, f.Trend, f.Response, f.Consequence, f.Cause, f.Severity = "NORMAL", "", "", "", "", ""
	f.What, f.Since, f.Date = d.place(r), d.since(c.Returned), d.date(c.Returned)
	if limited(r) && c.Value != nil {
		f.What += " " + quantity(r, *c.Value)
	} else if !limited(r) {
		f.What = d.alarmWords(r)
	}
	f.Was = "was in alarm " + length(c.Returned.Sub(c.Started))
	if limited(r) {
		f.Was = "was " + r.Kind.String() + " " + length(c.Returned.Sub(c.Started))
		if c.Peak != nil {
			f.Was += " (" + extreme(r) + " " + trim(strconv.FormatFloat(*c.Peak, 'f', r.Digits, 64)) + ")"
		}
	}
	if c.Starts > 1 {
		f.Was += fmt.Sprintf(", %d starts", c.Starts)
	}
	if c.Acked {
		f.Acked = "Acknowledged " + d.clock(c.AckedAt) + " by " + c.AckedBy
	}
	f.Others = ""
	if n := len(list) - 1; n > 0 {
		f.Others = fmt.Sprintf("%s normal too", count(n, "other", "others"))
	}
}

func extreme(r *rules.Rule) string {
	if r.Kind == rules.Low || r.Kind == rules.LowLow {
		return "lowest"
	}
	return "highest"
}

func (c *call) value() float64 {
	if c.Value == nil {
		return math.NaN()
	}
	return *c.Value
}

// limited reports whether the rule compares the point itself with a limit.
func limited(r *rules.Rule) bool { return r.Kind <= rules.HighHigh }

// what words the alarm with its value and limit, without code numbers.
func (d *Desk) what(r *rules.Rule, value float64, c *call) (what, limit string) {
	place := d.place(r)
	switch {
	case r.Kind == rules.BadSignal:
		return "FAULT " + place + " sensor, not a limit alarm", ""
	case r.Kind == rules.StaleSignal:
		return "FAULT " + place + " sensor sends nothing new, not a limit alarm", ""
	case r.Kind == rules.Stuck:
		return "FAULT " + place + " sensor does not move, not a limit alarm", ""
	case limited(r) && math.IsNaN(value):
		return fmt.Sprintf("%s, %s %s", place, r.Kind, quantity(r, r.Limit)), ""
	case limited(r):
		return fmt.Sprintf("%s %s, %s %s", place, quantity(r, value), r.Kind, bare(r, r.Limit)), fmt.Sprintf("%s limit %s", r.Kind, quantity(r, r.Limit))
	case r.Kind == rules.Rate && !math.IsNaN(value):
		way := "rises "
		if value < 0 {
			way = "falls "
		}
		return place + " " + way + quantity(r, math.Abs(value)), "limit " + quantity(r, math.Abs(r.Limit))
	case r.Kind == rules.Deviation && !math.IsNaN(value):
		return fmt.Sprintf("%s off by %s", place, quantity(r, value)), "limit " + quantity(r, r.Limit)
	case r.Kind == rules.NotReached && !math.IsNaN(value):
		return fmt.Sprintf("%s %s, %s not reached in %s", place, quantity(r, value), bare(r, r.Limit), length(r.Window)), ""
	case r.Kind == rules.TotalAbove && !math.IsNaN(value):
		return fmt.Sprintf("%s %s in %s, limit %s", place, quantity(r, value), length(r.Window), bare(r, r.Limit)), ""
	case r.Kind == rules.RunsLonger:
		return place + " for over " + length(r.Window), ""
	case r.Kind == rules.IdleLonger:
		return place + " not for over " + length(r.Window), ""
	case r.Kind == rules.StartsAbove && !math.IsNaN(value):
		return fmt.Sprintf("%s %s starts in %s, limit %s", place, trim(strconv.FormatFloat(value, 'f', 0, 64)), length(r.Window), trim(strconv.FormatFloat(r.Limit, 'f', 0, 64))), ""
	}
	return d.alarmWords(r), ""
}

// place names the station and the quantity: 'AIR header pressure'.
func (d *Desk) place(r *rules.Rule) string {
	if r.Point < 0 || int(r.Point) >= len(d.o.Points) {
		return d.alarmWords(r)
	}
	p := &d.o.Points[r.Point]
	name := strings.TrimPrefix(p.Name, p.Station+".")
	return strings.TrimSpace(strings.ToUpper(p.Station) + " " + spaced(name))
}

// alarmWords names the alarm: 'POWER mains lost' for the rule mains-lost of a point of that station.
func (d *Desk) alarmWords(r *rules.Rule) string {
	words := spaced(r.Name)
	if r.Point < 0 || int(r.Point) >= len(d.o.Points) {
		return words
	}
	station := d.o.Points[r.Point].Station
	return strings.TrimSpace(strings.ToUpper(station) + " " + strings.TrimPrefix(words, station+" "))
}

func spaced(name string) string {
	return strings.Join(strings.FieldsFunc(name, func(r rune) bool { return r == '.' || r == '-' || r == ':' || r == '_' }), " ")
}

// brief words an alarm in a list: 'AIR header pressure 5.3 bar, low 5.5'.
func (d *Desk) brief(rule int) string {
	r := d.rule(rule)
	c := d.calls[rule]
	if c == nil {
		return d.alarmWords(r)
	}
	what, _ := d.what(r, c.value(), c)
	return what
}

// bare prints a value with the rule's digits, more where a limit needs them.
func bare(r *rules.Rule, v float64) string {
	if math.Abs(v) >= 1e9 {
		return strconv.FormatFloat(v, 'g', 3, 64)
	}
	text := strconv.FormatFloat(v, 'f', r.Digits, 64)
	if exact := strconv.FormatFloat(v, 'f', -1, 64); v == r.Limit && len(exact) > len(text) && len(exact) < 12 {
		text = exact
	}
	return trim(text)
}

func quantity(r *rules.Rule, v float64) string { return strings.TrimSpace(bare(r, v) + " " + r.Unit) }

// trim avoids '-0'.
func trim(s string) string {
	if f, err := strconv.ParseFloat(s, 64); err == nil && f == 0 {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// since tells a moment in site time; how long ago where the box does not know the time.
func (d *Desk) since(m collector.Moment) string {
	if !d.clockSet() {
		return "for " + length(d.now.Sub(m)) + ", box clock not set"
	}
	return "since " + d.clock(m)
}

// clock tells a moment in site time, with the day if it is not today.
func (d *Desk) clock(m collector.Moment) string {
	if !d.clockSet() {
		return length(d.now.Sub(m)) + " ago"
	}
	t, today := d.o.Time(m).In(d.o.Zone), d.o.Time(d.now).In(d.o.Zone)
	if t.YearDay() == today.YearDay() && t.Year() == today.Year() {
		return t.Format("15:04")
	}
	return t.Format("Mon 2 Jan 15:04")
}

func (d *Desk) date(m collector.Moment) string {
	if !d.clockSet() {
		return d.since(m)
	}
	return "since " + d.o.Time(m).In(d.o.Zone).Format("15:04:05 on Monday 2 January 2006 (MST)")
}

// length prints a duration as people say it: '45 s', '7 min', '4 h 30 min', '2 d'.
func length(t time.Duration) string {
	switch {
	case t < 0:
		return "0 s"
	case t < 90*time.Second:
		return fmt.Sprintf("%d s", int(t.Round(time.Second)/time.Second))
	case t < 2*time.Hour:
		return fmt.Sprintf("%d min", int(t.Round(time.Minute)/time.Minute))
	case t < 48*time.Hour && t%time.Hour < time.Minute:
		return fmt.Sprintf("%d h", int(t/time.Hour))
	case t < 48*time.Hour:
		return fmt.Sprintf("%d h %d min", int(t/time.Hour), int(t%time.Hour/time.Minute))
	}
	return fmt.Sprintf("%d d", int(t/(24*time.Hour)))
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// stop takes the last full stop off.
func stop(s string) string { return strings.TrimSuffix(strings.TrimSpace(s), ".") }

// summary tells what was held back, and takes over the calls that are still open.
func (d *Desk) summary(id string, p *person) callout.Message {
	counts, order := map[string]int{}, []string{}
	for _, h := range p.Held {
		for _, name := range h.Alarms {
			if counts[name] == 0 {
				order = append(order, name)
			}
			counts[name]++
		}
	}
	var words, open []string
	for _, name := range order {
		rule := d.ruleOf(name)
		if rule < 0 {
			words = append(words, spaced(name))
			continue
		}
		text := d.alarmWords(d.rule(rule))
		if counts[name] > 1 {
			text += fmt.Sprintf(" (%d)", counts[name])
		}
		if c := d.calls[rule]; c != nil && !c.Over && !c.Acked {
			text += " OPEN"
			open = append(open, name)
			c.Told, c.All = union(c.Told, []string{id}), union(c.All, []string{id})
		}
		words = append(words, text)
	}
	n := len(p.Held) + p.More
	m := callout.Message{Subject: callout.AboutHeldBack, Thread: "held-back", Title: fmt.Sprintf("%s: %s held back", d.o.Plan.Site, count(n, "message", "messages"))}
	reply := ""
	if len(open) > 0 {
		m.Number = d.numberFor(open)
		m.Alarm, reply = open[0], fmt.Sprintf(". Reply OK %d", m.Number)
	}
	head := fmt.Sprintf("%s: %s held back %s (limit %d an hour)", d.o.Plan.Site, count(n, "message", "messages"), d.since(p.Held[0].At), d.o.Plan.PerHour)
	m.Short = listShort(head+": ", words, reply)
	m.Text = head + ":\n" + strings.Join(words, "\n") + "\n\n"
	if reply != "" {
		m.Text += strings.TrimPrefix(reply, ". ") + " to acknowledge what is OPEN.\n\n"
	}
	m.Text += callout.Caution
	m.HTML = html(m.Title, m.Text, "")
	return m
}

// listShort fits as many of the words as there is room for, and counts the rest.
func listShort(head string, words []string, tail string) string {
	for n := len(words); n > 0; n-- {
		text := head + strings.Join(words[:n], ", ")
		if n < len(words) {
			text += fmt.Sprintf(" and %d more", len(words)-n)
		}
		if text = callout.Plain(text + tail); excess(text) <= 0 {
			return text
		}
	}
	return clip(callout.Plain(strings.TrimSuffix(head, ": ")), callout.Room-len(tail)) + tail
}
