package configs

import (
	"slices"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/sorting"
	"roundsman/configs/strict"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/heartbeat"
)

// Heartbeat says how somebody outside learns that the box is alive. Where Channel is named, who runs it puts that
// channel into the options.
type Heartbeat struct {
	heartbeat.Options
	Over string // the name of an mqtt channel; "" none
}

func (b *builder) heartbeat(v *strict.Value) *Heartbeat {
	if v == nil {
		return nil
	}
	h := &Heartbeat{Over: v.Get("channel").Text()}
	o := &h.Options
	o.Site, o.Method, o.Plain, o.Proxy = b.site.Name, v.Get("method").Text(), v.Get("unencrypted").Bool(), b.proxy(v.Get("proxy"))
	o.Every = b.between(v.Get("every"), heartbeat.ShortestGap, day, heartbeat.DefaultEvery)
	switch {
	case v.Has("url") && v.Has("url-file"), v.Has("channel") && (v.Has("url") || v.Has("url-file")):
		v.KeyFailf("url, url-file and channel: the beats go one way")
	case v.Has("channel"):
		misplaced(v, "goes with a url", "method", "unencrypted", "ca-file", "proxy")
		b.beatChannel(o, v)
	case v.Has("url"), v.Has("url-file"):
		misplaced(v, "goes with a channel", "topic")
		o.URL = b.address(v.Get("url"), v.Get("url-file"), o.Plain)
	default:
		v.Missing("url, url-file or channel is missing: where do the beats go?")
	}
	o.CAFile = b.file(v.Get("ca-file"))
	return h
}

func (b *builder) beatChannel(o *heartbeat.Options, v *strict.Value) {
	if c := v.Get("channel"); c != nil {
		k, ok := b.channelOf(c, c.Text(), c.Failf)
		if ok && k.word != "mqtt" {
			c.Failf("%s is a channel to people; the beats go to an mqtt channel or a url", c.Text())
		}
	}
	if !v.Has("topic") {
		v.Missing("topic is missing: where on the broker do the beats go?")
	}
	if t := v.Get("topic"); t != nil {
		o.To = topicPattern(b, t, t.Text())
	}
}

// Drill is the schedule of the weekly test call: in each week one of Days, at a minute between From and To since
// midnight in the site's zone. What hour it is changes from week to week; package desk says how.
type Drill struct {
	Days     []time.Weekday // in the order of a week that begins on Monday
	From, To time.Duration
	Who      []callout.Who
	Within   time.Duration // the time to answer
}

// DrillContacts returns the ids of those whom a drill at m calls.
func (c *Callout) DrillContacts(m collector.Moment) []string {
	var out []string
	if c.Drill == nil {
		return nil
	}
	for _, w := range c.Drill.Who {
		people := []string{w.Person}
		if w.Person == "" {
			people, _ = c.Plan.Rotas[w.Rota].Turn.On(m)
		}
		for _, id := range people {
			if !slices.Contains(out, id) {
				out = append(out, id)
			}
		}
	}
	return out
}

// drill reads the schedule; who takes part, everybody who can be called if nobody is named.
func (b *builder) drill(v *strict.Value) *Drill {
	if v == nil {
		return nil
	}
	d := &Drill{Days: drillDays(v.Get("days")), Who: b.who(v.Get("who")), Within: b.between(v.Get("answer-within"), time.Minute, day, 10*time.Minute)}
	if between := v.Get("between"); between != nil {
		o, ok := openingOf(between.Text())
		if !ok || o.to <= o.from {
			between.Failf("%q are no hours; expected 09:00-16:00", short(between.Text()))
		}
		d.From, d.To = time.Duration(o.from)*time.Minute, time.Duration(o.to)*time.Minute
	}
	if v.Has("who") {
		return d
	}
	for _, c := range b.site.Callout.Plan.Contacts {
		d.Who = append(d.Who, callout.Who{Person: c.ID})
	}
	if len(d.Who) == 0 {
		v.KeyFailf("nobody has channels: there is nobody to call")
	}
	return d
}

func drillDays(v *strict.Value) []time.Weekday {
	var out []time.Weekday
	for _, e := range v.Entries() {
		days, ok := daysIn(e.Text())
		if !ok {
			e.Failf("unknown day %q%s; expected a day, days such as monday-friday or daily", short(e.Text()), e.Guess(strings.ToLower(e.Text()), append(weekdays[:], "daily")...))
		}
		for _, d := range days {
			out = append(out, time.Weekday(d))
		}
	}
	sorting.Func(out, func(a, z time.Weekday) int { return (int(a)+6)%7 - (int(z)+6)%7 })
	return slices.Compact(out)
}
