package compute

import (
	"fmt"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
)

// vet lets only arithmetic, comparison, logic, choice and calls by name pass,
// and fits the tree to our use of it: states become truths where a truth is
// wanted, division and power become calls that can fail. It walks by itself,
// since the library's walker does not stop and visits shared nodes again.
func vet(node *ast.Node, states map[string]bool, condition bool) error {
	v := &vetting{states: states}
	if err := v.node(node); err != nil {
		return err
	}
	if condition {
		v.truth(node)
	}
	return nil
}

type vetting struct {
	states map[string]bool
	depth  int
}

func (v *vetting) node(node *ast.Node) error {
	v.depth++
	defer func() { v.depth-- }()
	if v.depth > 4*maxDepth {
		return refuse(*node, fmt.Sprintf("nested deeper than %d", 4*maxDepth))
	}
	switch n := (*node).(type) {
	case *ast.IdentifierNode, *ast.FloatNode, *ast.BoolNode:
		return nil
	case *ast.UnaryNode:
		return v.unary(n)
	case *ast.BinaryNode:
		return v.binary(node, n)
	case *ast.ConditionalNode:
		return v.choice(n)
	case *ast.CallNode:
		return v.call(n)
	case nil:
		return &Error{1, 1, "empty"}
	}
	return refuse(*node, "only arithmetic, comparisons, and, or, not, ?: and the functions may stand in a formula")
}

func (v *vetting) unary(n *ast.UnaryNode) error {
	if err := v.node(&n.Node); err != nil {
		return err
	}
	if n.Operator == "not" || n.Operator == "!" {
		v.truth(&n.Node)
	}
	return nil
}

func (v *vetting) binary(node *ast.Node, n *ast.BinaryNode) error {
	if shared(n) {
		return refuse(n, "compare two values at a time: a < b and b < c")
	}
	if err := v.node(&n.Left); err != nil {
		return err
	}
	if err := v.node(&n.Right); err != nil {
		return err
	}
	switch n.Operator {
	case "+", "-", "*", "<", "<=", ">", ">=":
	case "and", "or", "&&", "||":
		v.truth(&n.Left)
		v.truth(&n.Right)
	case "==", "!=":
		if isTruth(n.Left) || isTruth(n.Right) {
			v.truth(&n.Left)
			v.truth(&n.Right)
		}
	case "/":
		ast.Patch(node, call(divideName, n))
	case "^", "**":
		ast.Patch(node, call(powerName, n))
	default:
		return refuse(n, "there is no "+n.Operator+" in a formula")
	}
	return nil
}

func (v *vetting) choice(n *ast.ConditionalNode) error {
	for _, part := range []*ast.Node{&n.Cond, &n.Exp1, &n.Exp2} {
		if err := v.node(part); err != nil {
			return err
		}
	}
	v.truth(&n.Cond)
	if isTruth(n.Exp1) || isTruth(n.Exp2) {
		v.truth(&n.Exp1)
		v.truth(&n.Exp2)
	}
	return nil
}

func (v *vetting) call(n *ast.CallNode) error {
	if _, ok := n.Callee.(*ast.IdentifierNode); !ok {
		return refuse(n, "only a function can be called")
	}
	for i := range n.Arguments {
		if err := v.node(&n.Arguments[i]); err != nil {
			return err
		}
	}
	return nil
}

// truth turns a state's number into a truth; other nodes are left to the type check.
func (v *vetting) truth(node *ast.Node) {
	if c, ok := (*node).(*ast.ConditionalNode); ok {
		v.truth(&c.Exp1)
		v.truth(&c.Exp2)
		return
	}
	id, ok := (*node).(*ast.IdentifierNode)
	if !ok || !v.states[id.Value] {
		return
	}
	number := &ast.IdentifierNode{Value: id.Value}
	number.SetLocation(id.Location())
	ast.Patch(node, &ast.BinaryNode{Operator: "!=", Left: number, Right: &ast.FloatNode{Value: 0}})
}

func isTruth(node ast.Node) bool {
	switch n := node.(type) {
	case *ast.BoolNode:
		return true
	case *ast.UnaryNode:
		return n.Operator == "not" || n.Operator == "!"
	case *ast.BinaryNode:
		switch n.Operator {
		case "+", "-", "*":
			return false
		}
		return true
	case *ast.ConditionalNode:
		return isTruth(n.Exp1) || isTruth(n.Exp2)
	}
	return false
}

// shared reports whether n is 'a < b < c', which the library reads as two
// comparisons that share b: nested, they would double the work at each level.
func shared(n *ast.BinaryNode) bool {
	l, okL := n.Left.(*ast.BinaryNode)
	r, okR := n.Right.(*ast.BinaryNode)
	return okL && okR && l.Right == r.Left
}

func call(name string, n *ast.BinaryNode) ast.Node {
	callee := &ast.IdentifierNode{Value: name}
	callee.SetLocation(n.Location())
	return &ast.CallNode{Callee: callee, Arguments: []ast.Node{n.Left, n.Right}}
}

func refuse(n ast.Node, why string) error {
	return &file.Error{Location: n.Location(), Message: why}
}
