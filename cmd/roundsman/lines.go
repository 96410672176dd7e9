package main

import (
	"context"
	"fmt"
	"iter"
	"math"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// journal shows the record's lines as the pages want them.
type journal struct {
	*record.Reader
	priority func(alarm string) rules.Priority // as the rules have it now
}

// Lines returns the journal's lines; see exporter.Journal.
func (s journal) Lines(ctx context.Context, st exporter.Stretch) iter.Seq2[exporter.Line, error] {
	q := record.Query{From: st.From, To: st.To, After: uint64(max(0, st.After)), Limit: st.Limit, Newest: st.Newest,
		Alarm: st.Alarm, Kind: record.Kind(st.Kind), Who: st.Who}
	return func(yield func(exporter.Line, error) bool) {
		for l, err := range s.Reader.Journal(ctx, q) {
			line := shownLine(&l)
			if line.Alarm != "" && l.Priority == rules.NoPriority { // an older line
				line.Priority = s.priority(line.Alarm).String()
			}
			if !yield(line, err) || err != nil {
				return
			}
		}
	}
}

func shownLine(l *record.Line) exporter.Line {
	out := exporter.Line{
		Seq: int64(l.Seq), Time: l.Time, At: l.At, Kind: string(l.Kind), Alarm: l.Alarm, Point: l.Point,
		Value: math.NaN(), Limit: math.NaN(), Unit: l.Unit, Who: l.Who, Why: l.Why, Until: l.Until, Undated: l.Undated,
	}
	if l.Alarm != "" {
		out.Value, out.Limit = l.Value, l.Limit
		out.From, out.To, out.Quality, out.Priority = l.From.String(), l.To.String(), l.Quality.String(), l.Priority.String()
	}
	if l.Kind == record.LeakTested {
		out.Value, out.Quality = l.Value, l.Quality.String()
	}
	if l.Count != 0 { // of lines, whose first is at Until
		out.Why = joinWords(out.Why, fmt.Sprintf("%d lines, the first of %s", l.Count, l.Until.Format(time.RFC3339)))
		out.Until = time.Time{}
	}
	if l.Length != 0 {
		out.Why = joinWords(out.Why, l.Length.Round(time.Second).String())
	}
	return out
}

func joinWords(a, b string) string {
	if a == "" {
		return b
	}
	return a + ", " + b
}
