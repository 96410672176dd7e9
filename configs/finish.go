package configs

import (
	"errors"
	"strings"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/modbus"
	"roundsman/collector/mqtt"
	"roundsman/configs/strict"
	"roundsman/rules"
)

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
	if !b.log.Failed() {
		b.checkConditions()
		b.tryParts()
	}
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
	switch e := err.(type) {
	case nil:
		return nil
	case interface{ Unwrap() []error }:
		var out []error
		for _, inner := range e.Unwrap() {
			out = append(out, flatten(inner)...)
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
	b.atName(text, nil)
}

// atName puts an error that begins with a point's or alarm's name at its key, else at v.
func (b *builder) atName(text string, v *strict.Value) {
	name, rest, ok := strings.Cut(text, ": ")
	if p := b.byName[name]; ok && p != nil && p.v != nil {
		p.v.KeyFailf("%s", rest)
		return
	}
	if v != nil {
		v.KeyFailf("%s", text)
		return
	}
	b.log.Add(Problem{Text: text})
}

// tryParts makes the parts that the site is for, without starting them: what
// this package did not think of, their owners did.
func (b *builder) tryParts() {
	clock := collector.NewClock()
	for i := range b.site.Modbus {
		o := b.site.Modbus[i]
		v := b.links[o.Name].v
		_, err := modbus.New(o, b.site.Points, clock)
		if err != nil {
			b.partErrors(err, "link "+o.Name+": ", v)
			continue
		}
		report, err := modbus.Forecast(o)
		if err != nil {
			b.partErrors(err, "link "+o.Name+": ", v)
		}
		for _, w := range report.Warnings {
			v.KeyWarnf("%s", strings.TrimPrefix(w, "link "+o.Name+": "))
		}
	}
	for _, o := range b.site.MQTT {
		if _, err := mqtt.New(o, b.site.Points, clock); err != nil {
			b.partErrors(err, "link "+o.Name+": ", b.links[o.Name].v)
		}
	}
	if _, err := rules.New(b.site.Points, b.site.Rules); err != nil {
		for _, e := range flatten(err) {
			b.ruleError(e.Error())
		}
	}
}

// partErrors puts each of the joined errors at what it names, else at v.
func (b *builder) partErrors(err error, prefix string, v *strict.Value) {
	if inner := errors.Unwrap(err); inner != nil {
		err = inner
	}
	for _, e := range flatten(err) {
		b.atName(strings.TrimPrefix(e.Error(), prefix), v)
	}
}

// ruleError puts an error of the engine, 'file:line: alarm: reason', at its rule.
func (b *builder) ruleError(text string) {
	for i, r := range b.site.Rules.Rules {
		if rest, ok := strings.CutPrefix(text, r.Defined+": "+r.Name+": "); ok {
			b.entries[i].v.KeyFailf("%s", rest)
			return
		}
	}
	b.log.Add(Problem{Text: text})
}
