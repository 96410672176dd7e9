// Package strict reads YAML files whose keys are laid down in tables, and says
// everything that is wrong with a file at once, each with its place, its key
// path, what was found, what is expected and, where there is one, a near name.
//
//	site.yaml:31:12: points.air.header.pressure.type: unknown type "int61" (did you mean int16?)
//
// It knows only what a file may look like; what the values mean is for its
// caller. The same tables write the JSON Schema that editors use.
package strict

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"roundsman/collector/sorting"
)

// Severity says whether a problem stops the file from being used.
type Severity uint8

// The severities. A remark is something the writer of the file should know, no fault.
const (
	Error Severity = iota
	Warning
	Remark
)

var severityWords = [...]string{"error", "warning", "remark"}

// String returns the severity's word.
func (s Severity) String() string {
	if int(s) < len(severityWords) {
		return severityWords[s]
	}
	return "unknown"
}

// Problem is one thing said about one place of a file.
type Problem struct {
	File         string
	Line, Column int    // from 1; 0: the file as a whole
	Path         string // keys from the top, joined by dots
	Text         string
	Severity     Severity
}

// String returns the problem in one line, as compilers print it.
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", p.Line, p.Column)
	}
	if p.Severity != Error {
		b.WriteString(": " + p.Severity.String())
	}
	if p.Path != "" {
		b.WriteString(": " + p.Path)
	}
	b.WriteString(": " + p.Text)
	return b.String()
}

// Problems are all that was found, sorted by place. As an error it prints one line each.
type Problems []Problem

// Error returns the problems, one a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// Of returns the problems of one severity.
func (ps Problems) Of(s Severity) Problems {
	var out Problems
	for _, p := range ps {
		if p.Severity == s {
			out = append(out, p)
		}
	}
	return out
}

// mostProblems bounds what one log keeps: a file of rubbish must not fill the memory with complaints.
const mostProblems = 1000

// Log collects problems. The zero value is ready.
type Log struct {
	list    Problems
	dropped int
	hints   map[string]string // near names by what was written
}

// Add keeps a problem.
func (l *Log) Add(p Problem) {
	if len(l.list) >= mostProblems {
		l.dropped++
		return
	}
	l.list = append(l.list, p)
}

// Failed reports whether an error was added.
func (l *Log) Failed() bool {
	return slices.ContainsFunc(l.list, func(p Problem) bool { return p.Severity == Error })
}

// Problems returns what was collected, sorted by file, line and column.
func (l *Log) Problems() Problems {
	out := slices.Clone(l.list)
	sorting.StableFunc(out, func(a, b Problem) int {
		return cmp.Or(strings.Compare(a.File, b.File), a.Line-b.Line, a.Column-b.Column,
			int(a.Severity)-int(b.Severity), strings.Compare(a.Path, b.Path), strings.Compare(a.Text, b.Text))
	})
	out = slices.Compact(out)
	if l.dropped > 0 {
		last := out[len(out)-1]
		out = append(out, Problem{File: last.File, Line: last.Line, Column: last.Column,
			Text: fmt.Sprintf("%d more problems are not shown", l.dropped), Severity: Error})
	}
	return out
}
