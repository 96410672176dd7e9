package metrics

import (
	"slices"
	"strings"

	dto "github.com/prometheus/client_model/go"

	"roundsman/collector"
	"roundsman/collector/sorting"
	"roundsman/collector/units"
	"roundsman/exporter"
	"roundsman/rules"
)

// series is one labelled value of a family.
type series struct {
	value     float64
	labels    string     // as they stand in a line, with the blank before the value; shared with all of the same labels
	histogram *histogram // nil for a plain value
	shown     bool       // whether this scrape has a value
}

// histogram is what a plain value does not have.
type histogram struct {
	dto   *dto.Histogram
	lines [texts][][]byte // all of each sample's line but the value and the line's end
}

func (s *series) set(v float64) { s.value, s.shown = v, true }

func (s *series) truth(v bool) {
	if v {
		s.set(1)
	} else {
		s.set(0)
	}
}

// family is one metric family with all the series it may ever show for a site.
type family struct {
	dto    *dto.MetricFamily
	series []*series
	head   [texts]string // HELP, TYPE and UNIT lines
	stem   [texts]string // its name as samples carry it
}

// layout is all families of one site, and where each source's series are.
type layout struct {
	site     *exporter.Site
	families []*family // sorted by name
	points   []pointSeries
	rules    []ruleSeries
	links    []linkSeries
	machines []machineSeries
	figures  []figureSeries
	calls    *callSeries // nil: nobody is called
}

// callSeries are those about calling people.
type callSeries struct {
	oldest *series
	counts []countSeries
}

type countSeries struct {
	channel, outcome string
	n                *series
}

type figureSeries struct {
	name  string
	value *series
}

type pointSeries struct {
	value          *series // nil for words
	good, age      *series
	factor, offset float64 // to the base unit
}

type ruleSeries struct{ active, unacknowledged, activations *series }

type linkSeries struct {
	name     string
	up       *series
	requests [collector.Outcomes]*series
	duration *dto.Histogram
}

type machineSeries struct {
	name                 string
	run, starts, running *series
	services             []serviceSeries
}

type serviceSeries struct {
	name string
	due  *series
}

// fits reports whether the series are those of the machine and its services.
func (s *machineSeries) fits(e *exporter.Equipment) bool {
	return s.name == e.Name && slices.EqualFunc(s.services, e.Services, func(s serviceSeries, d exporter.ServiceDue) bool { return s.name == d.Service })
}

// newLayout builds the families for the view's site, links and equipment.
func newLayout(v *exporter.View, build Build) *layout {
	b := newBuilder()
	l := &layout{site: v.Site}
	b.gauge("roundsman_build_info", "", "What is running; the value is always 1.").
		add(&b, "version", build.Version, "commit", build.Commit, "goversion", build.Go).set(1)
	for i := range v.Site.Points {
		l.points = append(l.points, b.point(&v.Site.Points[i]))
	}
	for i := range v.Site.Rules {
		l.rules = append(l.rules, b.rule(v.Site, &v.Site.Rules[i]))
	}
	for i := range v.Links {
		l.links = append(l.links, b.link(v.Links[i].Name))
	}
	for i := range v.Equipment {
		l.machines = append(l.machines, b.machine(&v.Equipment[i]))
	}
	for _, f := range v.Figures {
		l.figures = append(l.figures, figureSeries{f.Name, b.gauge(f.Name, f.Unit, f.Help).add(&b)})
	}
	if v.Calls != nil {
		l.calls = b.calls(v.Calls)
	}
	l.families = b.sorted()
	return l
}

// fits reports whether the layout was built for the view's site, links and equipment.
func (l *layout) fits(v *exporter.View) bool {
	return l.site == v.Site &&
		slices.EqualFunc(l.links, v.Links, func(s linkSeries, k collector.LinkStatus) bool { return s.name == k.Name }) &&
		slices.EqualFunc(l.machines, v.Equipment, func(s machineSeries, e exporter.Equipment) bool { return s.fits(&e) }) &&
		slices.EqualFunc(l.figures, v.Figures, func(s figureSeries, f exporter.Figure) bool { return s.name == f.Name }) &&
		l.calls.fits(v.Calls)
}

func (s *callSeries) fits(c *exporter.CallFigures) bool {
	if s == nil || c == nil {
		return (s == nil) == (c == nil)
	}
	return slices.EqualFunc(s.counts, c.Counts, func(s countSeries, n exporter.CallCount) bool {
		return s.channel == n.Channel && s.outcome == n.Outcome
	})
}

// builder collects the families while a layout is built.
type builder struct {
	byName map[string]*family
	seen   map[string]bool   // name and label values of every series
	texts  map[string]string // of labels, by their names and values
}

func newBuilder() builder {
	return builder{byName: map[string]*family{}, seen: map[string]bool{}, texts: map[string]string{}}
}

// text returns the text of labels.
func (b *builder) text(pairs []string) string {
	key := strings.Join(pairs, "\xff")
	text, ok := b.texts[key]
	if !ok {
		text = labelText(labels(pairs))
		b.texts[key] = text
	}
	return text
}

// sorted returns the families by name, with their heads ready. A family that the
// library refuses would be one without a series: there is nothing to show of it.
func (b *builder) sorted() []*family {
	var list []*family
	for _, f := range b.byName {
		if f.render() == nil {
			list = append(list, f)
		}
	}
	sorting.Func(list, func(x, y *family) int { return strings.Compare(x.dto.GetName(), y.dto.GetName()) })
	return list
}

func (b *builder) gauge(name, unit, help string) *family {
	return b.family(name, unit, help, dto.MetricType_GAUGE)
}

func (b *builder) counter(name, unit, help string) *family {
	return b.family(name, unit, help, dto.MetricType_COUNTER)
}

func (b *builder) family(name, unit, help string, t dto.MetricType) *family {
	f, ok := b.byName[name]
	if !ok {
		f = &family{dto: &dto.MetricFamily{Name: &name, Help: &help, Type: &t}}
		if unit != "" {
			f.dto.Unit = &unit
		}
		b.byName[name] = f
	}
	return f
}

// add adds a series with pairs of label names and values. A double of an earlier
// one gets a series that is never shown: two samples of one name and labels would
// cost the whole scrape, and the loader has already told of the double name.
func (f *family) add(b *builder, pairs ...string) *series {
	s := &series{labels: b.text(pairs)}
	if f.dto.GetType() == dto.MetricType_HISTOGRAM {
		s.histogram = &histogram{dto: newHistogram()}
		for text := range texts {
			s.histogram.lines[text] = f.lines(labels(pairs), text)
		}
	}
	if key := f.dto.GetName() + "\xff" + strings.Join(pairs, "\xff"); !b.seen[key] {
		b.seen[key] = true
		f.series = append(f.series, s)
	}
	return s
}

// labels returns label pairs sorted by name; the format demands UTF-8.
func labels(pairs []string) []*dto.LabelPair {
	var list []*dto.LabelPair
	for i := 0; i+1 < len(pairs); i += 2 {
		value := strings.ToValidUTF8(pairs[i+1], "\uFFFD")
		list = append(list, &dto.LabelPair{Name: &pairs[i], Value: &value})
	}
	sorting.Func(list, func(x, y *dto.LabelPair) int { return strings.Compare(x.GetName(), y.GetName()) })
	return list
}

func newHistogram() *dto.Histogram {
	h := &dto.Histogram{SampleCount: new(uint64), SampleSum: new(float64)}
	for i := range collector.DurationBounds {
		h.Bucket = append(h.Bucket, &dto.Bucket{UpperBound: &collector.DurationBounds[i], CumulativeCount: new(uint64)})
	}
	return h
}

func (b *builder) point(p *collector.Point) pointSeries {
	s := pointSeries{factor: 1}
	s.good = b.gauge("roundsman_point_good", "", "1 while the point's latest reading is good, 0 while it is uncertain, bad or not read yet.").
		add(b, "point", p.Name)
	s.age = b.gauge("roundsman_point_age_seconds", "seconds", "Time since the point's latest reading, whatever its quality.").
		add(b, "point", p.Name)
	switch p.Kind {
	case collector.Text:
		return s
	case collector.State:
		s.value = b.gauge("roundsman_state", "", "States that are on (1) or off (0): contacts, bits, running signals.").
			add(b, "point", p.Name, "station", p.Station)
		return s
	}
	name, unit, help := "value", "", "Plain numbers without a unit."
	if u, err := units.Parse(p.Unit); err == nil && u != units.None {
		name, unit, help, s.factor, s.offset = quantity(p, u)
	} else if err != nil {
		// The loader refuses such a unit; a site built otherwise still shows its number as it is.
		help = "Plain numbers without a known unit."
	}
	s.value = b.gauge("roundsman_"+name, unit, help).add(b, "point", p.Name, "station", p.Station)
	return s
}

// quantity returns the family of a point's unit: its name without the prefix,
// the unit as OpenMetrics wants it (the end of the name), a help text, and the
// way to the base unit.
func quantity(p *collector.Point, u units.Unit) (name, unit, help string, factor, offset float64) {
	base, name := units.Base(u)
	factor, offset, err := units.Convert(u, base)
	if err != nil { // cannot be: the base of a unit has its dimension
		factor, offset = 1, 0
	}
	name = trueName(name, p.Name)
	dimension := u.Dimension()
	if strings.HasPrefix(name, "level_") {
		dimension = "level"
	}
	return name, unitOf(name), strings.ToUpper(dimension[:1]) + dimension[1:] + " of the points that measure it.", factor, offset
}

// trueName keeps the word 'level' for levels: a share of time or a length of
// conveyor has the same unit and is none.
func trueName(family, point string) string {
	if strings.Contains(point, "level") {
		return family
	}
	switch {
	case family == "level_ratio":
		return "ratio"
	case family == "level_meters":
		return "length_meters"
	}
	return family
}

// unitOf returns the unit at the end of a family's name: OpenMetrics 1.0 demands
// that a family's UNIT is the suffix of its name after an underscore.
func unitOf(name string) string {
	i := strings.Index(name, "_per_")
	if i < 0 {
		i = len(name)
	}
	i = strings.LastIndexByte(name[:i], '_')
	if i < 0 {
		return ""
	}
	if whole := "square_meters"; strings.HasSuffix(name, "_"+whole) {
		return whole
	}
	return name[i+1:]
}

func (b *builder) rule(site *exporter.Site, r *rules.Rule) ruleSeries {
	point := ""
	if int(r.Point) >= 0 && int(r.Point) < len(site.Points) {
		point = site.Points[r.Point].Name
	}
	pairs := []string{"alarm", r.Name, "point", point, "priority", r.Priority.String()}
	return ruleSeries{
		active: b.gauge("roundsman_alarm_active", "",
			"1 while the alarm's condition is true and the alarm is not shelved, suppressed or out of service, else 0.").add(b, pairs...),
		unacknowledged: b.gauge("roundsman_alarm_unacknowledged", "",
			"1 while the alarm waits for somebody to acknowledge it, else 0.").add(b, pairs...),
		activations: b.counter("roundsman_alarm_activations_total", "",
			"Times the alarm has started.").add(b, "alarm", r.Name),
	}
}

func (b *builder) link(name string) linkSeries {
	s := linkSeries{name: name}
	s.up = b.gauge("roundsman_link_up", "", "1 while the link is up, 0 while it is down.").add(b, "link", name)
	requests := b.counter("roundsman_link_requests_total", "", "Requests sent over the link, or messages received, by how they ended.")
	for o := range s.requests {
		s.requests[o] = requests.add(b, "link", name, "outcome", collector.Outcome(o).String())
	}
	durations := b.family("roundsman_link_request_duration_seconds", "seconds",
		"Time from a request to the end of its answer or of the waiting.", dto.MetricType_HISTOGRAM).add(b, "link", name)
	durations.shown = true
	s.duration = durations.histogram.dto
	return s
}

func (b *builder) calls(c *exporter.CallFigures) *callSeries {
	s := &callSeries{oldest: b.gauge("roundsman_callout_oldest_unsent_seconds", "seconds",
		"Age of the oldest message to a person that no channel took yet; 0 while none waits.").add(b)}
	counts := b.counter("roundsman_callouts_total", "", "Messages to people by channel and what became of them; a message that was tried again counts at each try.")
	for _, n := range c.Counts {
		s.counts = append(s.counts, countSeries{n.Channel, n.Outcome, counts.add(b, "channel", n.Channel, "outcome", n.Outcome)})
	}
	return s
}

func (b *builder) machine(e *exporter.Equipment) machineSeries {
	m := machineSeries{
		name: e.Name,
		run: b.counter("roundsman_run_seconds_total", "seconds", "Time the equipment was seen running.").
			add(b, "equipment", e.Name),
		starts:  b.counter("roundsman_starts_total", "", "Starts of the equipment that were seen.").add(b, "equipment", e.Name),
		running: b.gauge("roundsman_running", "", "1 while the equipment runs, 0 while it stands; absent while that is not known.").add(b, "equipment", e.Name),
	}
	for _, s := range e.Services {
		m.services = append(m.services, serviceSeries{s.Service, b.gauge("roundsman_service_due_seconds", "seconds",
			"Run time left until the service is due; below 0 it is overdue.").add(b, "equipment", e.Name, "service", s.Service)})
	}
	return m
}
