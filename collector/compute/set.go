package compute

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"roundsman/collector"
)

// Set computes all computed points of a site. It belongs to one goroutine.
type Set struct {
	points   []collector.Point
	latest   []collector.Reading
	moments  []collector.Moment // by point: the newest that observers were told
	cells    []*cell            // each after all it takes
	uses     [][]use            // by point
	dirty    []bool             // by cell
	computed []bool             // by point
}

// use is one place where a point enters a cell.
type use struct{ cell, input int }

// cell is one computed point.
type cell struct {
	point  collector.PointID
	spec   *Spec
	inputs []Input
	values []float64 // scratch: the inputs in the unit the work wants
	work   work
	note   note
}

// work is one computation. compute is called with usable inputs only; it
// returns NoFault, or why the result is missing or doubtful.
type work interface {
	compute(values []float64) (float64, collector.Fault, string)
}

// observer is work over time: it sees every reading of its inputs, bad ones
// too, in the order they came, at moments that are never later than now. The
// time of its result is that of its first input.
type observer interface {
	observe(input int, value float64, usable bool, at collector.Moment)
}

// note remembers the last words made about an input, so that a fault that
// stands does not make them anew each round.
type note struct {
	name   string
	fault  collector.Fault
	detail string
	words  string
}

// New prepares the computed points in specs over all points of the site, which
// are indexed by their ID. All errors are returned at once, joined; a cycle is
// one that names its points in order: 'a -> b -> a'.
func New(points []collector.Point, specs []Spec) (*Set, error) {
	s := &Set{
		points:   points,
		latest:   make([]collector.Reading, len(points)),
		moments:  make([]collector.Moment, len(points)),
		uses:     make([][]use, len(points)),
		computed: make([]bool, len(points)),
	}
	cells := make([]*cell, 0, len(specs))
	var errs []error
	for i := range specs {
		c, err := s.build(&specs[i])
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", specs[i].Name, err))
			continue
		}
		s.computed[c.point] = true
		cells = append(cells, c)
	}
	order, err := sortCells(points, cells)
	if err != nil {
		errs = append(errs, err)
	}
	if len(errs) == 0 {
		errs = append(errs, joinLeaks(points, cells))
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	s.cells = order
	s.dirty = make([]bool, len(order))
	for i, c := range order {
		for k, in := range c.inputs {
			s.uses[in.Point] = append(s.uses[in.Point], use{i, k})
		}
	}
	return s, nil
}

func (s *Set) build(sp *Spec) (*cell, error) {
	if !s.known(sp.Point) {
		return nil, fmt.Errorf("point %d is not one of the site's", sp.Point)
	}
	if s.computed[sp.Point] {
		return nil, errors.New("computed twice")
	}
	w, inputs, err := s.newWork(sp)
	if err != nil {
		return nil, err
	}
	for i := range inputs {
		if !s.known(inputs[i].Point) {
			return nil, fmt.Errorf("input %d: point %d is not one of the site's", i+1, inputs[i].Point)
		}
		if inputs[i].Factor == 0 {
			inputs[i].Factor = 1
		}
	}
	return &cell{point: sp.Point, spec: sp, inputs: inputs, values: make([]float64, len(inputs)), work: w}, nil
}

func (s *Set) known(p collector.PointID) bool { return p >= 0 && int(p) < len(s.points) }

// Step takes the readings of one batch, in order, and appends to out the
// readings of all computed points that take one of them, directly or through
// others: each once, in order of dependency. Readings of points that the set
// computes itself are passed over. It does not allocate in steady state but
// for out, for formulas, and for the words of a fault when it changes.
func (s *Set) Step(now collector.Moment, in []collector.Reading, out []collector.Reading) []collector.Reading {
	for i := range in {
		if r := &in[i]; s.known(r.Point) && !s.computed[r.Point] {
			s.take(now, r)
		}
	}
	for i, c := range s.cells {
		if !s.dirty[i] {
			continue
		}
		s.dirty[i] = false
		r := s.evaluate(now, c)
		s.take(now, &r)
		out = append(out, r)
	}
	return out
}

// Latest returns the last reading of a point, computed or taken in.
func (s *Set) Latest(p collector.PointID) collector.Reading { return s.latest[p] }

func (s *Set) take(now collector.Moment, r *collector.Reading) {
	s.latest[r.Point] = *r
	at := s.moment(now, r)
	for _, u := range s.uses[r.Point] {
		s.dirty[u.cell] = true
		c := s.cells[u.cell]
		if o, ok := c.work.(observer); ok {
			in := &c.inputs[u.input]
			v := r.Value*in.Factor + in.Offset
			o.observe(u.input, v, r.Quality.Usable() && finite(v), at)
		}
	}
}

// lateAtMost is how much older than the one before a reading may be and still
// be a late one; beyond, its device's clock was set back.
const lateAtMost = time.Minute

// moment returns when a reading counts for work over time: when it was
// measured, but now where that cannot be: a stamp of the future would make
// every later reading look old, and so would one from before the clock was set
// back. What is unusable is so from now on. A computed reading is as old as its
// oldest input and yet is what is so now.
func (s *Set) moment(now collector.Moment, r *collector.Reading) collector.Moment {
	last := &s.moments[r.Point]
	at := now
	if r.Quality.Usable() && r.At != 0 && !s.computed[r.Point] {
		at = min(r.At, now)
	}
	if last.Sub(at) > lateAtMost {
		at = max(now, *last)
	}
	*last = max(*last, at)
	return at
}

// evaluate makes one reading from the latest of the cell's inputs.
func (s *Set) evaluate(now collector.Moment, c *cell) collector.Reading {
	worst, at := s.look(c)
	if at == 0 || at > now {
		at = now
	}
	if w, ok := c.work.(standing); ok {
		return stands(w, c.point, now, at)
	}
	r := collector.Reading{Point: c.point, Quality: collector.Good, At: at}
	var doubt *collector.Reading
	if worst >= 0 {
		doubt = &s.latest[c.inputs[worst].Point]
		if fault := lost(doubt.Quality); fault != collector.NoFault {
			return collector.Fail(c.point, fault, 0, at, c.note.about(s.points[c.inputs[worst].Point].Name, doubt))
		}
	}
	v, fault, detail := c.work.compute(c.values)
	if fault.Quality().Usable() && !finite(v) {
		fault, detail = collector.NoResult, "the result is not a finite number"
	}
	if !fault.Quality().Usable() {
		return collector.Fail(c.point, fault, 0, at, detail)
	}
	r.Value, r.Fault, r.Detail, r.Quality = v, fault, detail, fault.Quality()
	if doubt != nil && r.Quality == collector.Good {
		r.Quality, r.Fault, r.Detail = collector.Uncertain, doubt.Fault, c.note.about(s.points[c.inputs[worst].Point].Name, doubt)
	}
	return r
}

// stands makes the reading of work whose inputs do not bear on its result's quality.
func stands(w standing, p collector.PointID, now, at collector.Moment) collector.Reading {
	v, fault, detail := w.stand(now)
	if !fault.Quality().Usable() {
		return collector.Fail(p, fault, 0, at, detail)
	}
	return collector.Reading{Point: p, Value: v, Quality: fault.Quality(), Fault: fault, Detail: detail, At: at}
}

// lost returns the fault of a result for want of an input: one that was not
// read yet is no fault of anything, so neither is the result.
func lost(q collector.Quality) collector.Fault {
	switch q {
	case collector.Unread:
		return collector.NotRead
	case collector.Bad:
		return collector.InputLost
	}
	return collector.NoFault
}

// look fills in the cell's values and returns its worst input that is not
// good (the first of several), -1 for none, and the time of the result.
func (s *Set) look(c *cell) (worst int, at collector.Moment) {
	worst = -1
	_, overTime := c.work.(observer)
	for i := range c.inputs {
		in := &c.inputs[i]
		r := &s.latest[in.Point]
		c.values[i] = r.Value*in.Factor + in.Offset
		if w := gravity(r.Quality); w > gravity(collector.Good) && (worst < 0 || w > gravity(s.latest[c.inputs[worst].Point].Quality)) {
			worst = i
		}
		if r.Quality == collector.Unread && r.At == 0 || overTime && i > 0 {
			continue
		}
		if at == 0 || r.At < at {
			at = r.At
		}
	}
	return worst, at
}

// gravity orders qualities by what they do to a result: a lost input says more than one that was not read yet.
func gravity(q collector.Quality) int {
	switch q {
	case collector.Good:
		return 0
	case collector.Uncertain:
		return 1
	case collector.Unread:
		return 2
	}
	return 3
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// about returns the words about an input that is not good: its name and its reason.
func (n *note) about(name string, r *collector.Reading) string {
	if n.words != "" && n.name == name && n.fault == r.Fault && n.detail == r.Detail {
		return n.words
	}
	words := name
	reason := r.Reason()
	switch {
	case r.Quality == collector.Uncertain || r.Quality == collector.Unread: // the fault itself is carried on
		reason = r.Detail
	case reason == "":
		reason = r.Quality.String()
	}
	if reason != "" {
		words += ": " + reason
	}
	*n = note{name, r.Fault, r.Detail, words}
	return words
}

// sortCells puts each cell behind all it takes, otherwise in the given order.
func sortCells(points []collector.Point, cells []*cell) ([]*cell, error) {
	o := ordering{
		points: points,
		by:     make(map[collector.PointID]*cell, len(cells)),
		state:  make(map[*cell]visit, len(cells)),
		order:  make([]*cell, 0, len(cells)),
	}
	for _, c := range cells {
		o.by[c.point] = c
	}
	var errs []error
	for _, c := range cells {
		o.path = o.path[:0]
		if err := o.visit(c); err != nil {
			errs = append(errs, err)
		}
	}
	return o.order, errors.Join(errs...)
}

type visit uint8

const (
	unseen visit = iota
	open
	done
)

type ordering struct {
	points []collector.Point
	by     map[collector.PointID]*cell
	state  map[*cell]visit
	path   []*cell
	order  []*cell
}

func (o *ordering) visit(c *cell) error {
	switch o.state[c] {
	case done:
		return nil
	case open:
		return o.cycle(c)
	}
	o.state[c] = open
	o.path = append(o.path, c)
	var err error
	for _, in := range c.inputs {
		if next := o.by[in.Point]; next != nil && err == nil {
			err = o.visit(next)
		}
	}
	o.path = o.path[:len(o.path)-1]
	o.state[c] = done
	o.order = append(o.order, c)
	return err
}

// cycle returns the error for a path that has come back to c.
func (o *ordering) cycle(c *cell) error {
	var names []string
	for i := len(o.path) - 1; i >= 0; i-- {
		names = append(names, o.points[o.path[i].point].Name)
		if o.path[i] == c {
			break
		}
	}
	// The path runs from the result to what it takes; told the other way it
	// would be harder to follow in the file.
	var b strings.Builder
	for i := len(names) - 1; i >= 0; i-- {
		b.WriteString(names[i])
		b.WriteString(" -> ")
	}
	b.WriteString(o.points[c.point].Name)
	return fmt.Errorf("computed points take each other in a circle: %s", b.String())
}
