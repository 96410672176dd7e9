package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"roundsman/collector"
	"roundsman/collector/sorting"
	"roundsman/exporter"
	"roundsman/rules"
)

// watchesOnly stands under everything people see.
const watchesOnly = "Watches only. Not a safety device. Isolate and release stored air and oil pressure\nby your lock-out procedure before touching anything."

// screen draws the live summary of a view, at most width columns wide and height lines high:
// what is wrong, worst first, then one paragraph a station, then the links.
type screen struct {
	width, height int
	address       string
	note          string // what the demo plays
	called        string // the latest call; "" none
}

func (s *screen) draw(v *exporter.View) []string {
	title := v.Site.Name
	if v.Site.Demo {
		title += ", a practice plant"
	}
	lines := []string{s.spread(title+"   "+v.Time.In(v.Site.Zone).Format("Mon 15:04:05"), s.address), ""}
	lines = append(lines, s.alarms(v)...)
	lines = append(lines, "")
	foot := s.foot(v)
	stations := s.stations(v, s.height-len(lines)-len(foot))
	lines = append(lines, stations...)
	lines = append(lines, foot...)
	for i, l := range lines {
		lines[i] = clip(l, s.width)
	}
	return lines[:min(len(lines), s.height)]
}

// spread puts one text at each end of a line.
func (s *screen) spread(left, right string) string {
	gap := s.width - utf8.RuneCountInString(left) - utf8.RuneCountInString(right)
	return left + strings.Repeat(" ", max(2, gap)) + right
}

// alarms lists what is active, worst first, with the first response.
func (s *screen) alarms(v *exporter.View) []string {
	active := activeAlarms(v)
	if len(active) == 0 {
		return []string{"All quiet."}
	}
	most := max(1, (s.height-14)/2)
	var out []string
	for i, a := range active {
		if i == most {
			out = append(out, fmt.Sprintf("and %d more", len(active)-i))
			break
		}
		out = append(out, alarmLine(v, a), "          "+v.Site.Rules[a.Rule].Response)
	}
	return out
}

// activeAlarms returns what a person must see: active and not set aside, worst and oldest first.
func activeAlarms(v *exporter.View) []rules.Status {
	var active []rules.Status
	for _, a := range v.Alarms {
		if standing(a.State) {
			active = append(active, a)
		}
	}
	sorting.StableFunc(active, func(a, b rules.Status) int {
		if p := int(v.Site.Rules[b.Rule].Priority) - int(v.Site.Rules[a.Rule].Priority); p != 0 {
			return p
		}
		return int(min(1, max(-1, a.Started-b.Started)))
	})
	return active
}

// standing reports whether an alarm in this state asks for somebody.
func standing(s rules.State) bool {
	return s >= rules.Unacknowledged && s <= rules.LatchAcknowledged
}

func alarmLine(v *exporter.View, a rules.Status) string {
	r := &v.Site.Rules[a.Rule]
	text := fmt.Sprintf("%-8s  %s since %s: %s", strings.ToUpper(r.Priority.String()), r.Name, timeOf(v, a.Started),
		r.Describe(a.Value, v.Site.Points))
	switch {
	case a.ReadingLost:
		text += " (reading lost: take it as still in alarm)"
	case !a.Active:
		text += " (back to normal, not acknowledged)"
	}
	if n := len(a.Consequences); n > 0 {
		text += fmt.Sprintf(" (and %d that follow from it)", n)
	}
	return text
}

// timeOf gives a moment in the site's own time.
func timeOf(v *exporter.View, m collector.Moment) string {
	return v.Time.Add(m.Sub(v.At)).In(v.Site.Zone).Format("15:04:05")
}

func firstSentence(text string) string {
	if i := strings.Index(text, ". "); i > 0 {
		return text[:i+1]
	}
	return text
}

// stations gives each station a paragraph: numbers with units, then what is on.
func (s *screen) stations(v *exporter.View, room int) []string {
	order, byStation := groupByStation(v.Site)
	each := max(1, room/max(1, len(order)))
	var out []string
	for _, name := range order {
		out = append(out, s.paragraph(name, stationWords(v, byStation[name]), each)...)
	}
	return out
}

// groupByStation returns the stations in the order of their first points, without the box's own.
func groupByStation(site *exporter.Site) (order []string, points map[string][]collector.PointID) {
	points = map[string][]collector.PointID{}
	for _, p := range site.Points {
		if p.Station == "box" {
			continue
		}
		if points[p.Station] == nil {
			order = append(order, p.Station)
		}
		points[p.Station] = append(points[p.Station], p.ID)
	}
	return order, points
}

// stationWords puts what is not good first, then numbers, then the states that are on.
func stationWords(v *exporter.View, points []collector.PointID) []string {
	var faulty, numbers, on []string
	for _, id := range points {
		p, r := &v.Site.Points[id], v.Readings[id]
		switch {
		case r.Quality == collector.Unread:
		case r.Quality == collector.Bad:
			faulty = append(faulty, "! "+label(p)+": "+r.Fault.String())
		case p.Kind == collector.State:
			if r.Value != 0 {
				on = append(on, label(p))
			}
		case p.Kind == collector.Number:
			numbers = append(numbers, label(p)+" "+withUnit(p, r.Value))
		}
	}
	return slices.Concat(faulty, numbers, on)
}

const stationColumn = 13

// paragraph fills lines with words; what does not fit is counted, not hidden.
func (s *screen) paragraph(station string, words []string, lines int) []string {
	room := max(20, s.width-stationColumn)
	out := []string{""}
	for i, w := range words {
		last := &out[len(out)-1]
		rest := fmt.Sprintf(" +%d", len(words)-i)
		need := utf8.RuneCountInString(*last) + utf8.RuneCountInString(w) + 3
		switch {
		case *last == "":
			*last = w
		case need+len(rest) <= room || (need <= room && len(out) < lines):
			*last += " · " + w
		case len(out) < lines:
			out = append(out, w)
		default:
			*last += rest
			return s.indent(station, out)
		}
	}
	return s.indent(station, out)
}

func (s *screen) indent(station string, lines []string) []string {
	for i, l := range lines {
		lines[i] = fmt.Sprintf("%-*s%s", stationColumn, station, l)
		station = ""
	}
	return lines
}

// foot shows the links, the demo's note and the caution.
func (s *screen) foot(v *exporter.View) []string {
	var words []string
	for _, l := range v.Links {
		words = append(words, linkWords(l))
	}
	out := append([]string{""}, s.paragraph("links", words, 2)...)
	if s.called != "" {
		out = append(out, s.paragraph("called", []string{s.called}, 1)...)
	}
	if s.note != "" {
		out = append(out, s.paragraph("plays", []string{s.note}, 1)...)
	}
	return append(append(out, ""), strings.Split(watchesOnly, "\n")...)
}

func linkWords(l collector.LinkStatus) string {
	if !l.Up {
		return "! " + l.Name + " down: " + l.LastError
	}
	text := l.Name + " up"
	if l.Load > 0 {
		text += fmt.Sprintf(", %.0f %% busy", 100*l.Load)
	}
	for _, u := range l.Units {
		if !u.Good {
			text += fmt.Sprintf(", ! unit %d: %s", u.Unit, u.Reason)
		}
	}
	return text
}

// label is the point's name in words, without a first part that only repeats its station ('air', 'hyd').
func label(p *collector.Point) string {
	name := p.Name
	if first, rest, ok := strings.Cut(name, "."); ok && strings.HasPrefix(p.Station, first) && rest > "9" { // 'pit 1', not '1'
		name = rest
	}
	return strings.ReplaceAll(name, ".", " ")
}

func withUnit(p *collector.Point, value float64) string {
	text := decimal(value, p.Digits)
	if p.Unit == "" {
		return text
	}
	return text + " " + p.Unit
}

// decimal prints a value with so many digits after the point, and no minus before a zero.
func decimal(value float64, digits int) string {
	text := strconv.FormatFloat(value, 'f', digits, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	return text
}

// clip cuts a line at the screen's edge and says that it did.
func clip(line string, width int) string {
	if utf8.RuneCountInString(line) <= width {
		return line
	}
	r := []rune(line)
	return string(r[:max(0, width-1)]) + "…"
}
