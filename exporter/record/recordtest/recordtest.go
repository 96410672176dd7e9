// Package recordtest holds a record against a model in plain Go maps, and has every record of a test prove its own laws
// when it is closed.
//
//	r := recordtest.Open(t, path, record.Options{Clock: clock})   // closed and checked at the end of the test
//	model := recordtest.NewModel()
//	model.Apply(&change)
//	model.Compare(t, reader)
package recordtest

import (
	"context"
	"maps"
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// Open opens a record that is closed and checked at the end of the test.
func Open(t testing.TB, path string, o record.Options) *record.Record {
	t.Helper()
	r, err := record.Open(path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = r.Close() // it may be closed already
		Check(t, path)
	})
	return r
}

// Check has the record at path prove its laws.
func Check(t testing.TB, path string) {
	t.Helper()
	r, err := record.Read(path)
	if err != nil {
		t.Error(err)
		return
	}
	defer r.Close()
	if err := r.Check(context.Background()); err != nil {
		t.Error(err)
	}
}

// Lines reads the whole journal.
func Lines(t testing.TB, r *record.Reader, q record.Query) []record.Line {
	t.Helper()
	var lines []record.Line
	for l, err := range r.Journal(context.Background(), q) {
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, l)
	}
	return lines
}

// Model is what a record must hold, kept the simplest way.
type Model struct {
	Lines      []record.Line // what Plain leaves of them
	Alarms     map[string]rules.AlarmMemory
	Conditions map[string]rules.ConditionMemory
	Duty       map[string]duty.Kept
	Counts     map[string]compute.Count
}

// NewModel returns the model of a new record.
func NewModel() *Model {
	return &Model{
		Alarms: map[string]rules.AlarmMemory{}, Conditions: map[string]rules.ConditionMemory{},
		Duty: map[string]duty.Kept{}, Counts: map[string]compute.Count{},
	}
}

// Apply takes a change as if it were written at once.
func (m *Model) Apply(c *record.Change) {
	for _, l := range c.Lines {
		m.Lines = append(m.Lines, Plain(l))
	}
	if c.Whole {
		clear(m.Alarms)
		clear(m.Conditions)
	}
	for _, name := range c.Gone {
		delete(m.Alarms, name)
	}
	maps.Copy(m.Alarms, c.Alarms)
	maps.Copy(m.Conditions, c.Conditions)
	maps.Copy(m.Duty, c.Duty)
	maps.Copy(m.Counts, c.Counts)
}

// Plain leaves of a line what whoever journals it knows.
func Plain(l record.Line) record.Line {
	l.Seq, l.Run, l.Boot, l.Steady = 0, 0, "", 0
	return l
}

// SameLines returns how the lines differ, "" if they do not. NaN equals NaN.
func SameLines(want, got []record.Line) string {
	if slices.EqualFunc(want, got, same) {
		return ""
	}
	return cmp.Diff(want, got, cmpopts.EquateNaNs(), cmpopts.EquateEmpty())
}

// same is quick where lines are the same.
func same(a, b record.Line) bool {
	if math.IsNaN(a.Value) && math.IsNaN(b.Value) {
		a.Value, b.Value = 0, 0
	}
	if math.IsNaN(a.Limit) && math.IsNaN(b.Limit) {
		a.Limit, b.Limit = 0, 0
	}
	return a == b
}

// SameState returns how what was restored differs from the model, "" if it does not.
func (m *Model) SameState(s *record.State) string {
	o := cmp.Options{cmpopts.EquateEmpty()}
	return cmp.Diff(m.Alarms, s.Memory.Alarms, o) + cmp.Diff(m.Conditions, s.Memory.Conditions, o) +
		cmp.Diff(m.Duty, s.Duty, o) + cmp.Diff(m.Counts, s.Counts, o)
}

// Clone returns a copy that goes its own way.
func (m *Model) Clone() *Model {
	return &Model{
		Lines: slices.Clone(m.Lines), Alarms: maps.Clone(m.Alarms), Conditions: maps.Clone(m.Conditions),
		Duty: maps.Clone(m.Duty), Counts: maps.Clone(m.Counts),
	}
}
