package compute

import (
	"errors"
	"fmt"

	"roundsman/collector"
)

// The bounds of a formula. A formula that a person can follow stays far below.
const (
	maxSource = 4096 // bytes
	maxNodes  = 500
	maxDepth  = 64 // of brackets
)

// Error is what is wrong with a formula and where in its source. Lines and
// columns count from 1; columns are characters.
type Error struct {
	Line, Column int
	Reason       string
}

// Error returns the reason with its place.
func (e *Error) Error() string {
	if e.Line > 1 {
		return fmt.Sprintf("line %d, column %d: %s", e.Line, e.Column, e.Reason)
	}
	return fmt.Sprintf("column %d: %s", e.Column, e.Reason)
}

// Resolve finds a point by its name; see collector.Point.Kind for what its value is in a formula.
type Resolve func(name string) (collector.Point, bool)

// Program is a compiled formula. It belongs to one goroutine.
type Program struct {
	points []collector.PointID
	tree   *node
}

// Compile compiles a formula whose result is a number. Its errors are of type *Error.
func Compile(text string, resolve Resolve) (*Program, error) {
	p, err := compile(text, resolve, aNumber)
	if err != nil {
		return nil, err
	}
	if p.tree.kind != aNumber {
		return nil, &Error{1, 1, "the result is a truth, a number is wanted: condition ? 1 : 0"}
	}
	return p, nil
}

// Points returns the points the formula takes, each once, in the order of their first mention.
func (p *Program) Points() []collector.PointID { return p.points }

// Eval returns the result for the values of Points, in their order. Division
// by 0, a root or power that is no real number, and a value or result that is
// not finite are errors.
func (p *Program) Eval(values []float64) (float64, error) { return p.number(values) }

// ConditionProgram is a compiled formula whose result is a truth. It belongs to one goroutine.
type ConditionProgram struct{ p Program }

// CompileCondition compiles a formula whose result is a truth: a comparison,
// states, or both joined by and, or, not. Its errors are of type *Error.
func CompileCondition(text string, resolve Resolve) (*ConditionProgram, error) {
	p, err := compile(text, resolve, aTruth)
	if err != nil {
		return nil, err
	}
	if p.tree.kind != aTruth {
		return nil, &Error{1, 1, "the result is a number, a truth is wanted: compare it with something"}
	}
	return &ConditionProgram{*p}, nil
}

// Points returns the points the condition takes, each once, in the order of their first mention.
func (c *ConditionProgram) Points() []collector.PointID { return c.p.points }

// Eval returns the truth for the values of Points, in their order; for its errors see Program.Eval.
func (c *ConditionProgram) Eval(values []float64) (bool, error) {
	v, err := c.p.number(values)
	return v != 0, err
}

var (
	errDivision = errors.New("division by 0")
	errPower    = errors.New("a power that is no real number")
	errRoot     = errors.New("a root of a negative number")
	errInput    = errors.New("a value is not a finite number")
	errResult   = errors.New("the result is not a finite number")
)

// number runs the formula; a truth is 1 or 0.
func (p *Program) number(values []float64) (float64, error) {
	if len(values) != len(p.points) {
		return 0, fmt.Errorf("%d values for %d points", len(values), len(p.points))
	}
	for _, v := range values {
		if !finite(v) {
			return 0, errInput
		}
	}
	v, err := p.tree.eval(values)
	if err == nil && !finite(v) {
		return 0, errResult
	}
	return v, err
}

func compile(text string, resolve Resolve, want kind) (*Program, error) {
	s, err := scan(text, resolve)
	if err != nil {
		return nil, err
	}
	tree, err := (&parser{scanned: s}).formula()
	if err == nil {
		err = tree.fit(s)
	}
	if err != nil {
		return nil, err
	}
	if want == aTruth {
		tree.asTruth()
	}
	p := &Program{tree: tree}
	for _, pt := range s.points {
		p.points = append(p.points, pt.ID)
	}
	return p, nil
}

// String returns the formula as it was understood, with all brackets and
// spaces: '-a^2 + b' is '((-(a ^ 2)) + b)'.
func (p *Program) String() string { return p.tree.String() }

// String returns the condition as it was understood; see Program.String.
func (c *ConditionProgram) String() string { return c.p.String() }
