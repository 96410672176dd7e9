package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/exporter/rehearsal"
)

// runRecord rehearses with what the box's own record keeps.
func (f *rehearseFlags) runRecord(cmd *cobra.Command, site *configs.Site, path string) error {
	options, err := f.options(site)
	if err != nil {
		return err
	}
	from, to, err := recordSpan(f.from, f.to, site.Zone)
	if err != nil {
		return usageError{err}
	}
	r, err := openToRead(path, site)
	if errors.Is(err, record.ErrNone) {
		err = fmt.Errorf("%w; --data FILE.csv names other data", err)
	}
	if err != nil {
		return err
	}
	defer r.Close()
	played, err := r.Playback(cmd.Context(), site.Points, from, to)
	if err != nil {
		return err
	}
	var report *rehearsal.Report
	err = withProgress(cmd.Context(), cmd.ErrOrStderr(), played.Progress, func(ctx context.Context) (err error) {
		report, err = rehearsal.Run(ctx, rehearsal.Site{Points: site.Points, Compute: site.Compute, Rules: site.Rules}, played, options)
		return err
	})
	if err != nil {
		return err
	}
	c := played.Counts()
	if f.asJSON {
		return report.WriteJSON(cmd.OutOrStdout(), ledgerOf(&c))
	}
	printPlayed(cmd.OutOrStdout(), report, &c)
	return printOutcome(cmd.OutOrStdout(), report)
}

// recordSpan reads the ends of a span of the record; zero where one is not given.
func recordSpan(from, to string, zone *time.Location) (lo, hi time.Time, err error) {
	for _, end := range []struct {
		flag, text string
		into       *time.Time
	}{{"--from", from, &lo}, {"--to", to, &hi}} {
		if end.text == "" {
			continue
		}
		if *end.into, err = timeOrDay(end.text, zone); err != nil {
			return lo, hi, fmt.Errorf("%s: %w", end.flag, err)
		}
	}
	if !hi.IsZero() && !lo.Before(hi) {
		err = fmt.Errorf("--from %s is not before --to %s", from, to)
	}
	return lo, hi, err
}

func ledgerOf(c *record.PlaybackCounts) rehearsal.Ledger {
	l := rehearsal.Ledger{Rows: c.Rounds, Moments: c.Rounds, Readings: c.Readings, Bad: c.Bad, Gaps: uint64(c.Gaps), Longest: c.Gap}
	if c.Gaps > 0 {
		l.GapAfter = rehearsal.Time{At: collector.At(c.GapAfter)}
	}
	return l
}

func printPlayed(w io.Writer, r *rehearsal.Report, c *record.PlaybackCounts) {
	fmt.Fprintf(w, "%d rounds of the record from %s to %s, %d readings, %d of them bad\n", c.Rounds, r.From, r.To, c.Readings, c.Bad)
	if c.Gaps > 0 {
		fmt.Fprintf(w, "%d gaps of more than %s, the longest %s after %s; values hold over them\n",
			c.Gaps, shortDuration(record.PlaybackGap), shortDuration(c.Gap.Round(time.Second)), c.GapAfter.Format(time.RFC3339))
	}
}

// errNothingKept: the span has no readings.
var errNothingKept = errors.New("the record keeps no readings of that")
