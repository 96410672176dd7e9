package compute

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// kind is what a node gives: a number, or a truth, which is 1 or 0.
type kind uint8

const (
	aNumber kind = iota
	aTruth
)

func (k kind) String() string { return [...]string{"number", "truth"}[k] }

// node is one term of a formula: an operator or function with its parts, or
// one without parts.
type node struct {
	op    string // as written; see below for the others
	at    int    // rune
	kind  kind
	parts []*node
	value float64 // of a constant
	point int     // its place among the values
	name  string  // of the point
	state bool    // the point's value is 0 or 1: it can stand for a truth
	code  opcode
}

// The ops that are not written as such.
const (
	constant   = "1"
	pointValue = "p"
)

// opcode is op in a form that is quick to tell apart.
type opcode uint8

const (
	opConstant opcode = iota
	opPoint
	opState // a point's value as a truth
	opNot
	opMinus
	opPlus
	opAnd
	opOr
	opChoice
	opAdd
	opSubtract
	opMultiply
	opDivide
	opPower
	opEqual
	opUnequal
	opLess
	opLessEqual
	opGreater
	opGreaterEqual
	opCall // see functions
)

var binaries = map[string]opcode{
	"and": opAnd, "&&": opAnd, "or": opOr, "||": opOr, "+": opAdd, "-": opSubtract, "*": opMultiply, "/": opDivide, "^": opPower, "**": opPower,
	"==": opEqual, "!=": opUnequal, "<": opLess, "<=": opLessEqual, ">": opGreater, ">=": opGreaterEqual,
}

// function is one that a formula may call, by how many arguments it takes.
type function struct {
	least, most int
	first       func(float64) float64      // of one argument; nil: the argument itself
	more        func(a, b float64) float64 // takes in each further one
}

// functions are all that a formula may call.
var functions = map[string]function{
	"min": {2, maxNodes, nil, math.Min}, "max": {2, maxNodes, nil, math.Max},
	"abs": {1, 1, math.Abs, nil}, "round": {1, 1, math.Round, nil}, "floor": {1, 1, math.Floor, nil}, "ceil": {1, 1, math.Ceil, nil},
	"sqrt": {1, 1, math.Sqrt, nil},
}

// fit gives the node and its parts their kinds; states become truths where a truth is wanted.
func (n *node) fit(s *scanned) error {
	for _, p := range n.parts {
		if err := p.fit(s); err != nil {
			return err
		}
	}
	switch {
	case n.op == constant:
		return nil
	case n.op == pointValue:
		n.code = opPoint
		return nil
	case n.op == "?":
		return n.fitChoice(s)
	case isFunction(n.op):
		return n.fitCall(s)
	case len(n.parts) == 1:
		return n.fitUnary(s)
	}
	return n.fitBinary(s)
}

func isFunction(op string) bool {
	_, ok := functions[op]
	return ok
}

func (n *node) fitUnary(s *scanned) error {
	wants := aNumber
	switch n.op {
	case "-":
		n.code = opMinus
	case "+":
		n.code = opPlus
	default:
		n.code, wants = opNot, aTruth
		n.parts[0].asTruth()
	}
	n.kind = wants
	if n.parts[0].kind != wants {
		return s.place(n.at, fmt.Sprintf("invalid operation: %s (mismatched type %s)", n.op, n.parts[0].kind))
	}
	return nil
}

func (n *node) fitBinary(s *scanned) error {
	a, b := n.parts[0], n.parts[1]
	n.code = binaries[n.op]
	wants := aNumber
	switch n.code {
	case opAnd, opOr:
		wants = aTruth
	case opEqual, opUnequal:
		if a.kind == aTruth || b.kind == aTruth {
			wants = aTruth
		}
	}
	if wants == aTruth {
		a.asTruth()
		b.asTruth()
	}
	if a.kind != wants || b.kind != wants {
		return s.place(n.at, fmt.Sprintf("invalid operation: %s (mismatched types %s and %s)", n.op, a.kind, b.kind))
	}
	if n.code < opAdd || n.code > opPower {
		n.kind = aTruth
	}
	return nil
}

func (n *node) fitChoice(s *scanned) error {
	condition, this, that := n.parts[0], n.parts[1], n.parts[2]
	n.code = opChoice
	condition.asTruth()
	if condition.kind != aTruth {
		return s.place(condition.at, "a number stands before the ?, a truth is wanted: compare it with something")
	}
	if this.kind == aTruth || that.kind == aTruth {
		this.asTruth()
		that.asTruth()
	}
	if this.kind != that.kind {
		return s.place(n.at, "the result is neither a number nor a truth")
	}
	n.kind = this.kind
	return nil
}

func (n *node) fitCall(s *scanned) error {
	f := functions[n.op]
	n.code = opCall
	switch {
	case len(n.parts) < f.least:
		return s.place(n.at, "not enough arguments to call "+n.op)
	case len(n.parts) > f.most:
		return s.place(n.at, "too many arguments to call "+n.op)
	}
	for _, p := range n.parts {
		if p.kind != aNumber {
			return s.place(p.at, "a truth is given to "+n.op+", a number is wanted")
		}
	}
	return nil
}

// asTruth makes a truth of a state, or of a choice between states; other nodes stay as they are.
func (n *node) asTruth() {
	switch {
	case n.code == opPoint && n.state:
		n.code, n.kind = opState, aTruth
	case n.code == opChoice && n.kind == aNumber:
		this, that := n.parts[1], n.parts[2]
		this.asTruth()
		that.asTruth()
		if this.kind == aTruth && that.kind == aTruth {
			n.kind = aTruth
		}
	}
}

// eval returns the node's value; a truth is 1 or 0.
func (n *node) eval(values []float64) (float64, error) {
	switch n.code {
	case opConstant:
		return n.value, nil
	case opPoint:
		return values[n.point], nil
	case opState:
		return one(values[n.point] != 0), nil
	case opChoice, opAnd, opOr:
		return n.decide(values)
	case opCall:
		return n.evalCall(values)
	}
	a, err := n.parts[0].eval(values)
	if err != nil {
		return 0, err
	}
	switch n.code {
	case opNot:
		return one(a == 0), nil
	case opMinus:
		return -a, nil
	case opPlus:
		return a, nil
	}
	b, err := n.parts[1].eval(values)
	if err != nil {
		return 0, err
	}
	return n.join(a, b)
}

// decide evaluates only the parts that are needed.
func (n *node) decide(values []float64) (float64, error) {
	v, err := n.parts[0].eval(values)
	switch {
	case err != nil:
		return 0, err
	case n.code == opChoice && v == 0:
		return n.parts[2].eval(values)
	case n.code == opAnd && v == 0, n.code == opOr && v != 0:
		return v, nil
	}
	return n.parts[1].eval(values)
}

// join applies an operator to two values.
func (n *node) join(a, b float64) (float64, error) {
	switch n.code {
	case opAdd:
		return a + b, nil
	case opSubtract:
		return a - b, nil
	case opMultiply:
		return a * b, nil
	case opDivide:
		if b == 0 {
			return 0, errDivision
		}
		return a / b, nil
	case opPower:
		v := math.Pow(a, b)
		if !finite(v) {
			return 0, errPower
		}
		return v, nil
	case opEqual:
		return one(a == b), nil
	case opUnequal:
		return one(a != b), nil
	case opLess:
		return one(a < b), nil
	case opLessEqual:
		return one(a <= b), nil
	case opGreater:
		return one(a > b), nil
	}
	return one(a >= b), nil
}

func one(is bool) float64 {
	if is {
		return 1
	}
	return 0
}

func (n *node) evalCall(values []float64) (float64, error) {
	f := functions[n.op]
	v, err := n.parts[0].eval(values)
	if err != nil {
		return 0, err
	}
	if n.op == "sqrt" && v < 0 {
		return 0, errRoot
	}
	if f.first != nil {
		v = f.first(v)
	}
	for _, p := range n.parts[1:] {
		w, err := p.eval(values)
		if err != nil {
			return 0, err
		}
		v = f.more(v, w)
	}
	return v, nil
}

// String writes the node with all brackets and spaces.
func (n *node) String() string {
	var b strings.Builder
	n.show(&b)
	return b.String()
}

func (n *node) show(b *strings.Builder) {
	switch {
	case n.code == opConstant && n.kind == aTruth:
		b.WriteString(strconv.FormatBool(n.value != 0))
	case n.code == opConstant:
		b.WriteString(strconv.FormatFloat(n.value, 'g', -1, 64))
	case n.code == opPoint, n.code == opState:
		b.WriteString(n.name)
	case n.code == opChoice:
		list(b, "(", " ? ", " : ", n.parts[:2])
		list(b, "", "", ")", n.parts[2:])
	case n.code == opCall:
		list(b, n.op+"(", ", ", ")", n.parts)
	case n.op == "not":
		list(b, "(not ", "", ")", n.parts)
	case len(n.parts) == 1:
		list(b, "("+n.op, "", ")", n.parts)
	case n.code == opPower:
		list(b, "(", " ^ ", ")", n.parts)
	default:
		list(b, "(", " "+n.op+" ", ")", n.parts)
	}
}

func list(b *strings.Builder, open, between, shut string, nodes []*node) {
	b.WriteString(open)
	for i, n := range nodes {
		if i > 0 {
			b.WriteString(between)
		}
		n.show(b)
	}
	b.WriteString(shut)
}
