package draw

import (
	"html/template"
	"time"
)

// Hours shows which part of each hour something ran: a low row for each day, so that a month stands on part of a sheet of
// paper. The part that ran is black from the beginning of its hour, however often it ran within it.
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
	runs, closed := partsOf(h.Runs, h.From, h.To), partsOf(h.Closed, h.From, h.To)
	c.put(`<svg class="plot" y="`, stripTop, `" width="100%" height="`, height, `" viewBox="0 0 `, wide, ` `, height, `" preserveAspectRatio="none">`)
	c.put(`<path class="looked" d="`, h.boxes(days, func(day Span, p *pen, y float64) {
		within := Span{later(day.From, h.From), earlier(day.To, h.To)}
		box(p, wide*float64(dayShare(within.From, day)), wide*float64(dayShare(within.To, day)), y)
	}), `"/><path class="closed" d="`, h.boxes(days, hourly(closed)), `"/><path class="ran" fill="currentColor" d="`, h.boxes(days, hourly(runs)), `"/></svg>`)
	for i, day := range days {
		for _, u := range h.Unseen {
			if u.To.After(day.From) && u.From.Before(day.To) && u.To.Sub(u.From) >= 10*time.Minute {
				h.hatched(c, Span{later(later(u.From, day.From), h.From), earlier(earlier(u.To, day.To), h.To)}, day, stripTop+hoursRow*i, id)
			}
		}
	}
	c.put(`</svg>`)
	return c.html()
}

func (h *Hours) hatched(c *canvas, s, day Span, y int, id string) {
	if x, end := dayShare(s.From, day), dayShare(s.To, day); end > x {
		c.put(`<rect class="unseen" fill="url(#`, id, `-h)" x="`, x, `" y="`, y, `" width="`, end-x, `" height="`, hoursBar, `"/>`)
	}
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

func (h *Hours) boxes(days []Span, row func(day Span, p *pen, y float64)) string {
	var p pen
	for i, day := range days {
		row(day, &p, float64(hoursRow*i))
	}
	return p.path()
}

// hourly draws each hour's part from the hour's beginning.
func hourly(parts map[int64]time.Duration) func(day Span, p *pen, y float64) {
	return func(day Span, p *pen, y float64) {
		from := -1.0 // of a box that goes on
		flush := func(to float64) {
			if from >= 0 {
				box(p, from, to, y)
			}
			from = -1
		}
		for at := day.From; at.Before(day.To); at = at.Add(time.Hour) {
			x := wide * float64(dayShare(at, day))
			part := min(parts[at.Unix()/partSeconds], day.To.Sub(at))
			if part <= 0 {
				flush(x)
				continue
			}
			if from < 0 {
				from = x
			}
			if part < time.Hour {
				flush(wide * float64(dayShare(at.Add(part), day)))
			}
		}
		flush(wide)
	}
}

// partSeconds is the grid on which parts are kept: zones are shifted by quarters of an hour at the finest.
const partSeconds = 900

// partsOf sums spans by the hour. The key is the quarter in which the hour begins, so that hours of any zone are found.
func partsOf(spans []Span, from, to time.Time) map[int64]time.Duration {
	quarters := map[int64]time.Duration{}
	for _, s := range spans {
		for at, end := later(s.From, from), earlier(s.To, to); at.Before(end); {
			q := at.Unix() / partSeconds
			next := earlier(time.Unix((q+1)*partSeconds, 0), end)
			quarters[q] += next.Sub(at)
			at = next
		}
	}
	hours := make(map[int64]time.Duration, len(quarters))
	for q, d := range quarters {
		for back := range int64(3600 / partSeconds) {
			hours[q-back] += d
		}
	}
	return hours
}

// box adds a bar to a path.
func box(p *pen, from, to, y float64) {
	if to-from < 0.1 {
		return
	}
	p.move(from, y)
	p.line(to, y)
	p.line(to, y+hoursBar)
	p.line(from, y+hoursBar)
	p.close()
}
