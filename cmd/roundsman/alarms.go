package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
	"roundsman/rules"
)

// reviewedDays is the span of a review that is not told one: the figures are meant for at least thirty days.
const reviewedDays = 30

func alarmsCommand() *cobra.Command {
	var from, to string
	var asJSON, asCSV, suggest bool
	cmd := &cobra.Command{
		Use:   "alarms SITE.yaml [--from T] [--to T] [--suggest]",
		Short: "Review the alarms of a span: what they were worth",
		Long: `Alarms reads the record beside the site file, while the daemon runs or not, and prints the figures of the
alarm system over a span, each beside what ISA-18.2 and EEMUA 191 recommend: how many in an hour and in ten
minutes, floods, the most frequent, chattering, fleeting and stale ones, priorities, time to acknowledge.
With --suggest the ten most frequent are rehearsed over the readings that are still kept, and each is told which
deadband or delay would have ended its chatter without losing an alarm that lasted. Rule files are not changed.
Times are RFC 3339 or a day (2026-06-13, in the site's zone); the default is the last 30 days.`,
		Example: `  roundsman alarms site.yaml --suggest
  roundsman alarms site.yaml --from 2026-06-01 --to 2026-07-01 --csv > june.csv`,
		Args: exactly("SITE.yaml"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if asCSV && (asJSON || suggest) {
				return usageError{errors.New("--csv goes with neither --json nor --suggest")}
			}
			site, err := loadSite(args[0], cmd.OutOrStdout())
			if err != nil {
				return err
			}
			now := time.Now()
			span, err := spanOf(from, to, site.Zone, now)
			if err != nil {
				return usageError{err}
			}
			r, err := openToRead(args[0], site)
			if err != nil {
				return err
			}
			defer r.Close()
			figures, err := alarmFigures(cmd.Context(), r, span, now, priorities(site.Rules.Rules))
			if err != nil {
				return err
			}
			switch {
			case suggest:
				return suggestFor(cmd, r, site, &figures, asJSON)
			case asJSON:
				return writeJSON(cmd.OutOrStdout(), figures)
			case asCSV:
				return alarmsCSV(cmd.OutOrStdout(), &figures)
			}
			return figures.Table(cmd.OutOrStdout(), site.Zone)
		},
	}
	cmd.Flags().StringVar(&from, "from", "", "begin of the span: `TIME`")
	cmd.Flags().StringVar(&to, "to", "", "end of the span: `TIME`; now unless said")
	cmd.Flags().BoolVar(&suggest, "suggest", false, "rehearse the ten most frequent and suggest deadbands and delays")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	cmd.Flags().BoolVar(&asCSV, "csv", false, "print CSV, one line a rule")
	return cmd
}

// spanOf reads the ends of a span; what is not given is now, and thirty days before.
func spanOf(from, to string, zone *time.Location, now time.Time) (review.Span, error) {
	span := review.Span{To: now}
	var err error
	if to != "" {
		if span.To, err = timeOrDay(to, zone); err != nil {
			return span, fmt.Errorf("--to: %w", err)
		}
	}
	span.From = span.To.AddDate(0, 0, -reviewedDays)
	if from != "" {
		if span.From, err = timeOrDay(from, zone); err != nil {
			return span, fmt.Errorf("--from: %w", err)
		}
	}
	if !span.From.Before(span.To) {
		return span, fmt.Errorf("--from %s is not before --to %s", span.From.Format(time.RFC3339), span.To.Format(time.RFC3339))
	}
	return span, nil
}

func timeOrDay(text string, zone *time.Location) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	if t, err := time.ParseInLocation(time.DateOnly, text, zone); err == nil {
		return t, nil
	}
	return time.Time{}, fmt.Errorf("%q is neither a time (2026-06-13T06:10:00Z) nor a day (2026-06-13)", text)
}

// openToRead opens the site's record beside whoever writes it.
func openToRead(path string, site *configs.Site) (*record.Reader, error) {
	r, err := record.Read(beside(path, site.Record.Path))
	if errors.Is(err, record.ErrNone) {
		return nil, fmt.Errorf("%w; 'roundsman run %s' begins it", err, path)
	}
	return r, err
}

// lookBack is how much of the journal before a span is read too: what began there may still count in it. Of what is
// older only the starts of alarms that were still active then.
const lookBack = 7 * 24 * time.Hour

// alarmFigures computes the figures of a span from the journal. What is still to come by now is not seen yet.
func alarmFigures(ctx context.Context, r *record.Reader, span review.Span, now time.Time, priority map[string]rules.Priority) (review.Figures, error) {
	b := review.Builder{Priority: func(alarm string) rules.Priority { return priority[alarm] }}
	add := func(l *record.Line) {
		b.Add(review.Line{Time: l.Time, Steady: l.Steady, Kind: string(l.Kind), Alarm: l.Alarm, Point: l.Point, To: l.To, Priority: l.Priority})
	}
	begin := span.From.Add(-lookBack)
	standing, err := r.Standing(ctx, begin)
	if err != nil {
		return review.Figures{}, err
	}
	for i := range standing {
		add(&standing[i])
	}
	for l, err := range r.Journal(ctx, record.Query{From: begin, To: span.To}) {
		if err != nil {
			return review.Figures{}, err
		}
		add(&l)
	}
	unseen, err := unseenBy(ctx, r, span, now)
	if err != nil {
		return review.Figures{}, err
	}
	return review.Alarms(b.Activations(), span, review.Options{Unseen: unseen})
}

// unseenBy returns when nobody looked, by the record.
func unseenBy(ctx context.Context, r *record.Reader, span review.Span, now time.Time) ([]review.Span, error) {
	blind, err := blindSpans(ctx, r, span, now)
	if errors.Is(err, errNoJournal) {
		return []review.Span{span}, nil
	}
	if err != nil {
		return nil, err
	}
	out := []review.Span{{From: now, To: span.To}}
	for _, b := range blind {
		out = append(out, review.Span{From: b.From, To: b.To})
	}
	return out, nil
}

// priorities returns the priority of each alarm as the rules have it now.
func priorities(list []rules.Rule) map[string]rules.Priority {
	out := make(map[string]rules.Priority, len(list))
	for i := range list {
		out[list[i].Name] = list[i].Priority
	}
	return out
}
