package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"
	"golang.org/x/term"

	"roundsman/collector"
	"roundsman/collector/units"
	"roundsman/configs"
	"roundsman/configs/strict"
	"roundsman/exporter/rehearsal"
	"roundsman/rules"
)

// alarmsShown is how many alarms the terminal lists; JSON has them all.
const alarmsShown = 40

// rehearseFlags are what a rehearsal is asked for.
type rehearseFlags struct {
	data, from, to, mostDelay   string
	deadband, onDelay, offDelay []string
	asJSON, noSuggestions       bool
}

func rehearseCommand() *cobra.Command {
	var f rehearseFlags
	cmd := &cobra.Command{
		Use:   "rehearse SITE.yaml [--data FILE.csv]",
		Short: "Run the rules over recorded data: which alarms, when, how long, and what would be better",
		Long: `Rehearse runs the site's rules over recorded readings through the engine of the daemon and tells which alarms would have
rung. Without --data these are the box's own: what its record keeps, while the daemon runs or not. A file is CSV, or CSV packed with gzip if its name ends in .gz. Wide: 'time' and one column a point; an empty cell is no
reading, 'bad' a bad one. Long: 'time,point,value' with 'quality' if wanted. Times are RFC 3339 or seconds; values are in the
points' units with a decimal point.

A rule that chatters (three starts in less than a minute) gets a suggestion: the smallest deadband, off-delay or on-delay that
ends the chatter and still starts every alarm that lasts. With --deadband, --on-delay and --off-delay the rules are
tried with other values; the counts of the rules as written stand beside. Nothing is written to the rule files.
Exit 0: done, whatever rang; 1: the site or the data are wrong.`,
		Example: `  roundsman rehearse site.yaml --from 2026-06-01
  roundsman rehearse site.yaml --data june.csv.gz
  roundsman rehearse site.yaml --data june.csv.gz --deadband 'air-low=0.5 bar' --on-delay air-low=10s`,
		Args: exactly("SITE.yaml"),
		RunE: func(cmd *cobra.Command, args []string) error {
			site, err := loadSite(args[0], cmd.OutOrStdout())
			if err != nil {
				return err
			}
			if f.data == "" {
				return f.runRecord(cmd, site, args[0])
			}
			return f.run(cmd, site)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.data, "data", "", "recorded data, CSV or CSV.gz, instead of the box's own record")
	flags.BoolVar(&f.asJSON, "json", false, "print JSON")
	flags.StringVar(&f.from, "from", "", "leave out what is earlier than this time, given as in the data; of the record also a day")
	flags.StringVar(&f.to, "to", "", "leave out this time and what is later")
	flags.StringArrayVar(&f.deadband, "deadband", nil, "try another deadband: RULE=0.5 bar; may be repeated")
	flags.StringArrayVar(&f.onDelay, "on-delay", nil, "try another on-delay: RULE=10s; may be repeated")
	flags.StringArrayVar(&f.offDelay, "off-delay", nil, "try another off-delay: RULE=30s; may be repeated")
	flags.StringVar(&f.mostDelay, "most-delay", "", "how much later a true alarm may start by a suggestion (default a quarter of the rule's time to respond)")
	flags.BoolVar(&f.noSuggestions, "no-suggestions", false, "do not look for better deadbands and delays")
	return cmd
}

func (f *rehearseFlags) run(cmd *cobra.Command, site *configs.Site) error {
	options, err := f.options(site)
	if err != nil {
		return err
	}
	csvOptions, err := f.csvOptions(site)
	if err != nil {
		return err
	}
	file, err := rehearsal.OpenFile(f.data)
	if err != nil {
		return err
	}
	defer file.Close()
	source, err := rehearsal.NewCSV(file, csvOptions)
	if err != nil {
		return said(cmd.ErrOrStderr(), err)
	}
	var report *rehearsal.Report
	err = withProgress(cmd.Context(), cmd.ErrOrStderr(), file.Progress, func(ctx context.Context) (err error) {
		report, err = rehearsal.Run(ctx, rehearsal.Site{Points: site.Points, Compute: site.Compute, Rules: site.Rules}, source, options)
		return err
	})
	if err != nil {
		return err
	}
	if f.asJSON {
		for _, r := range source.Ledger().Repairs {
			fmt.Fprintln(cmd.ErrOrStderr(), r)
		}
		return report.WriteJSON(cmd.OutOrStdout(), source.Ledger())
	}
	return printRehearsal(cmd.OutOrStdout(), report, source.Ledger())
}

// said prints all of several joined errors, a line each.
func said(w io.Writer, err error) error {
	for line := range strings.Lines(err.Error()) {
		fmt.Fprintln(w, "roundsman:", strings.TrimSuffix(line, "\n"))
	}
	return errSaid
}

func (f *rehearseFlags) options(site *configs.Site) (rehearsal.Options, error) {
	o := rehearsal.Options{NoSuggestions: f.noSuggestions}
	if f.mostDelay != "" {
		d, err := units.ParseDuration(f.mostDelay)
		if err == nil && d <= 0 {
			err = fmt.Errorf("%q is not longer than nothing", f.mostDelay)
		}
		if err != nil {
			return o, usageError{fmt.Errorf("--most-delay: %w", err)}
		}
		o.MostDelay = d
	}
	set := site.Rules
	for key, list := range [...][]string{rehearsal.Deadband: f.deadband, rehearsal.OnDelay: f.onDelay, rehearsal.OffDelay: f.offDelay} {
		for _, text := range list {
			var err error
			if set, err = rehearsal.Change(set, rehearsal.Key(key), text, nearName); err != nil {
				return o, usageError{fmt.Errorf("--%w", err)}
			}
			o.WhatIf = &set
		}
	}
	return o, nil
}

func (f *rehearseFlags) csvOptions(site *configs.Site) (rehearsal.CSVOptions, error) {
	o := rehearsal.CSVOptions{Name: f.data, Points: site.Points, Near: nearName}
	for _, s := range site.Compute {
		o.Computed = append(o.Computed, s.Point)
	}
	for _, limit := range []struct {
		flag, text string
		to         **collector.Moment
	}{{"--from", f.from, &o.From}, {"--to", f.to, &o.To}} {
		if limit.text == "" {
			continue
		}
		t, err := rehearsal.ParseTime(limit.text)
		if err != nil {
			return o, usageError{fmt.Errorf("%s: %w", limit.flag, err)}
		}
		*limit.to = &t.At
	}
	return o, nil
}

func nearName(written string, names []string) string { return strict.Near(written, names) }

// withProgress does the work and, on a terminal only, shows how far it is.
func withProgress(ctx context.Context, out io.Writer, progress func() (read, of int64), work func(context.Context) error) error {
	f, ok := out.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return work(ctx)
	}
	g, ctx := errgroup.WithContext(ctx)
	done := make(chan struct{})
	g.Go(func() error {
		defer close(done)
		return work(ctx)
	})
	g.Go(func() error {
		tick := time.NewTicker(200 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-done:
				fmt.Fprint(f, "\r\x1b[K")
				return nil
			case <-tick.C:
				fmt.Fprintf(f, "\r%s\x1b[K", progressBar(progress()))
			}
		}
	})
	return g.Wait()
}

// progressBar draws how much was read: '[#########---------------------]  31 %'.
func progressBar(read, of int64) string {
	const width = 40
	if of <= 0 {
		return fmt.Sprintf("%d MB read", read/1e6)
	}
	share := min(1, float64(read)/float64(of))
	n := int(share * width)
	return fmt.Sprintf("[%s%s] %3.0f %%", strings.Repeat("#", n), strings.Repeat("-", width-n), 100*share)
}

func printRehearsal(w io.Writer, r *rehearsal.Report, l rehearsal.Ledger) error {
	printLedger(w, r, l)
	return printOutcome(w, r)
}

func printOutcome(w io.Writer, r *rehearsal.Report) error {
	printSilent(w, r)
	for _, print := range []func(io.Writer, *rehearsal.Report) error{printFigures, printSuggestions, printSystem, printAlarms} {
		if err := print(w, r); err != nil {
			return err
		}
	}
	return nil
}

func printLedger(w io.Writer, r *rehearsal.Report, l rehearsal.Ledger) {
	fmt.Fprintf(w, "%d rows from %s to %s, %d readings, %d of them bad\n", l.Rows, r.From, r.To, l.Readings, l.Bad)
	for _, repair := range l.Repairs {
		fmt.Fprintln(w, repair)
	}
	if l.Gaps > 0 {
		fmt.Fprintf(w, "%d gaps, %d rows missing at one each %s, the longest %s after %s; values hold over them\n",
			l.Gaps, l.Missing, shortDuration(l.Period), shortDuration(l.Longest), l.GapAfter)
	}
}

// printSilent names the points that are missing in the data. Those of the box itself mostly are: one line is enough.
func printSilent(w io.Writer, r *rehearsal.Report) {
	own := 0
	for _, s := range r.Silent {
		if r.Points[s.Point].Station == "box" {
			own++
			continue
		}
		names := make([]string, len(s.Rules))
		for i, k := range s.Rules {
			names[i] = r.Rules[k].Name
		}
		fmt.Fprintf(w, "no readings of %s, which these rules look at: %s\n", r.Points[s.Point].Name, strings.Join(names, ", "))
	}
	if own > 0 {
		fmt.Fprintf(w, "no readings of %d points of links and of the box itself\n", own)
	}
}

func printFigures(w io.Writer, r *rehearsal.Report) error {
	t := table{head: []string{"rule", right("alarms"), right("share"), right("active"), right("longest"), right("chatter"), right("fleeting")}}
	if r.WhatIf {
		t.head = append(t.head, right("as written: alarms"), right("active"), right("chatter"), right("fleeting"))
	}
	quiet, silent := 0, 0
	for i := range r.Figures {
		f := &r.Figures[i]
		switch {
		case f.Silent:
			silent++
			continue
		case f.Activations == 0 && f.Before.Activations == 0:
			quiet++
			continue
		}
		row := []string{r.Rules[f.Rule].Name, right(strconv.Itoa(f.Activations)), right(fmt.Sprintf("%.1f %%", 100*f.Share)), right(lasted(f.Active)),
			right(lasted(f.Longest)), right(strconv.Itoa(f.Chattering)), right(strconv.Itoa(f.Fleeting))}
		if r.WhatIf {
			row = append(row, right(strconv.Itoa(f.Before.Activations)), right(lasted(f.Before.Active)), right(strconv.Itoa(f.Before.Chattering)), right(strconv.Itoa(f.Before.Fleeting)))
		}
		t.add(row...)
	}
	fmt.Fprintln(w)
	if len(t.rows) > 0 {
		if err := t.write(w); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(w, "%d alarms in all; of %d rules %d did not ring, %d had no readings\n", len(r.Alarms), len(r.Figures), quiet, silent)
	return err
}

// lasted prints a time to the second, finer where it is shorter.
func lasted(d time.Duration) string {
	if d >= 10*time.Second {
		d = d.Round(time.Second)
	}
	return shortDuration(d)
}

func printSuggestions(w io.Writer, r *rehearsal.Report) error {
	t := table{head: []string{"suggested for", "deadband", "on-delay", "off-delay", right("alarms"), right("chatter"), right("true alarms kept"), right("later by at most")}}
	var reasons []string
	for i := range r.Figures {
		s, rule := r.Figures[i].Suggestion, &r.Rules[r.Figures[i].Rule]
		switch {
		case s == nil:
			continue
		case !s.Found:
			reasons = append(reasons, fmt.Sprintf("nothing suggested for %s: %s", rule.Name, s.Reason))
			continue
		}
		if s.Partial {
			reasons = append(reasons, fmt.Sprintf("%s changes so often that only the data until %s were studied", rule.Name, s.Until))
		}
		t.add(rule.Name, changedTo(amount(rule, rule.Deadband), amount(rule, s.Deadband)), changedTo(shortDuration(rule.OnDelay), shortDuration(s.OnDelay)),
			changedTo(shortDuration(rule.OffDelay), shortDuration(s.OffDelay)), right(fmt.Sprintf("%d -> %d", s.Before.Activations, s.After.Activations)),
			right(fmt.Sprintf("%d -> %d", s.Before.Chattering, s.After.Chattering)), right(fmt.Sprintf("%d of %d", s.Kept, s.TrueAlarms)),
			right(fmt.Sprintf("%s (allowed %s)", lasted(s.LargestDelay), lasted(s.MostDelay))))
	}
	if len(t.rows) > 0 {
		fmt.Fprintln(w)
		if err := t.write(w); err != nil {
			return err
		}
		fmt.Fprintln(w, "A true alarm here is one that lasted longer than the delay allowed. Suggestions come from these data alone: judge them before you take them.")
	}
	for _, text := range reasons {
		fmt.Fprintln(w, text)
	}
	return nil
}

// printSystem prints the figures of the alarm system as a whole.
func printSystem(w io.Writer, r *rehearsal.Report) error {
	f, err := r.AlarmSystem()
	if err != nil {
		_, err = fmt.Fprintf(w, "\nno figures of the alarm system: %v\n", err)
		return err
	}
	if len(r.Alarms) == 0 {
		return nil
	}
	fmt.Fprint(w, "\nThe alarm system as a whole:\n")
	return f.Table(w, time.UTC)
}

func changedTo(was, is string) string {
	if was == is {
		return was
	}
	return was + " -> " + is
}

func amount(rule *rules.Rule, v float64) string {
	return strings.TrimSpace(strconv.FormatFloat(v, 'g', 6, 64) + " " + rule.Unit)
}

func printAlarms(w io.Writer, r *rehearsal.Report) error {
	if len(r.Alarms) == 0 {
		return nil
	}
	t := table{head: []string{"alarm", "point", "start", "end", right("lasted"), right("peak"), "unit"}}
	for _, a := range r.Alarms[:min(len(r.Alarms), alarmsShown)] {
		rule := &r.Rules[a.Rule]
		end, long, peak := "active", r.To.At.Sub(a.Start.At), ""
		if !a.Active {
			end, long = a.End.String(), a.End.At.Sub(a.Start.At)
		}
		if !math.IsNaN(a.Peak) {
			peak = strconv.FormatFloat(a.Peak, 'g', 6, 64)
		}
		t.add(rule.Name, r.Points[rule.Point].Name, a.Start.String(), end, right(lasted(long)), right(peak), rule.Unit)
	}
	fmt.Fprintln(w)
	if err := t.write(w); err != nil {
		return err
	}
	if more := len(r.Alarms) - alarmsShown; more > 0 {
		fmt.Fprintf(w, "and %d more: --json lists them all\n", more)
	}
	return nil
}
