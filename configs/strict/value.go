package strict

import (
	"fmt"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v4"
)

// Value is one value of a file, with its place. All methods of a nil Value
// answer as for an absent one, so that callers need not ask at every step.
type Value struct {
	file   *file
	node   *yaml.Node
	shape  *Shape
	parent *Value
	key    *yaml.Node // of a mapping
	index  int        // in a list, from 1
}

func (f *file) ok(n *yaml.Node) bool { return !f.bad[n] }

// Path returns the keys from the top, joined by dots.
func (v *Value) Path() string {
	if v == nil || v.parent == nil {
		return ""
	}
	up := v.parent.Path()
	switch {
	case v.key == nil:
		return up + "[" + strconv.Itoa(v.index) + "]"
	case up == "":
		return v.key.Value
	}
	return up + "." + v.key.Value
}

// Key returns the key the value stands under, ” for an entry of a list.
func (v *Value) Key() string {
	if v == nil || v.key == nil {
		return ""
	}
	return v.key.Value
}

// Place returns file:line of the value's key, for messages about it later.
func (v *Value) Place() string {
	if v == nil {
		return ""
	}
	n := v.node
	if v.key != nil {
		n = v.key
	}
	return v.file.name + ":" + strconv.Itoa(n.Line)
}

// File returns the name of the file the value stands in.
func (v *Value) File() string {
	if v == nil {
		return ""
	}
	return v.file.name
}

// Failf adds an error at the value.
func (v *Value) Failf(format string, args ...any) { v.say(v.node, Error, format, args...) }

// KeyFailf adds an error at the value's key.
func (v *Value) KeyFailf(format string, args ...any) { v.say(v.keyNode(), Error, format, args...) }

// Warnf adds a warning at the value.
func (v *Value) Warnf(format string, args ...any) { v.say(v.node, Warning, format, args...) }

// KeyWarnf adds a warning at the value's key.
func (v *Value) KeyWarnf(format string, args ...any) { v.say(v.keyNode(), Warning, format, args...) }

// Remarkf adds a remark at the value's key.
func (v *Value) Remarkf(format string, args ...any) { v.say(v.keyNode(), Remark, format, args...) }

// KeyPlace returns a problem without a text at the value's key, for what is found out later.
func (v *Value) KeyPlace() Problem {
	n := v.keyNode()
	return Problem{File: v.file.name, Line: max(n.Line, 1), Column: max(n.Column, 1), Path: clip(v.Path(), mostPath)}
}

func (v *Value) keyNode() *yaml.Node {
	if v.key != nil {
		return v.key
	}
	return v.node
}

func (v *Value) say(n *yaml.Node, s Severity, format string, args ...any) {
	v.file.log.Add(Problem{File: v.file.name, Line: max(n.Line, 1), Column: max(n.Column, 1),
		Path: clip(v.Path(), mostPath), Text: clip(fmt.Sprintf(format, args...), mostText), Severity: s})
}

// What is said stays readable, whatever stood in the file.
const (
	mostPath = 200
	mostText = 400
)

// At adds a problem at line and column inside the value's text, for languages
// within the language. Both count from 1; the column is right only where the
// text is written plainly, on one line.
func (v *Value) At(line, column int, format string, args ...any) {
	n := *v.node
	if line == 1 {
		n.Column += column - 1
		if v.node.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle) != 0 {
			n.Column++
		}
	} else {
		n.Line += line - 1
		n.Column = column
	}
	v.say(&n, Error, format, args...)
}

// Guess returns ' (did you mean X?)' or nothing.
func (v *Value) Guess(written string, names ...string) string {
	return v.file.log.Guess(written, names...)
}

// GuessFrom is Guess for names that take work to list: names is called only when a guess is made.
func (v *Value) GuessFrom(written string, names func() []string) string {
	if !v.file.log.guessing(written) {
		return ""
	}
	return v.file.log.Guess(written, names()...)
}

// Get returns the value under a key of a Table, nil if it is absent or wrong.
func (v *Value) Get(name string) *Value {
	if v == nil || v.node.Kind != yaml.MappingNode {
		return nil
	}
	c := v.node.Content
	for i := 0; i+1 < len(c); i += 2 {
		if c[i].Value == name && v.file.ok(c[i+1]) && v.file.ok(c[i]) {
			return v.child(c[i], c[i+1])
		}
	}
	return nil
}

// Whole reports whether all keys of a mapping could be read: while one is
// mistyped, saying that another is missing would only add noise.
func (v *Value) Whole() bool {
	if v == nil || v.node.Kind != yaml.MappingNode {
		return v != nil
	}
	for i := 0; i+1 < len(v.node.Content); i += 2 {
		if !v.file.ok(v.node.Content[i]) {
			return false
		}
	}
	return true
}

// Missing says at the key that something is missing, unless a key is mistyped that may be it.
func (v *Value) Missing(format string, args ...any) {
	if v.Whole() {
		v.KeyFailf(format, args...)
	}
}

// Has reports whether a key is written, right or wrong.
func (v *Value) Has(name string) bool {
	if v == nil || v.node.Kind != yaml.MappingNode {
		return false
	}
	for i := 0; i+1 < len(v.node.Content); i += 2 {
		if v.node.Content[i].Value == name {
			return true
		}
	}
	return false
}

func (v *Value) child(key, n *yaml.Node) *Value {
	s := v.shape.Of
	if v.shape.Form == Table {
		s = nil
		if k := v.shape.key(key.Value); k != nil {
			s = k.Shape
		}
	}
	c := &Value{file: v.file, node: n, shape: s, parent: v, key: key}
	c.settle()
	return c
}

// settle picks the way the value is written out of an Either.
func (v *Value) settle() {
	if v.shape != nil && v.shape.Form == Either {
		for _, f := range v.shape.Forms {
			if fits(v.node, f) {
				v.shape = f
				return
			}
		}
	}
}

// Entries returns the values of a Named, a Table or a List in file order. A
// single value that stands where a list may stand is its only entry.
func (v *Value) Entries() []*Value {
	if v == nil {
		return nil
	}
	c := v.node.Content
	switch v.node.Kind {
	case yaml.MappingNode:
		out := make([]*Value, 0, len(c)/2)
		for i := 0; i+1 < len(c); i += 2 {
			if v.file.ok(c[i]) && v.file.ok(c[i+1]) {
				out = append(out, v.child(c[i], c[i+1]))
			}
		}
		return out
	case yaml.SequenceNode:
		out := make([]*Value, 0, len(c))
		for i, n := range c {
			if v.file.ok(n) {
				e := &Value{file: v.file, node: n, shape: v.shape.Of, parent: v, index: i + 1}
				e.settle()
				out = append(out, e)
			}
		}
		return out
	}
	return []*Value{v}
}

// Form returns the form the value was written in.
func (v *Value) Form() Form {
	if v == nil || v.shape == nil {
		return Text
	}
	return v.shape.Form
}

// IsList, IsTable and IsSingle report how the value is written.
func (v *Value) IsList() bool { return v != nil && v.node.Kind == yaml.SequenceNode }

// IsTable reports whether the value is a mapping.
func (v *Value) IsTable() bool { return v != nil && v.node.Kind == yaml.MappingNode }

// IsSingle reports whether the value is a single text or number.
func (v *Value) IsSingle() bool { return v != nil && v.node.Kind == yaml.ScalarNode }

// Text returns the value as written, ” if absent.
func (v *Value) Text() string {
	if v == nil || v.node.Kind != yaml.ScalarNode {
		return ""
	}
	return v.node.Value
}

// Line returns the line the value stands in, 0 if absent.
func (v *Value) Line() int {
	if v == nil {
		return 0
	}
	return v.node.Line
}

// Int returns a whole number; otherwise if absent, or too large for an int of this machine.
func (v *Value) Int(otherwise int) int {
	if v == nil {
		return otherwise
	}
	n, err := parseInt(v.node.Value)
	if err != nil || int64(int(n)) != n {
		return otherwise
	}
	return int(n)
}

// Float returns a plain number, otherwise if absent.
func (v *Value) Float(otherwise float64) float64 {
	if v == nil {
		return otherwise
	}
	n, err := parseFloat(v.node.Value)
	if err != nil {
		return otherwise
	}
	return n
}

// Bool returns a switch, false if absent.
func (v *Value) Bool() bool { return v != nil && v.node.Value == "true" }

func parseInt(s string) (int64, error) {
	if h, ok := strings.CutPrefix(s, "0x"); ok {
		n, err := strconv.ParseUint(h, 16, 62)
		return int64(n), err
	}
	return strconv.ParseInt(s, 10, 64)
}

func parseFloat(s string) (float64, error) {
	if strings.Trim(s, "+-.0123456789eE") != "" { // no Inf, NaN, 0x or 1_000
		return 0, strconv.ErrSyntax
	}
	return strconv.ParseFloat(s, 64)
}
