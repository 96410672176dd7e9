package panel

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/rules"
)

// symbols are units as people write them, where the plain spelling differs.
var symbols = strings.NewReplacer("degC", "°C", "degF", "°F", "m3", "m³", "m2", "m²", "uS/cm", "µS/cm", "inH2O", "inH₂O", "ohm", "Ω")

// quantity returns a value with its unit: '5.21 bar', '38 %'.
func quantity(v float64, digits int, unit string) string {
	s := decimal(v, digits)
	if unit == "" {
		return s
	}
	return s + "\u00a0" + symbols.Replace(unit)
}

// decimal returns v with so many decimals, and a true minus sign.
func decimal(v float64, digits int) string {
	switch {
	case math.IsNaN(v):
		return "–"
	case math.Abs(v) >= 1e15:
		return strconv.FormatFloat(v, 'g', 6, 64)
	}
	s := strconv.FormatFloat(v, 'f', min(max(digits, 0), 9), 64)
	if rest, ok := strings.CutPrefix(s, "-"); ok {
		if strings.Trim(rest, "0.") == "" {
			return rest // no minus before a zero
		}
		return "−" + rest
	}
	return s
}

// short are the parts of names that are not plain words.
var short = map[string]string{"ro": "RO", "orp": "ORP", "l1": "L1", "l2": "L2", "l3": "L3", "hyd": "hydraulic",
	"plc": "PLC", "ph": "pH", "dp": "difference", "led": "LED"}

// inWords returns a dotted or hyphenated name as people say it: 'Header pressure'.
func inWords(name string) string {
	parts := strings.FieldsFunc(name, func(r rune) bool { return r == '.' || r == '-' || r == '_' || r == ' ' })
	for i, p := range parts {
		if w, ok := short[p]; ok {
			parts[i] = w
		}
	}
	return capital(strings.Join(parts, " "))
}

func capital(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' || strings.HasPrefix(s, "pH") {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}

// stateForm is how a state is told whose name ends in a word: what is left of
// the word in the title, and the words for on and off.
type stateForm struct{ keep, on, off string }

var stateForms = map[string]stateForm{
	"running":  {"", "running", "stopped"},
	"loaded":   {"load", "loaded", "unloaded"},
	"fault":    {"fault", "fault", "none"},
	"open":     {"", "open", "closed"},
	"online":   {"", "online", "offline"},
	"up":       {"", "up", "down"},
	"healthy":  {"", "healthy", "not healthy"},
	"good":     {"", "good", "not good"},
	"on":       {"", "on", "off"},
	"operated": {"", "operating", "at rest"},
	"float":    {"float", "up", "down"},
	"full":     {"", "full", "not full"},
	"empty":    {"", "empty", "not empty"},
}

// formOf returns the point's name in words, without its station, and for a state the words for on and off.
func formOf(p *collector.Point) (title, on, off string) {
	name := withoutStation(p)
	on, off = "on", "off"
	if p.Kind == collector.State {
		head, last := "", name
		if i := strings.LastIndexByte(name, '.'); i >= 0 {
			head, last = name[:i], name[i+1:]
		}
		if f, ok := stateForms[last]; ok {
			on, off = f.on, f.off
			if head != "" {
				name = strings.TrimSuffix(head+"."+f.keep, ".")
			}
		}
	}
	return inWords(name), on, off
}

// withoutStation cuts the station, or the short word it begins with ('hyd' of
// hydraulics), off a point's name. A number alone would be no name: 'pit.1.level' stays whole.
func withoutStation(p *collector.Point) string {
	head, rest, _ := strings.Cut(p.Name, ".")
	mine := head == p.Station || len(head) >= 3 && strings.HasPrefix(p.Station, head)
	if !mine || rest == "" || rest[0] >= '0' && rest[0] <= '9' {
		return p.Name
	}
	return rest
}

// valueWords returns a usable reading's value as people read it.
func valueWords(p *collector.Point, r *collector.Reading) string {
	switch p.Kind {
	case collector.State:
		_, on, off := formOf(p)
		if r.Value != 0 {
			return on
		}
		return off
	case collector.Text:
		return strings.ToValidUTF8(r.Text, "\uFFFD")
	}
	return quantity(r.Value, p.Digits, p.Unit)
}

// hasLimit reports whether a rule's Limit is a value of its point.
func hasLimit(r *rules.Rule) bool {
	switch r.Kind {
	case rules.BadSignal, rules.StaleSignal, rules.Discrepancy, rules.RunsLonger, rules.IdleLonger, rules.FormulaIsTrue:
		return false
	}
	return !math.IsNaN(r.Limit)
}

// conditionWords returns what a rule waits for: 'below 5.50 bar'.
func conditionWords(site *exporter.Site, r *rules.Rule) string {
	limit := quantity(r.Limit, r.Digits, r.Unit)
	switch r.Kind {
	case rules.Low, rules.LowLow:
		return "below " + limit
	case rules.High, rules.HighHigh:
		return "above " + limit
	case rules.Rate:
		return rateWords(r)
	case rules.Deviation:
		return fmt.Sprintf("more than %s away from %s", limit, nameAt(site, r.Other))
	case rules.Equals:
		return equalWords(site, r)
	case rules.BadSignal:
		return "reading bad"
	case rules.StaleSignal:
		return "nothing new for " + roughly(r.Window)
	case rules.Stuck:
		return fmt.Sprintf("moved less than %s in %s", limit, roughly(r.Window))
	}
	return longConditionWords(site, r, limit)
}

func longConditionWords(site *exporter.Site, r *rules.Rule, limit string) string {
	switch r.Kind {
	case rules.Discrepancy:
		if r.Other != collector.NoPoint {
			return "disagrees with " + nameAt(site, r.Other)
		}
		return "disagrees with what it must equal"
	case rules.NotReached:
		return fmt.Sprintf("%s not reached within %s", limit, roughly(r.Window))
	case rules.TotalAbove:
		return fmt.Sprintf("rose by more than %s in %s", limit, roughly(r.Window))
	case rules.RunsLonger:
		return "on for longer than " + roughly(r.Window)
	case rules.IdleLonger:
		return "off for longer than " + roughly(r.Window)
	case rules.StartsAbove:
		return fmt.Sprintf("more than %s starts in %s", decimal(r.Limit, 0), roughly(r.Window))
	}
	return "its formula is true"
}

func rateWords(r *rules.Rule) string {
	verb := "rises"
	if r.Limit < 0 {
		verb = "falls"
	}
	return fmt.Sprintf("%s faster than %s", verb, quantity(math.Abs(r.Limit), r.Digits, r.Unit)) // the unit is one per second
}

func equalWords(site *exporter.Site, r *rules.Rule) string {
	if r.Point >= 0 && int(r.Point) < len(site.Points) && site.Points[r.Point].Kind == collector.State {
		return valueWords(&site.Points[r.Point], &collector.Reading{Value: r.Limit})
	}
	return "equal to " + quantity(r.Limit, r.Digits, r.Unit)
}

func nameAt(site *exporter.Site, id collector.PointID) string {
	if id < 0 || int(id) >= len(site.Points) {
		return "nothing"
	}
	return site.Points[id].Name
}

// message returns an alarm in one line: 'air.header.pressure 5.21 bar, below 5.50 bar'.
func message(v *exporter.View, s rules.Status) string {
	r := &v.Site.Rules[s.Rule]
	name := nameAt(v.Site, r.Point)
	if r.Point < 0 {
		name = r.Name
	}
	if value := alarmValue(v.Site, r, &s); value != "" {
		name += " " + value
	}
	name += ", " + conditionWords(v.Site, r)
	if why := readingFault(v, r.Point); why != "" && stands(&s) {
		name += ": " + why
	}
	if s.ReadingLost {
		name += "; the reading is lost, take it as still in alarm"
	}
	return name
}

// readingFault returns what the point's reading itself says is wrong; "" for nothing.
func readingFault(v *exporter.View, p collector.PointID) string {
	if p < 0 || int(p) >= len(v.Readings) || v.Readings[p].Fault == collector.NotRead {
		return ""
	}
	if r := &v.Readings[p]; r.Quality != collector.Good || r.Fault == collector.Hinted {
		if r.Detail != "" {
			return r.Detail
		}
		return r.Fault.String()
	}
	return ""
}

// alarmValue returns the value an alarm was last judged by, in words; "" where there is none to tell.
func alarmValue(site *exporter.Site, r *rules.Rule, s *rules.Status) string {
	if s.Started == 0 || math.IsNaN(s.Value) || r.Point < 0 || int(r.Point) >= len(site.Points) {
		return ""
	}
	p := &site.Points[r.Point]
	switch {
	case p.Kind == collector.State || p.Kind == collector.Text || r.Kind == rules.BadSignal || r.Kind == rules.StaleSignal:
		return ""
	}
	return quantity(s.Value, max(r.Digits, p.Digits), r.Unit)
}

// roughly returns a length of time in its two largest units: '4 min 20 s'.
func roughly(d time.Duration) string {
	if d < 0 {
		d = 0
	}
	if d < time.Second && d > 0 {
		return fmt.Sprintf("%d ms", d.Milliseconds())
	}
	units := []struct {
		size time.Duration
		name string
	}{{24 * time.Hour, "d"}, {time.Hour, "h"}, {time.Minute, "min"}, {time.Second, "s"}}
	d = d.Truncate(time.Second)
	for i, u := range units {
		n := d / u.size
		if n == 0 && u.size != time.Second {
			continue
		}
		s := fmt.Sprintf("%d %s", n, u.name)
		if rest := d - n*u.size; i+1 < len(units) && rest >= units[i+1].size {
			s += fmt.Sprintf(" %d %s", rest/units[i+1].size, units[i+1].name)
		}
		return s
	}
	return "0 s"
}
