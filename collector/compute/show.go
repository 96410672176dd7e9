package compute

import (
	"strconv"
	"strings"

	"github.com/expr-lang/expr/ast"
)

// String returns the formula as it was understood, with all brackets and
// spaces: '-a^2 + b' is '((-(a ^ 2)) + b)'.
func (p *Program) String() string {
	var b strings.Builder
	p.show(&b, p.code.Node())
	return b.String()
}

// String returns the condition as it was understood; see Program.String.
func (c *ConditionProgram) String() string { return c.p.String() }

func (p *Program) show(b *strings.Builder, node ast.Node) {
	switch n := node.(type) {
	case *ast.IdentifierNode:
		b.WriteString(p.name(n.Value))
	case *ast.FloatNode:
		b.WriteString(strconv.FormatFloat(n.Value, 'g', -1, 64))
	case *ast.BoolNode:
		b.WriteString(strconv.FormatBool(n.Value))
	case *ast.UnaryNode:
		op := n.Operator
		if op == "not" {
			op = "not "
		}
		p.list(b, "("+op, "", ")", n.Node)
	case *ast.BinaryNode:
		if id, ok := n.Left.(*ast.IdentifierNode); ok && p.states[id.Value] && madeTruth(n) {
			b.WriteString(p.name(id.Value))
			return
		}
		p.list(b, "(", " "+n.Operator+" ", ")", n.Left, n.Right)
	case *ast.ConditionalNode:
		p.list(b, "(", " ? ", "", n.Cond, n.Exp1)
		p.list(b, " : ", "", ")", n.Exp2)
	case *ast.CallNode:
		p.showCall(b, n)
	}
}

func (p *Program) showCall(b *strings.Builder, n *ast.CallNode) {
	switch name := n.Callee.String(); name {
	case divideName:
		p.list(b, "(", " / ", ")", n.Arguments...)
	case powerName:
		p.list(b, "(", " ^ ", ")", n.Arguments...)
	default:
		p.list(b, name+"(", ", ", ")", n.Arguments...)
	}
}

func (p *Program) list(b *strings.Builder, open, between, shut string, nodes ...ast.Node) {
	b.WriteString(open)
	for i, n := range nodes {
		if i > 0 {
			b.WriteString(between)
		}
		p.show(b, n)
	}
	b.WriteString(shut)
}

// name returns the point's name for a placeholder.
func (p *Program) name(placeholder string) string {
	i, err := strconv.Atoi(strings.Trim(placeholder, "point_"))
	if err != nil || i >= len(p.names) {
		return placeholder
	}
	return p.names[i]
}

// madeTruth reports whether n is the comparison that vet makes of a state where a truth is wanted.
func madeTruth(n *ast.BinaryNode) bool {
	zero, ok := n.Right.(*ast.FloatNode)
	return ok && zero.Value == 0 && n.Operator == "!="
}
