package panel

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/singleflight"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/panel/draw"
)

// trendSpan is a length of time that a trend can be looked at in. Its steps are so long that what the record has ready
// answers quickly: readings up to the hour, figures of minutes for day and week, of hours beyond. More than some 360 steps
// would lie over each other on a phone.
type trendSpan struct {
	Key, Words string
	length     time.Duration
	step       time.Duration
}

const dayLong = 24 * time.Hour

func trendSpans() []trendSpan {
	return []trendSpan{
		{"10-minutes", "10 min", 10 * time.Minute, 2 * time.Second},
		{"hour", "Hour", time.Hour, 10 * time.Second},
		{"6-hours", "6 hours", 6 * time.Hour, time.Minute},
		{"day", "Day", dayLong, 5 * time.Minute},
		{"week", "Week", 7 * dayLong, 30 * time.Minute},
		{"month", "Month", 31 * dayLong, 2 * time.Hour},
		{"year", "Year", 366 * dayLong, dayLong},
	}
}

// usualTrend is shown to who does not ask: what happened over night. Where less was kept, a shorter one is.
const usualTrend = "day"

// trendSpanOf returns the span that a request asks for; no key: it asks for none.
func trendSpanOf(v url.Values) (trendSpan, error) {
	key := v.Get("span")
	if key == "" {
		return trendSpan{}, nil
	}
	return trendSpanBy(key)
}

func trendSpanBy(key string) (trendSpan, error) {
	all := trendSpans()
	keys := make([]string, len(all))
	for i := range all {
		if keys[i] = all[i].Key; keys[i] == key {
			return all[i], nil
		}
	}
	return trendSpan{}, problemf(http.StatusBadRequest, "span: there is no %s; there are %s", quoteNear(key, keys), strings.Join(keys, ", ")).about("span")
}

// course is the trend on the page of a point.
type course struct {
	Spans   []trendLink
	Drawing template.HTML
	Told    string // what a step is
	CSV     string
	Trouble string // why there is no drawing
}

type trendLink struct {
	Words, Href string
	Now         bool
}

// facts returns how a point is read.
func (p *Panel) facts(point string) exporter.PointFacts {
	if p.opts.Facts == nil {
		return exporter.PointFacts{}
	}
	return p.opts.Facts(point)
}

// course returns a point's trend over a span; nil where nothing is kept or there is nothing to draw.
func (p *Panel) course(ctx context.Context, v *exporter.View, i int, span trendSpan) *course {
	pt := &v.Site.Points[i]
	if p.opts.Trends == nil || pt.Kind == collector.Text {
		return nil
	}
	d, span, err := p.usualOr(ctx, v, i, span)
	path := "/points/" + url.PathEscape(pt.Name)
	c := &course{CSV: path + "/readings.csv?span=" + span.Key}
	for _, s := range trendSpans() {
		c.Spans = append(c.Spans, trendLink{s.Words, path + "?span=" + s.Key, s.Key == span.Key})
	}
	if err != nil {
		p.opts.Log.Error("trend not shown", "point", pt.Name, "err", err) // the reading is shown all the same
		c.Trouble = "What was kept cannot be read."
		return c
	}
	c.Drawing = d.svg
	c.Told = fmt.Sprintf("Steps of %s: mean as a line, smallest to largest as a band.", roughly(d.step))
	if pt.Kind == collector.State {
		c.Told = fmt.Sprintf("Steps of %s; in between is the share of time.", roughly(d.step))
	}
	return c
}

// usualOr returns the trend over the span that was asked for, or, if none was, over the usual one. Where what was kept does
// not fill half of that, it is over the next shorter one: a new box shows no day of nothing.
func (p *Panel) usualOr(ctx context.Context, v *exporter.View, i int, asked trendSpan) (drawnTrend, trendSpan, error) {
	if asked.Key != "" {
		d, err := p.drawings.trend(ctx, p, v, i, asked)
		return d, asked, err
	}
	usual, err := trendSpanBy(usualTrend)
	if err != nil {
		return drawnTrend{}, usual, err
	}
	d, err := p.drawings.trend(ctx, p, v, i, usual)
	if err != nil || d.first.IsZero() {
		return d, usual, err
	}
	kept, best := v.Time.Sub(d.first), trendSpans()[0]
	for _, s := range trendSpans() {
		if s.length <= usual.length && kept >= s.length/2 {
			best = s
		}
	}
	if best.Key == usual.Key {
		return d, usual, nil
	}
	d, err = p.drawings.trend(ctx, p, v, i, best)
	return d, best, err
}

// drawnTrend is a trend as it was drawn last.
type drawnTrend struct {
	site *exporter.Site // its limits are others after a reload
	svg  template.HTML
	step time.Duration
	at   time.Time // until when it was drawn
	// first is the begin of the first step that holds anything; zero: none does.
	first time.Time
}

// drawings keeps the trends that were drawn a moment ago, so that many viewers cost no more than one.
type drawings struct {
	once singleflight.Group
	mu   sync.Mutex // guards what follows
	kept map[string]drawnTrend
}

const (
	mostDrawings = 64
	// drawingTime is how long drawing may take, whether who asked first is still there or not.
	drawingTime = 20 * time.Second
)

// trend returns the trend of a point, at most a step (but a minute) old.
func (d *drawings) trend(ctx context.Context, p *Panel, v *exporter.View, i int, span trendSpan) (drawnTrend, error) {
	now := v.Time
	key := span.Key + " " + v.Site.Points[i].Name
	d.mu.Lock()
	old, ok := d.kept[key]
	d.mu.Unlock()
	if age := now.Sub(old.at); ok && old.site == v.Site && age >= 0 && age < min(span.step, time.Minute) {
		return old, nil
	}
	made, err, _ := d.once.Do(key, func() (any, error) {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), drawingTime)
		defer cancel()
		return p.drawTrend(ctx, v, i, span)
	})
	if err != nil {
		return drawnTrend{}, err
	}
	fresh := made.(drawnTrend)
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.kept) >= mostDrawings || d.kept == nil {
		d.kept = map[string]drawnTrend{}
	}
	d.kept[key] = fresh
	return fresh, nil
}

// stepOf returns the step of a span for a point that is read so often, and the longest time without a reading that is no
// gap: what is not stale yet still counts.
func stepOf(span trendSpan, f exporter.PointFacts) (step, hold time.Duration) {
	step = span.step
	if f.Every > step {
		step = f.Every
	}
	return step, max(step*3/2, f.Quiet+step)
}

func (p *Panel) drawTrend(ctx context.Context, v *exporter.View, i int, span trendSpan) (drawnTrend, error) {
	pt := &v.Site.Points[i]
	step, hold := stepOf(span, p.facts(pt.Name))
	to := v.Time.Truncate(step).Add(step)
	from := to.Add(-span.length)
	unit, steps, err := p.opts.Trends.Steps(ctx, pt.Name, from, to, step)
	if err != nil && !errors.Is(err, exporter.ErrNoTrend) {
		return drawnTrend{}, err
	}
	if err != nil {
		unit, steps = pt.Unit, nil
	}
	title, on, off := formOf(pt)
	t := draw.Trend{ID: "trend", Title: inWords(pt.Station) + ", " + lower(title) + ": the last " + lower(span.Words), From: from, To: to, Step: step, Hold: hold,
		Zone: siteZone(v), Unit: symbols.Replace(unit), Digits: pt.Digits, Steps: drawSteps(steps), Least: leastHeight(pt),
		Source: fmt.Sprintf("/api/v1/points/%s/readings?from=%s&to=%s&step=%gs", url.PathEscape(pt.Name),
			from.UTC().Format(time.RFC3339), to.UTC().Format(time.RFC3339), step.Seconds())}
	if pt.Kind == collector.State {
		t.Least = 0
		t.Marks, t.Low, t.High, t.Height = []draw.Mark{{Value: 0, Words: off}, {Value: 1, Words: on}}, 0, 1, 130
	} else if unit == pt.Unit {
		t.Limits = drawLimits(pt, limitsOf(v.Site)[i])
	}
	d := drawnTrend{site: v.Site, svg: t.SVG(), step: step, at: v.Time}
	if len(steps) > 0 {
		d.first = time.UnixMilli(steps[0].Milli)
	}
	return d, nil
}

// leastHeight is the least height of a drawing's axis: twenty of the smallest steps worth showing, so that noise does not
// look like a storm.
func leastHeight(pt *collector.Point) float64 {
	return 20 * math.Pow(10, -float64(pt.Digits))
}

func drawSteps(steps []exporter.TrendStep) []draw.Step {
	list := make([]draw.Step, len(steps))
	for i, s := range steps {
		list[i] = draw.Step(s)
	}
	return list
}

// drawLimits returns a point's limits with their words.
func drawLimits(pt *collector.Point, l limits) (list []draw.Limit) {
	for _, k := range []struct {
		word  string
		value float64
		outer bool
	}{{"high-high", l.highHigh, true}, {"high", l.high, false}, {"low", l.low, false}, {"low-low", l.lowLow, true}} {
		if !math.IsNaN(k.value) {
			list = append(list, draw.Limit{Value: k.value, Words: k.word + " " + quantity(k.value, pt.Digits, pt.Unit), Outer: k.outer})
		}
	}
	return list
}

// readingsCSV answers what was kept of one point as a file for a spreadsheet: 'time,point,unit,min,mean,max'. It takes a
// 'span', or 'from', 'to' and 'step' as the interface does.
func (p *Panel) readingsCSV(w http.ResponseWriter, r *http.Request) error {
	v, pt, err := p.keptPoint(r)
	if err != nil {
		return err
	}
	q, err := csvQuery(r.URL.Query(), v.Time, p.facts(pt.Name))
	if err != nil {
		return err
	}
	unit, steps, err := p.opts.Trends.Steps(r.Context(), pt.Name, q.from, q.to, q.step)
	if err != nil && !errors.Is(err, exporter.ErrNoTrend) {
		return fmt.Errorf("readings: %w", err)
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", fileName(pt.Name)+".csv"))
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(csvOf(pt.Name, unit, steps, siteZone(v))) // the client may be gone
	return nil
}

func csvQuery(v url.Values, now time.Time, f exporter.PointFacts) (readingsQuery, error) {
	if !v.Has("span") {
		return readingsQueryOf(v, now)
	}
	if len(v) > 1 {
		return readingsQuery{}, problemf(http.StatusBadRequest, "span: it cannot be given beside others").about("span")
	}
	span, err := trendSpanBy(cmp.Or(v.Get("span"), usualTrend))
	if err != nil {
		return readingsQuery{}, err
	}
	step, _ := stepOf(span, f)
	to := now.Truncate(step).Add(step)
	return readingsQuery{to.Add(-span.length), to, step}, nil
}

// fileName keeps of a point's name what every file system takes.
func fileName(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '.' || r == '-' {
			return r
		}
		return '_'
	}, s)
}

// csvOf writes steps as lines (RFC 4180), times in the site's zone with its offset. A step without a value has no line.
func csvOf(point, unit string, steps []exporter.TrendStep, zone *time.Location) []byte {
	b := append(make([]byte, 0, 64*(len(steps)+1)), "time,point,unit,min,mean,max\r\n"...)
	for _, s := range steps {
		if number(s.Min) == nil || number(s.Mean) == nil || number(s.Max) == nil {
			continue
		}
		b = time.UnixMilli(s.Milli).In(zone).AppendFormat(b, time.RFC3339)
		b = append(b, ',')
		b = append(append(append(append(b, csvCell(point)...), ','), csvCell(unit)...), ',')
		for _, value := range []float64{s.Min, s.Mean, s.Max} {
			b = append(strconv.AppendFloat(b, value, 'g', 12, 64), ',')
		}
		b = append(b[:len(b)-1], "\r\n"...)
	}
	return b
}

// csvCell quotes what needs it.
func csvCell(s string) string {
	if !strings.ContainsAny(s, ",\"\r\n") {
		return s
	}
	return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
}
