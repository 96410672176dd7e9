package draw

import (
	"fmt"
	"time"
)

// stretch is a part of a day in which the clock on the wall goes evenly.
type stretch struct {
	Span
	wall time.Duration // what the clock shows at its begin, since midnight
	half half
}

// half is where in its row a stretch stands: of an hour that the clock goes through twice, the first above the second.
type half uint8

const (
	whole half = iota
	upper
	lower
)

// bar returns where a bar of a height begins within its row, and how high it is; a tenth between the halves stays free.
func (h half) bar(height float64) (y, high float64) {
	part := height * 0.45
	switch h {
	case upper:
		return 0, part
	case lower:
		return height - part, part
	}
	return 0, height
}

// stretches cuts a day of the zone where its clock is shifted, so that every hour has its place by the clock on the wall: one
// that does not exist stays empty, one that comes twice is cut out twice.
func stretches(day Span, zone *time.Location) (list []stretch) {
	for at := day.From; at.Before(day.To); {
		_, end := at.In(zone).ZoneBounds()
		if end.IsZero() || end.After(day.To) {
			end = day.To
		}
		next := stretch{Span: Span{at, end}, wall: sinceMidnight(at, zone)}
		if n := len(list); n > 0 {
			last := &list[n-1]
			twice := min(last.wall+last.To.Sub(last.From)-next.wall, last.To.Sub(last.From), end.Sub(at))
			if twice > 0 {
				last.To = at.Add(-twice)
				list = append(list, stretch{Span{last.To, at}, next.wall, upper}, stretch{Span{at, at.Add(twice)}, next.wall, lower})
				next.From, next.wall = at.Add(twice), next.wall+twice
			}
		}
		if next.From.Before(next.To) {
			list = append(list, next)
		}
		at = end
	}
	return list
}

// sinceMidnight is what the clock on the wall shows.
func sinceMidnight(t time.Time, zone *time.Location) time.Duration {
	hour, minute, second := t.In(zone).Clock()
	return time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute + time.Duration(second)*time.Second
}

// at returns where a moment of the stretch stands in a day of 24 hours.
func (s *stretch) at(t time.Time) share {
	return share(float64(s.wall+t.Sub(s.From)) / float64(24*time.Hour))
}

// shifted says on which days the clock was set, for those who would look for the hour.
func shifted(days []Span, zone *time.Location) string {
	text := ""
	for _, day := range days {
		list := stretches(day, zone)
		for i := 1; i < len(list); i++ {
			a, b := &list[i-1], &list[i]
			end, date := a.wall+a.To.Sub(a.From), day.From.Add(12*time.Hour).In(zone).Format("Mon 2 January")
			switch {
			case b.half == lower:
				text += fmt.Sprintf(" On %s the time from %s to %s came twice: the first is drawn above the second.", date, clockWords(b.wall), clockWords(end))
			case b.half == whole && b.wall > end:
				text += fmt.Sprintf(" On %s there was no time from %s to %s.", date, clockWords(end), clockWords(b.wall))
			}
		}
	}
	return text
}

func clockWords(d time.Duration) string {
	return fmt.Sprintf("%02d:%02d", int(d.Hours()), int(d.Minutes())%60)
}
