package panel

import (
	"context"
	"html/template"
	"math"
	"slices"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/panel/draw"
)

const (
	traceSpan = time.Hour
	// traceStep makes thirty steps of the hour, from the figures of minutes that the record has ready.
	traceStep  = 2 * time.Minute
	traceEvery = time.Minute
	// traceShare of the time at most is spent on drawing: a large site on a slow box is drawn less often.
	traceShare = 50
	// traceHold is how long a page waits for traces, when nobody had looked for a while.
	traceHold = time.Second
)

// traces are the last hour of each point, small, as drawn last. They do not change.
type traces struct {
	site  *exporter.Site
	svg   []template.HTML // by point; "" for none
	until time.Time       // that they are new enough to be shown
	next  chan struct{}   // closed when others take their place
}

// looked tells that somebody looks at traces. Where nobody did for so long that they are old, it waits for new ones, but not long.
func (p *Panel) looked(ctx context.Context) {
	select {
	case p.looks <- struct{}{}:
	default: // it is told already
	}
	t := p.traces.Load()
	if p.opts.Trends == nil || t == nil || time.Now().Before(t.until) {
		return
	}
	select {
	case <-t.next:
	case <-time.After(traceHold):
	case <-ctx.Done():
	}
}

// put puts traces in the place of the ones before.
func (p *Panel) put(t *traces) {
	t.next = make(chan struct{})
	if old := p.traces.Swap(t); old != nil {
		close(old.next)
	}
}

// Run keeps what the pages show beside the view: the traces of the last hour, drawn once a minute for all viewers while there
// are any, and since when states are as they are. It ends with ctx and touches nothing of the judge's.
func (p *Panel) Run(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return p.keepTraces(ctx) })
	g.Go(func() error { return p.watchStates(ctx) })
	return g.Wait()
}

func (p *Panel) keepTraces(ctx context.Context) error {
	if p.traces.Load() == nil {
		p.put(&traces{site: p.board.Peek().Site}) // from now on a page may wait for more
	}
	for {
		select {
		case <-p.looks:
		case <-ctx.Done():
			return ctx.Err()
		}
		begun := time.Now()
		made, err := p.drawTraces(ctx)
		if err != nil && ctx.Err() == nil {
			p.opts.Log.Error("traces not drawn", "err", err)
		}
		wait := max(made.wait(), traceShare*time.Since(begun))
		made.until = time.Now().Add(wait + traceEvery)
		p.put(made)
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// wait is the time to the next drawing: short as long as there is nothing to draw, after a first start.
func (t *traces) wait() time.Duration {
	if !slices.ContainsFunc(t.svg, func(s template.HTML) bool { return s != "" }) {
		return traceEvery / 6
	}
	return traceEvery
}

// drawTraces draws all traces anew, one after the other as the record hands them out. Those from an error on are not there.
func (p *Panel) drawTraces(ctx context.Context) (*traces, error) {
	v := p.board.Peek() // drawing is no reason for another view
	made := &traces{site: v.Site, svg: make([]template.HTML, len(v.Site.Points))}
	if p.opts.Trends == nil {
		return made, nil
	}
	all := limitsOf(v.Site)
	var names []string
	places := map[string]int{}
	for i := range v.Site.Points {
		if pt := &v.Site.Points[i]; pt.Kind == collector.Number {
			names, places[pt.Name] = append(names, pt.Name), i
		}
	}
	to := v.Time.Truncate(traceStep).Add(traceStep)
	for of, err := range p.opts.Trends.Each(ctx, names, to.Add(-traceSpan), to, traceStep) {
		if err != nil {
			return made, err
		}
		i := places[of.Point]
		if pt := &v.Site.Points[i]; of.Unit == pt.Unit {
			made.svg[i] = p.trace(pt, to, of.Steps, all[i])
		}
	}
	return made, nil
}

func (p *Panel) trace(pt *collector.Point, to time.Time, steps []exporter.TrendStep, l limits) template.HTML {
	t := draw.Trace{From: to.Add(-traceSpan), To: to, Step: traceStep, Least: leastHeight(pt), Steps: drawSteps(steps)}
	t.Hold = max(traceStep*3/2, p.facts(pt.Name).Quiet+traceStep)
	for _, value := range []float64{l.highHigh, l.high, l.low, l.lowLow} {
		if !math.IsNaN(value) {
			t.Limits = append(t.Limits, draw.Limit{Value: value})
		}
	}
	return t.SVG()
}

// sinceLog tells since when each point's state is what it is.
type sinceLog struct{ latest atomic.Pointer[sinces] }

// sinces do not change; 0: longer than it was watched.
type sinces struct {
	site *exporter.Site
	at   []collector.Moment // by point
}

// of returns since when a point is as it is, 0 if that is not known.
func (l *sinceLog) of(site *exporter.Site, i int) collector.Moment {
	s := l.latest.Load()
	if s == nil || s.site != site || i >= len(s.at) {
		return 0
	}
	return s.at[i]
}

// watchStates follows the board.
func (p *Panel) watchStates(ctx context.Context) error {
	last := p.board.Peek()
	for {
		changed := p.board.Changed() // before Peek, so that nothing is missed
		v := p.board.Peek()
		p.log.step(last, v)
		p.shared.turn(v)
		last = v
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// step notes what changed between two views. What was not read before has been so for nobody knows how long.
func (l *sinceLog) step(old, v *exporter.View) {
	now := l.latest.Load()
	fresh := now == nil || !samePlaces(now.site, v.Site)
	if fresh {
		now = &sinces{at: make([]collector.Moment, len(v.Site.Points))}
	}
	next := now
	for i := range v.Site.Points {
		if fresh || !stateChanged(&v.Site.Points[i], reading(old, i), reading(v, i)) {
			continue
		}
		if next == now {
			next = &sinces{at: append([]collector.Moment(nil), now.at...)}
		}
		if next.at[i] = v.At; reading(old, i).Quality == collector.Unread {
			next.at[i] = 0
		}
	}
	if fresh || next != now || now.site != v.Site {
		l.latest.Store(&sinces{site: v.Site, at: next.at})
	}
}

// samePlaces reports whether two sites have the same points in the same places; a reload keeps them.
func samePlaces(a, b *exporter.Site) bool {
	if a == b {
		return true
	}
	if len(a.Points) != len(b.Points) {
		return false
	}
	for i := range a.Points {
		if a.Points[i].Name != b.Points[i].Name {
			return false
		}
	}
	return true
}

// stateChanged reports whether a reading came or went, or a state changed.
func stateChanged(pt *collector.Point, a, b collector.Reading) bool {
	if a.Quality.Usable() != b.Quality.Usable() {
		return true
	}
	return pt.Kind == collector.State && b.Quality.Usable() && a.Value != b.Value
}

// dress adds to the rows of a sheet what is not of the view: traces, and since when.
func (p *Panel) dress(s *sheet, v *exporter.View) {
	drawn := p.traces.Load()
	fresh := drawn != nil && time.Now().Before(drawn.until)
	at := p.wallTime(v.At).In(siteZone(v))
	for i := range s.Stations {
		for j := range s.Stations[i].Rows {
			r := &s.Stations[i].Rows[j]
			if fresh && samePlaces(drawn.site, v.Site) && r.place < len(drawn.svg) {
				r.Trace = drawn.svg[r.place]
			}
			if m := p.log.of(v.Site, r.place); m != 0 && (r.Kind == "state" || r.Quality == "bad") {
				r.Since = shortTime(p.wallTime(m), at)
			}
		}
	}
}

// shortTime returns a time of today as hours and minutes, an earlier one as its day.
func shortTime(t, at time.Time) string {
	t = t.In(at.Location())
	if t.YearDay() == at.YearDay() && t.Year() == at.Year() {
		return t.Format("15:04")
	}
	return t.Format("Mon 2 Jan")
}
