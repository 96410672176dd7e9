package configs

import (
	"math"
	"slices"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/units"
	"roundsman/configs/strict"
)

var (
	computations = []string{"difference", "sum", "ratio", "pulses", "total", "tank", "hydrostatic", "rate", "mean", "formula", "leak-test", "leak-figure"}
	registerOnly = []string{"unit-id", "holding", "input", "coil", "discrete", "reference", "type", "order", "bit", "length", "every"}
	topicOnly    = []string{"topic", "value", "time", "where", "words", "online", "on-change", "stale-after"}
	signalOnly   = []string{"scale", "table", "square-root", "clamp", "signal", "raw-per-mA", "max-rate", "spike-window", "stuck-after"}
	computedOnly = []string{"per-pulse", "rolls-over-at", "over", "while"}
)

// declarePoints gives every point its name and its place in the list.
func (b *builder) declarePoints(vs, channels *strict.Value) {
	for _, v := range vs.Entries() {
		goodName(v)
		p := &point{v: v}
		p.ID = collector.PointID(len(b.points))
		p.Name = v.Key()
		p.Low, p.High = math.NaN(), math.NaN()
		p.Station = stationOf(v)
		p.Digits = -1
		if strings.HasPrefix(p.Name, "link.") {
			v.KeyFailf("names that begin with 'link.' are given to the links' own points")
		}
		if strings.HasPrefix(p.Name, "box.") {
			v.KeyFailf("names that begin with 'box.' are given to the box's own points")
		}
		b.add(p)
		b.placeOf(p)
	}
	b.linkPoints()
	b.boxPoints(channels)
}

func (b *builder) add(p *point) {
	b.points = append(b.points, p)
	b.byName[p.Name] = p
	b.names = append(b.names, p.Name)
}

// stationOf returns the station a thing belongs to: as written, or its name up to the first dot.
func stationOf(v *strict.Value) string {
	if s := v.Get("station"); s != nil {
		return s.Text()
	}
	s, _, _ := strings.Cut(v.Key(), ".")
	return s
}

// placeOf decides where the point comes from: a link, or a computation.
func (b *builder) placeOf(p *point) {
	v := p.v
	for _, k := range computations {
		if !v.Has(k) {
			continue
		}
		if p.computed != "" {
			v.KeyFailf("%s and %s: a point has one computation", p.computed, k)
			continue
		}
		p.computed = k
	}
	switch {
	case p.computed != "" && v.Has("link"):
		v.KeyFailf("a point with %s is computed and has no link", p.computed)
	case p.computed != "":
		misplaced(v, "belongs to a point that is read over a link", registerOnly...)
		misplaced(v, "belongs to a point that is read over a link", topicOnly...)
		misplaced(v, "belongs to a point that is read over a link", signalOnly...)
	case v.Has("link"):
		misplaced(v, "belongs to a computed point", computedOnly...)
		b.linkOf(p)
	default:
		v.Missing("link is missing, and no computation is given (%s)", strings.Join(computations, ", "))
	}
}

func (b *builder) linkOf(p *point) {
	lv := p.v.Get("link")
	if lv == nil {
		return
	}
	p.link = b.links[lv.Text()]
	p.Link = lv.Text()
	if p.link == nil {
		lv.Failf("unknown link %q%s", short(lv.Text()), lv.Guess(lv.Text(), b.linkNames...))
		return
	}
	switch {
	case p.link.modbus != nil:
		misplaced(p.v, "belongs to a point on an mqtt link", topicOnly...)
		b.registerPlace(p)
	case p.link.mqtt != nil:
		misplaced(p.v, "belongs to a point on a modbus link", registerOnly...)
	}
}

// fillPoints settles every point's unit and kind, then hands them to the links and computations.
func (b *builder) fillPoints() {
	for _, p := range b.points {
		b.settle(p)
	}
	for _, p := range b.points {
		switch {
		case p.v == nil || p.link == nil || p.computed != "":
		case p.link.modbus != nil:
			b.addRegister(p)
		case p.link.mqtt != nil:
			b.addTopic(p)
		}
	}
	for _, p := range b.points { // after those they take, whose resolution is known now
		if p.v == nil {
			continue
		}
		if p.computed != "" && !p.circular {
			b.compute(p)
		}
		b.digits(p)
	}
}

// circle complains about computed points that take their units from each other
// in a circle, and leaves them out.
func (b *builder) circle(p *point) {
	path := b.path[slices.Index(b.path, p):]
	var names []string
	for _, q := range path {
		names = append(names, q.Name)
		q.circular = true
	}
	path[0].v.KeyFailf("computed points take each other in a circle: %s", chain(append(names, p.Name)))
}

// settle finds the point's unit and kind. Computed points may take theirs from
// their inputs.
func (b *builder) settle(p *point) {
	if p.settled {
		return
	}
	if p.settling {
		b.circle(p)
		return
	}
	p.settling = true
	b.path = append(b.path, p)
	defer func() { b.path = b.path[:len(b.path)-1] }()
	if u := p.v.Get("unit"); u != nil {
		p.unit = b.unit(u)
	} else if p.computed != "" {
		p.unit = b.computedUnit(p)
	} else {
		p.unit = b.impliedUnit(p.v)
	}
	p.Unit = p.unit.String()
	if p.v != nil {
		p.Kind = b.kindOf(p)
		b.rangeOf(p)
	}
	p.settled = true
}

// impliedUnit returns the unit of the first value that says what the point measures.
func (b *builder) impliedUnit(v *strict.Value) units.Unit {
	var from []*strict.Value
	if s := v.Get("scale"); s.IsTable() {
		from = append(from, s.Get("to").Entries()...)
	} else if s != nil {
		from = append(from, s)
	}
	for _, pair := range v.Get("table").Entries() {
		if e := pair.Entries(); len(e) == 2 {
			from = append(from, e[1])
		}
	}
	from = append(from, v.Get("range").Entries()...)
	for _, f := range from {
		if q, err := units.ParseQuantity(f.Text()); err == nil && q.Unit != units.None {
			return q.Unit
		}
	}
	return units.None
}

func (b *builder) kindOf(p *point) collector.Kind {
	if k := p.v.Get("kind"); k != nil {
		kind := map[string]collector.Kind{"number": collector.Number, "state": collector.State, "counter": collector.Counter, "text": collector.Text}[k.Text()]
		if p.link != nil && p.link.modbus != nil && p.registers.ok && (p.valueKind() == collector.Text) != (kind == collector.Text) {
			k.Failf("%s: the point's type is %s", k.Text(), p.Type)
		}
		return kind
	}
	switch {
	case p.link != nil && p.link.modbus != nil:
		return p.valueKind()
	case p.v.Has("words"):
		return b.wordsKind(p.v.Get("words"))
	case p.computed == "total":
		return collector.Counter
	}
	return collector.Number
}

// wordsKind is state when the words mean 0 and 1, else text.
func (b *builder) wordsKind(words *strict.Value) collector.Kind {
	for _, w := range words.Entries() {
		if x := w.Float(0); x != 0 && x != 1 {
			return collector.Number
		}
	}
	return collector.State
}

func (b *builder) rangeOf(p *point) {
	r := p.v.Get("range").Entries()
	if len(r) != 2 {
		return
	}
	lo, ok1 := b.in(r[0], p.unit, "point")
	hi, ok2 := b.in(r[1], p.unit, "point")
	switch {
	case !ok1 || !ok2:
	case lo >= hi:
		p.v.Get("range").Failf("%s to %s does not rise", r[0].Text(), r[1].Text())
	default:
		p.Low, p.High = lo, hi
	}
}

// digits decides how many decimals are worth showing: as written, else what
// the resolution gives, else about three figures of the range.
func (b *builder) digits(p *point) {
	switch d := p.v.Get("digits"); {
	case d != nil:
		p.Digits = d.Int(0)
	case p.Kind == collector.State || p.Kind == collector.Text:
		p.Digits = 0
	case p.Kind == collector.Counter:
		p.Digits = decimals(p.Resolution, 3)
	case p.High > p.Low:
		p.Digits = min(decimals(p.Resolution, 2), max(0, 3-int(math.Floor(math.Log10(p.High-p.Low)))), 2)
	default:
		p.Digits = decimals(p.Resolution, 2)
	}
}

// decimals returns how many decimals a step needs, at most most; for an unknown step most.
func decimals(step float64, most int) int {
	if step <= 0 {
		return most
	}
	return min(most, max(0, int(math.Ceil(-math.Log10(step)-1e-9))))
}

// linkPoints adds the points that tell how the links and their units are.
func (b *builder) linkPoints() {
	for _, name := range b.linkNames {
		l := b.links[name]
		status := b.linkPoint("link."+name+".up", l, wholeLink)
		switch {
		case l.modbus != nil:
			l.modbus.Status = status
			b.unitPoints(l)
		case l.mqtt != nil:
			l.mqtt.Status = status
		}
	}
}

func (b *builder) linkPoint(name string, l *link, tells scope) collector.PointID {
	p := &point{settled: true, link: l, every: time.Second, tells: tells}
	p.Point = collector.Point{ID: collector.PointID(len(b.points)), Name: name, Station: "box",
		Kind: collector.State, Link: l.name, Low: math.NaN(), High: math.NaN()}
	b.add(p)
	return p.ID
}
