package configs

import (
	"slices"
	"strings"

	"roundsman/collector"
	"roundsman/collector/compute"
)

func contains(list []string, s string) bool { return slices.Contains(list, s) }

func cutPrefix(s, prefix string) (string, bool) { return strings.CutPrefix(s, prefix) }

// finish fills the rest of the site and makes the checks that need the whole.
func (b *builder) finish() {
	b.site.Points = make([]collector.Point, len(b.points))
	for i, p := range b.points {
		b.site.Points[i] = p.Point
	}
	for _, name := range b.linkNames {
		switch l := b.links[name]; {
		case l.modbus != nil:
			b.site.Modbus = append(b.site.Modbus, *l.modbus)
		case l.mqtt != nil:
			b.site.MQTT = append(b.site.MQTT, *l.mqtt)
		}
	}
	b.checkCompute()
	b.checkAddresses()
	b.checkIntervals()
	b.checkConditions()
}

// checkCompute lets package compute look at all computed points together: it
// knows cycles and what each computation can take.
func (b *builder) checkCompute() {
	_, err := compute.New(b.site.Points, b.site.Compute)
	for _, e := range flatten(err) {
		b.computeError(e.Error())
	}
}

func flatten(err error) []error {
	if err == nil {
		return nil
	}
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		var out []error
		for _, e := range j.Unwrap() {
			out = append(out, flatten(e)...)
		}
		return out
	}
	return []error{err}
}

// computeError puts an error of package compute at the point it names first.
func (b *builder) computeError(text string) {
	if _, cycle, ok := strings.Cut(text, "in a circle: "); ok {
		path := strings.Split(cycle, " -> ")
		if p := b.byName[path[0]]; p != nil && p.v != nil {
			p.v.KeyFailf("computed points take each other in a circle: %s", chain(path))
			return
		}
	}
	name, rest, _ := strings.Cut(text, ": ")
	if p := b.byName[name]; p != nil && p.v != nil {
		p.v.KeyFailf("%s", rest)
		return
	}
	b.log.Add(Problem{Text: text})
}
