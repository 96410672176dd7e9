package compute

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"

	"github.com/expr-lang/expr"
	"github.com/expr-lang/expr/checker"
	"github.com/expr-lang/expr/compiler"
	"github.com/expr-lang/expr/conf"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser"
	"github.com/expr-lang/expr/vm"

	"roundsman/collector"
)

// The bounds of a formula. A formula that a person can follow stays far below.
const (
	maxSource = 4096 // bytes
	maxNodes  = 500
	maxDepth  = 64      // of brackets
	budget    = 1 << 12 // of the evaluation's memory
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
	names  []string
	states map[string]bool // by placeholder
	code   *vm.Program
	vm     vm.VM
	env    map[string]any
}

// Compile compiles a formula whose result is a number. Its errors are of type *Error.
func Compile(text string, resolve Resolve) (*Program, error) {
	p, err := compile(text, resolve, false)
	if err != nil {
		return nil, err
	}
	if t := p.code.Node().Type(); t.Kind() != reflect.Float64 {
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
	p, err := compile(text, resolve, true)
	if err != nil {
		return nil, err
	}
	if t := p.code.Node().Type(); t.Kind() != reflect.Bool {
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
	for i, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, errInput
		}
		p.env[placeholder(i)] = v
	}
	out, err := p.vm.Run(p.code, p.env)
	if err != nil {
		return 0, plainly(err)
	}
	switch v := out.(type) {
	case bool:
		if v {
			return 1, nil
		}
		return 0, nil
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, errResult
		}
		return v, nil
	}
	return 0, errResult
}

// plainly returns the innermost error of a run: ours, without the library's excerpt of the source.
func plainly(err error) error {
	for {
		inner := errors.Unwrap(err)
		if inner == nil {
			break
		}
		err = inner
	}
	var e *file.Error
	if errors.As(err, &e) {
		return errors.New(e.Message)
	}
	return err
}

func compile(text string, resolve Resolve, condition bool) (*Program, error) {
	src, err := scan(text, resolve)
	if err != nil {
		return nil, err
	}
	p := &Program{env: make(map[string]any, len(src.points))}
	p.vm.MemoryBudget = budget
	p.states = make(map[string]bool)
	for i, pt := range src.points {
		p.points = append(p.points, pt.ID)
		p.names = append(p.names, pt.Name)
		p.env[placeholder(i)] = 0.0
		p.states[placeholder(i)] = pt.Kind == collector.State
	}
	config := newConfig(p.env)
	tree, err := parser.ParseWithConfig(src.text, config)
	if err != nil {
		return nil, src.explain(err)
	}
	if err := vet(&tree.Node, p.states, condition); err != nil {
		return nil, src.explain(err)
	}
	if _, err := new(checker.Checker).PatchAndCheck(tree, config); err != nil {
		return nil, src.explain(err)
	}
	if k := tree.Node.Type().Kind(); k != reflect.Float64 && k != reflect.Bool {
		return nil, &Error{1, 1, "the result is neither a number nor a truth"}
	}
	if p.code, err = compiler.Compile(tree, config); err != nil {
		return nil, src.explain(err)
	}
	return p, nil
}

func newConfig(env map[string]any) *conf.Config {
	c := conf.CreateNew()
	options := []expr.Option{
		expr.Env(env), expr.DisableAllBuiltins(), expr.MaxNodes(maxNodes), expr.DisableIfOperator(),
		expr.Function(divideName, divide, new(func(float64, float64) float64)),
		expr.Function(powerName, power, new(func(float64, float64) float64)),
	}
	for name, f := range functions() {
		options = append(options, expr.Function(name, f.call, f.kind))
	}
	for _, o := range options {
		o(c)
	}
	for name := range c.Disabled {
		delete(c.Builtins, name)
	}
	c.Check()
	return c
}

// placeholders stand in the text for point names, which the library could not read.
func placeholder(i int) string { return "point_" + strconv.Itoa(i) + "_" }

// The functions that take the place of the operators which can have no result.
const (
	divideName = "divide_"
	powerName  = "power_"
)

type function struct {
	call func(...any) (any, error)
	kind any
}

// functions are all that a formula may call.
func functions() map[string]function {
	one := func(f func(float64) float64) function {
		return function{func(a ...any) (any, error) { return f(a[0].(float64)), nil }, new(func(float64) float64)}
	}
	many := func(f func(a, b float64) float64) function {
		return function{func(a ...any) (any, error) {
			v := a[0].(float64)
			for _, x := range a[1:] {
				v = f(v, x.(float64))
			}
			return v, nil
		}, new(func(float64, float64, ...float64) float64)}
	}
	return map[string]function{
		"min": many(math.Min), "max": many(math.Max),
		"abs": one(math.Abs), "round": one(math.Round), "floor": one(math.Floor), "ceil": one(math.Ceil),
		"sqrt": {root, new(func(float64) float64)},
	}
}

func divide(a ...any) (any, error) {
	if a[1].(float64) == 0 {
		return nil, errDivision
	}
	return a[0].(float64) / a[1].(float64), nil
}

func power(a ...any) (any, error) {
	v := math.Pow(a[0].(float64), a[1].(float64))
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil, errPower
	}
	return v, nil
}

func root(a ...any) (any, error) {
	if a[0].(float64) < 0 {
		return nil, errRoot
	}
	return math.Sqrt(a[0].(float64)), nil
}

// explain turns an error of the library into one of ours: its place in the
// source as written, its words with the points' names.
func (s *source) explain(err error) error {
	var ours *Error
	if errors.As(err, &ours) {
		return err
	}
	var e *file.Error
	if !errors.As(err, &e) {
		return &Error{1, 1, err.Error()}
	}
	words := e.Message
	if strings.Contains(words, "maximum allowed nodes") {
		words = fmt.Sprintf("more than %d terms", maxNodes)
	}
	for i := len(s.points) - 1; i >= 0; i-- {
		words = strings.ReplaceAll(words, placeholder(i), s.points[i].Name)
	}
	words = strings.NewReplacer("unexpected token EOF", "ends too early", "float64", "number", "bool", "truth", divideName, "/", powerName, "^").Replace(words)
	return s.place(s.original(e.From), words)
}
