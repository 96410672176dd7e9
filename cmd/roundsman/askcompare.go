package main

import (
	"context"

	"roundsman/exporter"
	"roundsman/exporter/record"
)

// compareRequest is a comparison with a gauge on its way to the judge, who alone writes the journal.
type compareRequest struct {
	line record.Line
	done chan error // has room for one
}

// comparisonLine is the journal's line about a comparison.
func comparisonLine(c *exporter.Comparison, who string) record.Line {
	l := record.Line{Kind: record.AsFound, Point: c.Point, Unit: c.Unit, Who: who, Why: c.String()}
	if c.Left {
		l.Kind = record.AsLeft
	}
	return l
}

// Compare keeps a comparison; see exporter.Comparisons.
func (j *judge) Compare(ctx context.Context, c exporter.Comparison, who string) error {
	r := compareRequest{line: comparisonLine(&c, who), done: make(chan error, 1)}
	return askJudge(ctx, j.gauges, r, r.done)
}

// compared keeps the line before it is told that it is kept.
func (j *judge) compared(r compareRequest) error {
	j.keep.line(r.line)
	j.events = j.events[:0]
	j.keep.round(j, j.clock.Now())
	if j.keep.failing {
		return errNotKept
	}
	return nil
}
