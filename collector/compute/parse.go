package compute

import (
	"fmt"
	"strconv"

	"roundsman/collector"
)

// How tightly operators bind, as in expr-lang's language, which formulas were
// first written in: 'not a == b' is '(not a) == b', '-a ^ 2' is '-(a ^ 2)'.
const (
	bindOr      = 10
	bindAnd     = 15
	bindCompare = 20
	bindSum     = 30
	bindNot     = 50
	bindProduct = 60
	bindSign    = 90
	bindPower   = 100
)

// binding returns how tightly a binary operator binds, 0 for what is none.
func binding(op string) int {
	switch op {
	case "or", "||":
		return bindOr
	case "and", "&&":
		return bindAnd
	case "==", "!=", "<", "<=", ">", ">=":
		return bindCompare
	case "+", "-":
		return bindSum
	case "*", "/":
		return bindProduct
	case "^", "**":
		return bindPower
	}
	return 0
}

// parser makes a tree of words by precedence climbing.
type parser struct {
	*scanned
	next  int
	nodes int
	depth int
}

// formula reads all words.
func (p *parser) formula() (*node, error) {
	n, err := p.choice()
	if err == nil && p.token().what != ended {
		return nil, p.unexpected()
	}
	return n, err
}

func (p *parser) token() token {
	if p.next < len(p.tokens) {
		return p.tokens[p.next]
	}
	return token{what: ended, at: p.end}
}

// take steps over a symbol if it stands next.
func (p *parser) take(symbol string) bool {
	if t := p.token(); t.what != symbolToken || t.text != symbol {
		return false
	}
	p.next++
	return true
}

func (p *parser) expect(symbol string) error {
	if !p.take(symbol) {
		return p.unexpected()
	}
	return nil
}

func (p *parser) unexpected() error {
	t := p.token()
	if t.what == ended {
		return p.place(t.at, "ends too early")
	}
	text := t.text
	if r := []rune(text); len(r) > maxShown {
		text = string(r[:maxShown]) + "..."
	}
	return p.place(t.at, "unexpected "+text)
}

// made counts a node.
func (p *parser) made(n *node) (*node, error) {
	if p.nodes++; p.nodes > maxNodes {
		return nil, p.place(n.at, fmt.Sprintf("more than %d terms", maxNodes))
	}
	return n, nil
}

// deeper counts a step down; up takes it back.
func (p *parser) deeper() error {
	if p.depth++; p.depth > 4*maxDepth {
		return p.place(p.token().at, fmt.Sprintf("nested deeper than %d", 4*maxDepth))
	}
	return nil
}

func (p *parser) up() { p.depth-- }

// choice reads 'condition ? this : that', or what stands there without it.
func (p *parser) choice() (*node, error) {
	if err := p.deeper(); err != nil {
		return nil, err
	}
	defer p.up()
	at := p.token().at
	n, err := p.binary(1)
	if err != nil || !p.take("?") {
		return n, err
	}
	this, err := p.choice()
	if err != nil {
		return nil, err
	}
	if err := p.expect(":"); err != nil {
		return nil, err
	}
	that, err := p.choice()
	if err != nil {
		return nil, err
	}
	return p.made(&node{op: "?", at: at, parts: []*node{n, this, that}})
}

// binary reads operands joined by operators that bind at least so tightly.
func (p *parser) binary(least int) (*node, error) {
	if err := p.deeper(); err != nil {
		return nil, err
	}
	defer p.up()
	n, err := p.unary()
	compared := false
	for err == nil {
		t := p.token()
		binds := binding(t.text)
		if t.what != symbolToken || binds < least {
			break
		}
		ordered := binds == bindCompare && t.text != "==" && t.text != "!="
		if ordered && compared {
			return nil, p.place(t.at, "compare two values at a time: a < b and b < c")
		}
		compared = ordered
		p.next++
		right := binds + 1
		if binds == bindPower {
			right = binds // 2 ^ 3 ^ 2 is 2 ^ (3 ^ 2)
		}
		var r *node
		if r, err = p.binary(right); err == nil {
			n, err = p.made(&node{op: t.text, at: t.at, parts: []*node{n, r}})
		}
	}
	return n, err
}

func (p *parser) unary() (*node, error) {
	t := p.token()
	binds := 0
	if t.what == symbolToken {
		switch t.text {
		case "-", "+":
			binds = bindSign
		case "not", "!":
			binds = bindNot
		}
	}
	if binds == 0 {
		return p.operand()
	}
	p.next++
	n, err := p.binary(binds)
	if err != nil {
		return nil, err
	}
	return p.made(&node{op: t.text, at: t.at, parts: []*node{n}})
}

func (p *parser) operand() (*node, error) {
	t := p.token()
	switch {
	case t.what == numberToken:
		return p.number(t)
	case t.what == pointToken:
		return p.point(t)
	case t.what == functionToken:
		return p.call(t)
	case p.take("true"):
		return p.made(&node{op: constant, at: t.at, kind: aTruth, value: 1})
	case p.take("false"):
		return p.made(&node{op: constant, at: t.at, kind: aTruth})
	case p.take("("):
		n, err := p.choice()
		if err != nil {
			return nil, err
		}
		return n, p.expect(")")
	}
	return nil, p.unexpected()
}

func (p *parser) number(t token) (*node, error) {
	p.next++
	v, err := strconv.ParseFloat(t.text, 64)
	if err != nil {
		return nil, p.place(t.at, "invalid float literal: too great for a number")
	}
	return p.made(&node{op: constant, at: t.at, value: v})
}

func (p *parser) point(t token) (*node, error) {
	p.next++
	if p.take("(") {
		return nil, p.place(t.at, "number is not callable")
	}
	pt := &p.points[t.n]
	return p.made(&node{op: pointValue, at: t.at, point: t.n, name: pt.Name, state: pt.Kind == collector.State})
}

func (p *parser) call(t token) (*node, error) {
	p.next++
	n := &node{op: t.text, at: t.at}
	if err := p.expect("("); err != nil {
		return nil, err
	}
	for !p.take(")") {
		if len(n.parts) > 0 {
			if err := p.expect(","); err != nil {
				return nil, err
			}
		}
		a, err := p.choice()
		if err != nil {
			return nil, err
		}
		n.parts = append(n.parts, a)
	}
	return p.made(n)
}
