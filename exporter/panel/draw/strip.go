package draw

import (
	"fmt"
	"html/template"
	"strconv"
	"time"

	"roundsman/collector"
)

// Span is a stretch of time.
type Span struct{ From, To time.Time }

// Strip shows when something ran: a row for each day, hour by hour of the site's own clock. Where that was set, an hour is
// missing or stands twice, one over the other.
type Strip struct {
	ID          string // within the page
	Title, Desc string // for those who do not see it; without Desc it says how long it ran on how many days
	From, To    time.Time
	Zone        *time.Location // nil: UTC
	Runs        []Span
	Unseen      []Span // when nobody looked: hatched, over everything
	Closed      []Span // when the wash is closed: shaded
}

const (
	stripTop  = 18
	stripRow  = 18 // a row with its distance to the next
	stripBar  = 12
	mostRows  = 62
	mostSpans = 2000 // drawn of each kind in a row
)

// SVG returns the drawing. Of a span of more than 62 days the first 62 are drawn.
func (s *Strip) SVG() template.HTML {
	days := s.days()
	id := plainID(s.ID)
	c := &canvas{}
	c.open("strip", id, stripTop+stripRow*max(len(days), 1), s.Title, s.desc(len(days)))
	c.hatch(id)
	c.put(`<g class="axis">`)
	for hour := 0; hour <= 24; hour += 6 {
		x := share(float64(hour) / 24)
		c.put(`<text x="`, x, `" y="11" text-anchor="`, anchor(x), `">`, strconv.Itoa(hour), `</text>`)
	}
	c.put(`</g>`)
	for i, d := range days {
		s.row(c, d, stripTop+stripRow*i, id)
	}
	c.put(`</svg>`)
	return c.html()
}

// days returns the local days of the span, each from its first moment to that of the next: 23, 24 or 25 hours.
func (s *Strip) days() (list []Span) {
	zone := zoneOr(s.Zone)
	if !s.From.Before(s.To) {
		return nil
	}
	y, m, d := s.From.In(zone).Date()
	for i := range mostRows {
		day := Span{startOfDay(y, m, d+i, zone), startOfDay(y, m, d+i+1, zone)}
		if !day.From.Before(s.To) {
			break
		}
		list = append(list, day)
	}
	return list
}

func (s *Strip) row(c *canvas, day Span, y int, id string) {
	c.put(`<g><text class="day" x="-6" y="`, y+10, `" text-anchor="end">`, words(day.From.Add(12*time.Hour).Format("Mon 2")), `</text>`)
	within := Span{collector.Later(day.From, s.From), collector.Earlier(day.To, s.To)}
	parts := stretches(day, zoneOr(s.Zone))
	place(c, "looked", "", within, within, parts, y)
	for _, k := range []struct {
		class, fill string
		spans       []Span
	}{{"closed", "", s.Closed}, {"ran", "currentColor", s.Runs}, {"unseen", "url(#" + id + "-h)", s.Unseen}} {
		for _, span := range k.spans[:min(len(k.spans), mostSpans)] {
			place(c, k.class, k.fill, span, within, parts, y)
		}
	}
	for hour := 6; hour < 24; hour += 6 {
		x := share(float64(hour) / 24)
		c.put(`<line class="hour" x1="`, x, `" x2="`, x, `" y1="`, y, `" y2="`, y+stripBar, `" stroke="currentColor"/>`)
	}
	c.put(`</g>`)
}

func zoneOr(zone *time.Location) *time.Location {
	if zone == nil {
		return time.UTC
	}
	return zone
}

// place draws the part of a span that lies within another, of a day.
func place(c *canvas, class, fill string, s, within Span, day []stretch, y int) {
	for i := range day {
		part := &day[i]
		from, to := collector.Later(collector.Later(s.From, within.From), part.From), collector.Earlier(collector.Earlier(s.To, within.To), part.To)
		if !from.Before(to) {
			continue
		}
		x, end := part.at(from), part.at(to)
		top, high := part.half.bar(stripBar)
		c.put(`<rect class="`, class, `" x="`, x, `" y="`, float64(y)+top, `" width="`, max(end-x, 0.001), `" height="`, high, `"`)
		if fill != "" {
			c.put(` fill="`, fill, `"`)
		}
		c.put(`/>`)
	}
}

func (s *Strip) desc(days int) string {
	if s.Desc != "" {
		return s.Desc
	}
	text := fmt.Sprintf("Ran for %s in %d days", hoursWords(total(s.Runs, s.From, s.To)), days)
	if unseen := total(s.Unseen, s.From, s.To); unseen > 0 {
		text += ", not seen for " + hoursWords(unseen)
	}
	return text + "." + shifted(s.days(), zoneOr(s.Zone))
}

// total returns the length of spans that do not overlap, within two times.
func total(spans []Span, from, to time.Time) (sum time.Duration) {
	for _, s := range spans {
		if a, b := collector.Later(s.From, from), collector.Earlier(s.To, to); a.Before(b) {
			sum += b.Sub(a)
		}
	}
	return sum
}

func hoursWords(d time.Duration) string {
	d = d.Round(time.Minute)
	return fmt.Sprintf("%d h %d min", int(d.Hours()), int(d.Minutes())%60)
}
