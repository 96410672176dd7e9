package main

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"roundsman/collector"
	"roundsman/collector/alike"
	"roundsman/collector/modbus"
	"roundsman/collector/mqtt"
	"roundsman/collector/sorting"
	"roundsman/configs"
)

// siteDiff is what a site file that was read again changes. Points are told apart by their names.
type siteDiff struct {
	ids     []collector.PointID // by the old number of a point, its new one; NoPoint: it is gone
	changed []bool              // by the new number: new, read otherwise or, once compute.Set.Follow marked them, computed otherwise
	same    bool                // nothing about the points is changed
	added   int                 // points
	removed int

	end, begin []string // links: those that end and those that begin; one that changed does both
}

// diffSites compares the site in force with one that was read anew.
func diffSites(old, now *configs.Site) *siteDiff {
	d := &siteDiff{ids: make([]collector.PointID, len(old.Points)), changed: make([]bool, len(now.Points))}
	byName := make(map[string]collector.PointID, len(now.Points))
	for i := range now.Points {
		byName[now.Points[i].Name] = collector.PointID(i)
		d.changed[i] = true
	}
	was, is := sources(old), sources(now)
	d.same = len(old.Points) == len(now.Points)
	for i := range old.Points {
		id, ok := byName[old.Points[i].Name]
		if !ok {
			d.ids[i], d.removed, d.same = collector.NoPoint, d.removed+1, false
			continue
		}
		d.ids[i] = id
		d.same = d.same && int(id) == i
	}
	d.added = len(now.Points) - (len(old.Points) - d.removed)
	for i, id := range d.ids {
		if id != collector.NoPoint {
			p := collector.PointID(i)
			d.changed[id] = !alike.Values(old.Points[i], now.Points[id], d.as) || !alike.Values(was[p], is[id], d.as)
			d.same = d.same && !d.changed[id]
		}
	}
	d.links(old, now)
	return d
}

// as returns the new number of a point.
func (d *siteDiff) as(p collector.PointID) collector.PointID {
	if p < 0 || int(p) >= len(d.ids) {
		return collector.NoPoint
	}
	return d.ids[p]
}

// sources returns how each point is read that is read over a link.
func sources(site *configs.Site) map[collector.PointID]any {
	out := map[collector.PointID]any{}
	for i := range site.Modbus {
		for _, p := range site.Modbus[i].Points {
			out[p.ID] = p
		}
	}
	for i := range site.MQTT {
		for _, p := range site.MQTT[i].Points {
			out[p.ID] = p
		}
	}
	return out
}

// links finds the links that must end and begin. One goes on only if all that it was made of is unchanged: its settings, how each
// of its points is read, and what the points are.
func (d *siteDiff) links(old, now *configs.Site) {
	was, is := linkSettings(old, d.as), linkSettings(now, func(p collector.PointID) collector.PointID { return p })
	goesOn := func(name string) bool {
		a, ok := was[name]
		b, still := is[name]
		return ok && still && alike.Values(a.options, b.options, d.as) && !slices.ContainsFunc(b.points, func(p collector.PointID) bool { return d.changed[p] })
	}
	for _, name := range linkNames(old) {
		if !goesOn(name) {
			d.end = append(d.end, name)
		}
	}
	for _, name := range linkNames(now) {
		if !goesOn(name) {
			d.begin = append(d.begin, name)
		}
	}
}

// linkSetting is what a link is made of.
type linkSetting struct {
	options any
	points  []collector.PointID // all that it gives readings of
}

// linkSettings returns what the links are made of, with their points in the order that as puts them into: in which order the file
// has them does not matter.
func linkSettings(site *configs.Site, as func(collector.PointID) collector.PointID) map[string]linkSetting {
	out := map[string]linkSetting{}
	for _, o := range site.Modbus {
		s := linkSetting{points: known(o.Status)}
		for _, u := range o.Units {
			s.points = append(s.points, known(u.Status)...)
		}
		o.Points = slices.Clone(o.Points)
		sorting.Func(o.Points, func(a, b modbus.Point) int { return cmp.Compare(as(a.ID), as(b.ID)) })
		for _, p := range o.Points {
			s.points = append(s.points, p.ID)
		}
		s.options = o
		out[o.Name] = s
	}
	for _, o := range site.MQTT {
		s := linkSetting{points: known(o.Status)}
		o.Points = slices.Clone(o.Points)
		sorting.Func(o.Points, func(a, b mqtt.Point) int { return cmp.Compare(as(a.ID), as(b.ID)) })
		for _, p := range o.Points {
			s.points = append(s.points, p.ID)
		}
		s.options = o
		out[o.Name] = s
	}
	return out
}

func known(p collector.PointID) []collector.PointID {
	if p == collector.NoPoint {
		return nil
	}
	return []collector.PointID{p}
}

// words tells what is changed, for the journal: 'points +1 -0, 2 changed; links changed: plc'.
func (d *siteDiff) words() string {
	var out []string
	changed := -d.added
	for _, c := range d.changed {
		if c {
			changed++
		}
	}
	if d.added+d.removed+changed > 0 {
		text := fmt.Sprintf("points +%d -%d", d.added, d.removed)
		if changed > 0 {
			text += fmt.Sprintf(", %d changed", changed)
		}
		out = append(out, text)
	}
	both, gone := split(d.end, d.begin)
	_, fresh := split(d.begin, d.end)
	for _, l := range []struct {
		what  string
		names []string
	}{{"changed", both}, {"new", fresh}, {"gone", gone}} {
		if len(l.names) > 0 {
			out = append(out, "links "+l.what+": "+strings.Join(l.names, ", "))
		}
	}
	return strings.Join(out, "; ")
}

// split parts a list into what is in the other list and what is not.
func split(list, other []string) (in, out []string) {
	for _, s := range list {
		if slices.Contains(other, s) {
			in = append(in, s)
		} else {
			out = append(out, s)
		}
	}
	return in, out
}

// needRestart names what is changed in the site file that a running daemon cannot take over.
func needRestart(old, now *configs.Site) (what []string) {
	zone := func(s *configs.Site) string {
		if s.Zone == nil {
			return ""
		}
		return s.Zone.String()
	}
	for _, k := range []struct {
		key  string
		same bool
	}{
		{"site.time-zone", zone(old) == zone(now)},
		{"listen", alike.Same(old.Listen, now.Listen)},
		{"panel", alike.Same(old.Panel, now.Panel)},
		{"record", alike.Same(old.Record, now.Record)},
		{"contacts.links", (old.Callout.Links.Address == "") == (now.Callout.Links.Address == "") && old.Callout.Links.Life == now.Callout.Links.Life},
	} {
		if !k.same {
			what = append(what, k.key)
		}
	}
	return what
}
