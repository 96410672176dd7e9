package main

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/exporter/rehearsal"
	"roundsman/exporter/review"
	"roundsman/exporter/review/page"
)

// mostRehearsed is how much of a span is rehearsed for its worst alarms, its end: what one month of seconds takes is a
// matter of seconds, and rules should be set by how things are now.
const mostRehearsed = 31 * 24 * time.Hour

// suggested is what 'roundsman alarms --suggest --json' prints: the figures, and one key more.
type suggested struct {
	review.Figures
	Worst rehearsal.Worst `json:"worst"`
}

// rehearsedOnline is how much of a span is rehearsed for somebody who waits at a page: some seconds of work.
const rehearsedOnline = 7 * 24 * time.Hour

// suggestions rehearses for those who ask over HTTP. They wait for each other, and nobody who asks for a review for them.
type suggestions struct {
	*reviewing
	record *record.Reader
	site   func() *configs.Site
}

// Suggest answers with what is suggested for the worst alarms of a span; see exporter.Suggestions.
func (s *suggestions) Suggest(ctx context.Context, from, to time.Time) ([]byte, error) {
	return s.answer(ctx, question{what: "suggestions", from: from, to: to, days: 7, compute: func(span review.Span, now time.Time) (any, error) {
		site := s.site()
		f, err := alarmFigures(ctx, s.record, span, now, priorities(site.Rules.Rules))
		if err != nil {
			return nil, err
		}
		return worstAlarms(ctx, io.Discard, s.record, site, &f, rehearsedOnline)
	}})
}

// suggestFor prints the figures with what is suggested for the worst alarms.
func suggestFor(cmd *cobra.Command, r *record.Reader, site *configs.Site, f *review.Figures, asJSON bool) error {
	worst, err := worstAlarms(cmd.Context(), cmd.ErrOrStderr(), r, site, f, mostRehearsed)
	if err != nil {
		return err
	}
	if asJSON {
		return writeJSON(cmd.OutOrStdout(), suggested{*f, worst})
	}
	if err := f.Table(cmd.OutOrStdout(), site.Zone); err != nil {
		return err
	}
	return printWorst(cmd.OutOrStdout(), &worst)
}

// worstAlarms rehearses the rules of the most frequent alarms over what the record keeps of the span; progress is shown
// on a terminal. Without readings there are no suggestions, and the answer says so.
func worstAlarms(ctx context.Context, talk io.Writer, r *record.Reader, site *configs.Site, f *review.Figures, most time.Duration) (rehearsal.Worst, error) {
	names := make([]string, len(f.Frequent))
	for i := range f.Frequent {
		names[i] = f.Frequent[i].Alarm
	}
	focus, needed := rehearsal.Focus(rehearsal.Site{Points: site.Points, Compute: site.Compute, Rules: site.Rules}, names)
	if len(focus.Rules.Rules) == 0 {
		return rehearsal.WorstOf(f, nil, ""), nil
	}
	played, err := playedFor(ctx, r, &focus, needed, collector.Later(f.From, f.To.Add(-most)), f.To)
	if err != nil {
		return rehearsal.Worst{}, err
	}
	if _, of := played.Progress(); of == 0 {
		return rehearsal.WorstOf(f, nil, "No readings of this span are kept any more: nothing was rehearsed."), nil
	}
	var report *rehearsal.Report
	err = withProgress(ctx, talk, played.Progress, func(ctx context.Context) (err error) {
		report, err = rehearsal.Run(ctx, focus, played, rehearsal.Options{})
		return err
	})
	if err != nil && played.Counts().Rounds > 0 {
		return rehearsal.Worst{}, err
	}
	if err != nil {
		return rehearsal.WorstOf(f, nil, "No readings of this span are kept any more: nothing was rehearsed."), nil
	}
	return rehearsal.WorstOf(f, report, ""), nil
}

// playedFor opens the readings of the points that are needed. Computed points are on the record like all others; where
// one is not, everything is played, so that it can be computed.
func playedFor(ctx context.Context, r *record.Reader, focus *rehearsal.Site, needed []collector.PointID, from, to time.Time) (*record.Playback, error) {
	points := make([]collector.Point, 0, len(needed))
	for _, p := range needed {
		points = append(points, focus.Points[p])
	}
	played, err := r.Playback(ctx, points, from, to)
	if err != nil {
		return nil, err
	}
	for i := range focus.Compute {
		if p := focus.Compute[i].Point; slices.Contains(needed, p) && !slices.Contains(played.Columns(), p) {
			return r.Playback(ctx, focus.Points, from, to)
		}
	}
	focus.Compute = nil
	return played, nil
}

func printWorst(w io.Writer, worst *rehearsal.Worst) error {
	if len(worst.Actors) == 0 {
		return nil
	}
	p := page.To(w)
	p.Line("")
	switch {
	case worst.Why != "":
		p.Line("%s", worst.Why)
		return p.Err()
	default:
		p.Line("rehearsed over the readings kept from %s to %s UTC:", worst.From.Format("2006-01-02 15:04"), worst.To.Format("2006-01-02 15:04"))
	}
	for _, a := range worst.Actors {
		p.Line("%s", a.Alarm)
		p.Line("  %s", a.Words)
	}
	p.Line("Suggestions come from these readings alone: judge them before you take them. No rule file was changed.")
	return p.Err()
}

// alarmsCSV writes one line a rule.
func alarmsCSV(out io.Writer, f *review.Figures) error {
	w := csv.NewWriter(out)
	_ = w.Write([]string{"alarm", "point", "priority", "activations", "share", "active_seconds", "longest_seconds", "chattering", "fleeting", "stale"})
	for i := range f.Rules {
		g := &f.Rules[i]
		_ = w.Write([]string{g.Rule, g.Point, fmt.Sprint(g.Priority), strconv.Itoa(g.Activations), number(g.Share), number(g.Active), number(g.Longest),
			strconv.Itoa(g.Chattering), strconv.Itoa(g.Fleeting), strconv.Itoa(g.Stale)})
	}
	w.Flush()
	return w.Error()
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
