package configs

import (
	"strings"

	"roundsman/collector/mqtt"
	"roundsman/collector/units"
	"roundsman/configs/strict"
)

// addTopic hands the point to its broker's link.
func (b *builder) addTopic(p *point) {
	v := p.v
	m := mqtt.Point{ID: p.ID, Scale: b.scaling(p), Units: unitsInto(p.unit)}
	if t := v.Get("topic"); t != nil {
		m.Topic = t.Text()
		topicFilter(t)
	} else if !v.Has("topic") {
		v.Missing("topic is missing")
	}
	m.Value, m.Time = pointer(v.Get("value")), pointer(v.Get("time"))
	m.OnChange = v.Get("on-change").Bool()
	m.StaleAfter = b.positive(v.Get("stale-after"), 0)
	for _, w := range v.Get("where").Entries() {
		if m.Where == nil {
			m.Where = map[string]string{}
		}
		if !goodPointer(w.Key()) {
			w.KeyFailf("%q is no JSON pointer; expected one such as /level", short(w.Key()))
		}
		m.Where[w.Key()] = w.Text()
	}
	for _, w := range v.Get("words").Entries() {
		if m.Words == nil {
			m.Words = map[string]float64{}
		}
		m.Words[w.Key()] = w.Float(0)
	}
	p.words = m.Words
	m.Online = online(v.Get("online"))
	if m.Online == nil {
		m.Online = p.link.online
	}
	if m.Online != nil && m.Online.Topic == m.Topic {
		m.Online = nil // the status topic's own point must not go bad by what it says
	}
	p.link.mqtt.Points = append(p.link.mqtt.Points, m)
}

// unitsInto returns what turns a payload's unit into the point's own.
func unitsInto(u units.Unit) func(string) (factor, offset float64, ok bool) {
	return func(symbol string) (float64, float64, bool) {
		from, err := units.Parse(symbol)
		if err != nil {
			return 0, 0, false
		}
		factor, offset, err := units.Convert(from, u)
		return factor, offset, err == nil
	}
}

func online(v *strict.Value) *mqtt.Online {
	t, yes := v.Get("topic"), v.Get("equals")
	if t == nil || yes == nil {
		return nil
	}
	if strings.ContainsAny(t.Text(), "+#") {
		t.Failf("%q: a status topic has no wildcards", short(t.Text()))
	}
	return &mqtt.Online{Topic: t.Text(), Yes: yes.Text()}
}

// topicFilter complains about a filter that MQTT 3.1.1, section 4.7, does not allow.
func topicFilter(v *strict.Value) {
	t := v.Text()
	if len(t) > 65535 {
		v.Failf("the topic has more than 65535 bytes")
		return
	}
	levels := strings.Split(t, "/")
	for i, l := range levels {
		switch {
		case strings.Contains(l, "#") && (l != "#" || i < len(levels)-1):
			v.Failf("%q: # stands alone, at the end", short(t))
			return
		case strings.Contains(l, "+") && l != "+":
			v.Failf("%q: + stands alone between slashes", short(t))
			return
		}
	}
}

func pointer(v *strict.Value) string {
	if v == nil {
		return ""
	}
	if !goodPointer(v.Text()) {
		v.Failf("%q is no JSON pointer; expected one such as /level", short(v.Text()))
	}
	return v.Text()
}

// goodPointer reports whether s is a JSON pointer: RFC 6901, section 3.
func goodPointer(s string) bool {
	if !strings.HasPrefix(s, "/") {
		return false
	}
	rest := s
	for {
		i := strings.IndexByte(rest, '~')
		if i < 0 {
			return true
		}
		if i+1 >= len(rest) || rest[i+1] != '0' && rest[i+1] != '1' {
			return false
		}
		rest = rest[i+1:]
	}
}
