package draw

import (
	"html/template"
	"time"

	"roundsman/collector"
)

// Hours shows which part of each hour something ran: a low row for each day, so that a month stands on part of a sheet of
// paper. The part that ran is black from the beginning of its hour, however often it ran within it. Where the clock was
// set, an hour is missing or stands twice, one over the other.
type Hours struct {
	ID          string // within the page
	Title, Desc string // for those who do not see it; without Desc it says how long it ran on how many days
	From, To    time.Time
	Zone        *time.Location // nil: UTC
	Runs        []Span         // in order of time, without overlap, as Unseen and Closed
	Unseen      []Span         // when nobody looked: hatched
	Closed      []Span         // when the wash is closed: shaded
}

const (
	hoursRow = 7 // a row with its distance to the next
	hoursBar = 5
)

// SVG returns the drawing. Of a span of more than 62 days the first 62 are drawn.
func (h *Hours) SVG() template.HTML {
	s := &Strip{From: h.From, To: h.To, Zone: h.Zone, Runs: h.Runs, Unseen: h.Unseen, Desc: h.Desc}
	days, id := s.days(), plainID(h.ID)
	height := hoursRow * max(len(days), 1)
	c := &canvas{}
	c.open("hours", id, stripTop+height+hoursRow, h.Title, s.desc(len(days)))
	c.hatch(id)
	h.axis(c, days)
	zone := zoneOr(h.Zone)
	runs, closed := partsOf(h.Runs, h.From, h.To), partsOf(h.Closed, h.From, h.To)
	c.put(`<svg class="plot" y="`, stripTop, `" width="100%" height="`, height, `" viewBox="0 0 `, wide, ` `, height, `" preserveAspectRatio="none">`)
	c.put(`<path class="looked" d="`, boxes(days, zone, func(s *stretch, p *pen, y float64) {
		box(p, s, collector.Later(s.From, h.From), collector.Earlier(s.To, h.To), y)
	}), `"/><path class="closed" d="`, boxes(days, zone, hourly(closed)), `"/><path class="ran" fill="currentColor" d="`, boxes(days, zone, hourly(runs)), `"/></svg>`)
	for i, day := range days {
		for _, s := range stretches(day, zone) {
			for _, u := range h.Unseen {
				if u.To.Sub(u.From) >= 10*time.Minute {
					hatchHours(c, &s, collector.Later(collector.Later(u.From, s.From), h.From), collector.Earlier(collector.Earlier(u.To, s.To), h.To), stripTop+hoursRow*i, id)
				}
			}
		}
	}
	c.put(`</svg>`)
	return c.html()
}

func hatchHours(c *canvas, s *stretch, from, to time.Time, y int, id string) {
	if !from.Before(to) {
		return
	}
	x := s.at(from)
	top, high := s.half.bar(hoursBar)
	c.put(`<rect class="unseen" fill="url(#`, id, `-h)" x="`, x, `" y="`, float64(y)+top, `" width="`, s.at(to)-x, `" height="`, high, `"/>`)
}

// axis writes the hours above and the Mondays beside.
func (h *Hours) axis(c *canvas, days []Span) {
	c.put(`<g class="axis">`)
	for hour := 0; hour <= 24; hour += 6 {
		x := share(float64(hour) / 24)
		c.put(`<text x="`, x, `" y="11" text-anchor="`, anchor(x), `">`, hour, `</text>`)
	}
	for i, day := range days {
		noon := day.From.Add(12 * time.Hour)
		if first := i == 0 && (len(days) < 3 || days[1].From.Weekday() != time.Monday); first || noon.Weekday() == time.Monday {
			c.put(`<text class="day" x="-6" y="`, stripTop+hoursRow*i+8, `" text-anchor="end">`, words(noon.Format("Mon 2")), `</text>`)
		}
	}
	c.put(`</g>`)
}

// boxes draws each stretch of each day.
func boxes(days []Span, zone *time.Location, row func(s *stretch, p *pen, y float64)) string {
	var p pen
	for i, day := range days {
		for _, s := range stretches(day, zone) {
			row(&s, &p, float64(hoursRow*i))
		}
	}
	return p.path()
}

// hourly draws each hour's part from the hour's beginning.
func hourly(parts map[int64]time.Duration) func(s *stretch, p *pen, y float64) {
	return func(s *stretch, p *pen, y float64) {
		var from time.Time // of a box that goes on; zero: none
		flush := func(to time.Time) {
			if !from.IsZero() {
				box(p, s, from, to, y)
			}
			from = time.Time{}
		}
		for at := s.From; at.Before(s.To); {
			next := collector.Earlier(at.Add(time.Hour-(s.wall+at.Sub(s.From))%time.Hour), s.To)
			part := partWithin(parts, at, next)
			if part <= 0 {
				flush(at)
			} else if from.IsZero() {
				from = at
			}
			if part > 0 && part < next.Sub(at) {
				flush(at.Add(part))
			}
			at = next
		}
		flush(s.To)
	}
}

// partSeconds is the grid on which parts are kept: zones are shifted by quarters of an hour at the finest.
const partSeconds = 900

// partsOf sums spans by quarters of an hour.
func partsOf(spans []Span, from, to time.Time) map[int64]time.Duration {
	quarters := map[int64]time.Duration{}
	for _, s := range spans {
		for at, end := collector.Later(s.From, from), collector.Earlier(s.To, to); at.Before(end); {
			q := at.Unix() / partSeconds
			next := collector.Earlier(time.Unix((q+1)*partSeconds, 0), end)
			quarters[q] += next.Sub(at)
			at = next
		}
	}
	return quarters
}

// partWithin sums the quarters that begin in a stretch of an hour at most.
func partWithin(quarters map[int64]time.Duration, from, to time.Time) (sum time.Duration) {
	for q := from.Unix() / partSeconds; q*partSeconds < to.Unix(); q++ {
		sum += quarters[q]
	}
	return min(sum, to.Sub(from))
}

// box adds a bar to a path.
func box(p *pen, s *stretch, begin, end time.Time, y float64) {
	from, to := wide*float64(s.at(begin)), wide*float64(s.at(end))
	if to-from < 0.1 {
		return
	}
	top, high := s.half.bar(hoursBar)
	p.move(from, y+top)
	p.line(to, y+top)
	p.line(to, y+top+high)
	p.line(from, y+top+high)
	p.close()
}
