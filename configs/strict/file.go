package strict

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"
)

// MostBytes is the size of the largest file that is read. 5,000 points take about 1 MB.
const MostBytes = 8 << 20

// mostNesting is how deep brackets and indents may go; the files' own keys need eight.
const mostNesting = 64

// file is one parsed file.
type file struct {
	name string
	log  *Log
	bad  map[*yaml.Node]bool // values already complained of: they read as absent
}

// Parse reads a whole file by its shape and adds everything that is wrong with
// it to log. It returns the top value, or nil when the file cannot be read as
// YAML at all. Parts that are wrong read as absent.
func Parse(name string, data []byte, shape *Shape, log *Log) *Value {
	f := &file{name: name, log: log, bad: map[*yaml.Node]bool{}}
	if !f.readable(data) {
		return nil
	}
	root := f.document(data)
	if root == nil {
		return nil
	}
	v := &Value{file: f, node: root, shape: shape}
	v.check()
	if f.bad[root] {
		return nil
	}
	v.settle()
	return v
}

func (f *file) failAt(line, column int, format string, args ...any) {
	f.log.Add(Problem{File: f.name, Line: line, Column: column, Text: fmt.Sprintf(format, args...)})
}

// readable looks at the bytes before YAML does: its own words for these have no place.
func (f *file) readable(data []byte) bool {
	if len(data) > MostBytes {
		f.failAt(0, 0, "the file has %d bytes, more than %d", len(data), MostBytes)
		return false
	}
	line, start := 1, 0
	for i := 0; i < len(data); {
		c := data[i]
		if c == '\n' {
			line, start = line+1, i+1
		}
		if c < utf8.RuneSelf {
			if c < ' ' && c != '\n' && c != '\r' && c != '\t' || c == 0x7f {
				f.failAt(line, column(data[start:i]), "control character %#02x", c)
				return false
			}
			i++
			continue
		}
		_, n := utf8.DecodeRune(data[i:])
		if n == 1 {
			f.failAt(line, column(data[start:i]), "byte %#02x is not UTF-8 text", c)
			return false
		}
		i += n
	}
	return true
}

func column(before []byte) int { return utf8.RuneCount(before) + 1 }

func (f *file) document(data []byte) *yaml.Node {
	l, err := yaml.NewLoader(bytes.NewReader(data), yaml.WithPlugin(limits()))
	if err != nil {
		f.failAt(0, 0, "%v", err)
		return nil
	}
	var doc, more yaml.Node
	if err := l.Load(&doc); err != nil {
		f.syntax(data, err)
		return nil
	}
	if len(doc.Content) == 0 {
		f.failAt(1, 1, "the file is empty")
		return nil
	}
	if err := l.Load(&more); err == nil {
		f.failAt(more.Line, more.Column, "a second document begins here; one file holds one document, remove the '---'")
	} else if !errors.Is(err, io.EOF) {
		f.syntax(data, err)
	}
	return doc.Content[0]
}

// syntax turns the YAML reader's complaint into ours.
func (f *file) syntax(data []byte, err error) {
	if errors.Is(err, io.EOF) {
		f.failAt(1, 1, "the file is empty")
		return
	}
	le, ok := errors.AsType[*yaml.LoadError](err)
	if !ok {
		f.failAt(0, 0, "%v", err)
		return
	}
	line, col := le.Mark.Line, le.Mark.Column
	at := lineOf(data, line)
	switch {
	case tabIndents(at, col):
		f.failAt(line, max(col, 1), "a tab indents this line; YAML needs blanks")
	case atEnd(data, line, col) && le.ContextMark.Line > 0:
		f.failAt(le.ContextMark.Line, max(le.ContextMark.Column, 1),
			"what begins here is not finished when the file ends (%s): is the file cut off?", le.Message)
	case line == 0:
		f.failAt(0, 0, "%s", le.Message)
	default:
		f.failAt(line, max(col, 1), "%s%s", le.Message, context(le))
	}
}

func context(le *yaml.LoadError) string {
	if le.ContextMsg == "" || le.ContextMark.Line == 0 {
		return ""
	}
	return fmt.Sprintf(" (%s that begins at %d:%d)", le.ContextMsg, le.ContextMark.Line, max(le.ContextMark.Column, 1))
}

func lineOf(data []byte, line int) string {
	for ; line > 1; line-- {
		_, rest, ok := bytes.Cut(data, []byte{'\n'})
		if !ok {
			return ""
		}
		data = rest
	}
	first, _, _ := bytes.Cut(data, []byte{'\n'})
	return string(first)
}

// tabIndents reports whether the line's indent holds a tab at or before the column.
func tabIndents(line string, col int) bool {
	indent := line[:len(line)-len(strings.TrimLeft(line, " \t"))]
	i := strings.IndexByte(indent, '\t')
	return i >= 0 && i <= col
}

// atEnd reports whether nothing but blank space follows the place.
func atEnd(data []byte, line, col int) bool {
	for ; line > 1; line-- {
		_, rest, ok := bytes.Cut(data, []byte{'\n'})
		if !ok {
			return true
		}
		data = rest
	}
	if col-1 >= len(data) {
		return true
	}
	return len(bytes.TrimSpace(data[max(col-1, 0):])) == 0
}
