package main

import (
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"roundsman/configs"
	"roundsman/exporter/review"
	"roundsman/exporter/review/duty"
	"roundsman/exporter/review/minutes"
)

// dutyDays is the span of a duty review that is not told one: Monday's look at the week.
const dutyDays = 7

// dutyFlags are the options of the command.
type dutyFlags struct {
	from, to      string
	asCSV, asJSON bool
	equipment     []string
}

func dutyCommand() *cobra.Command {
	var f dutyFlags
	cmd := &cobra.Command{
		Use:   "duty SITE.yaml [--from T] [--to T] [--equipment NAME]...",
		Short: "Review what pumps and compressors did: run time, starts, service, what to decide",
		Long: `Duty reads the record beside the site file, while the daemon runs or not, and prints for each machine how long it ran and
how often it started against what its motor may (the site file's figure, else NEMA MG 10), how pairs share their work, what
ran outside opening hours, run time for each vehicle, energy, and when which service is due; then what there is to decide.
Times are RFC 3339 or a day (2026-06-13, in the site's zone); the default is the last 7 days. Time in which nothing told
whether a machine ran is shown as unseen, and is in no figure.`,
		Example: `  roundsman duty site.yaml
  roundsman duty site.yaml --from 2026-06-01 --to 2026-07-01 --csv > june.csv`,
		Args: exactly("SITE.yaml"),
		RunE: func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0]) },
	}
	cmd.Flags().StringVar(&f.from, "from", "", "begin of the span: `TIME`")
	cmd.Flags().StringVar(&f.to, "to", "", "end of the span: `TIME`; now unless said")
	cmd.Flags().StringArrayVar(&f.equipment, "equipment", nil, "only this machine; may be repeated")
	cmd.Flags().BoolVar(&f.asCSV, "csv", false, "print CSV, one line a machine")
	cmd.Flags().BoolVar(&f.asJSON, "json", false, "print JSON")
	return cmd
}

func (f *dutyFlags) run(cmd *cobra.Command, path string) error {
	if f.asCSV && f.asJSON {
		return usageError{errors.New("--csv and --json: give one of them")}
	}
	site, err := loadSite(path, cmd.OutOrStdout())
	if err != nil {
		return err
	}
	now := time.Now()
	span, err := spanOfDays(f.from, f.to, site.Zone, now, dutyDays)
	if err != nil {
		return usageError{err}
	}
	names, err := namedMachines(site, f.equipment)
	if err != nil {
		return usageError{err}
	}
	r, err := openToRead(path, site)
	if err != nil {
		return err
	}
	defer r.Close()
	figures, err := reviewDuty(cmd.Context(), r, site, names, span.From, span.To, now)
	switch {
	case err != nil:
		return err
	case f.asJSON:
		return writeJSON(cmd.OutOrStdout(), figures)
	case f.asCSV:
		return dutyCSV(cmd.OutOrStdout(), &figures, site.Zone)
	}
	return figures.Table(cmd.OutOrStdout(), site.Zone)
}

// spanOfDays reads the ends of a span; what is not given is now, and so many days before.
func spanOfDays(from, to string, zone *time.Location, now time.Time, days int) (review.Span, error) {
	if from == "" {
		end := now
		if to != "" {
			var err error
			if end, err = timeOrDay(to, zone); err != nil {
				return review.Span{}, fmt.Errorf("--to: %w", err)
			}
		}
		from = end.AddDate(0, 0, -days).Format(time.RFC3339Nano)
	}
	return spanOf(from, to, zone, now)
}

func spanBetween(from, to time.Time) review.Span { return review.Span{From: from, To: to} }

// namedMachines returns the names, each of them a machine of the site, and with each its pair, to compare with.
func namedMachines(site *configs.Site, names []string) ([]string, error) {
	all := make([]string, len(site.Equipment))
	for i := range site.Equipment {
		all[i] = site.Equipment[i].Name
	}
	for _, n := range names {
		if slices.Contains(all, n) {
			continue
		}
		near := nearName(n, all)
		if near != "" {
			near = fmt.Sprintf(" (did you mean %s?)", near)
		}
		return nil, fmt.Errorf("--equipment: the site has no equipment %q%s", n, near)
	}
	return names, nil
}

// dutyCSV writes one line a machine; what is not known is empty.
func dutyCSV(out io.Writer, f *duty.Figures, zone *time.Location) error {
	w := csv.NewWriter(out)
	_ = w.Write([]string{"equipment", "from", "to", "run_seconds", "still_seconds", "unseen_seconds", "duty", "starts", "worst_hour_starts", "starts_per_hour_limit",
		"mean_run_seconds", "longest_run_seconds", "shortest_run_seconds", "short_runs", "pair_share", "closed_run_seconds", "seconds_per_vehicle", "energy_kwh", "decide",
		"seconds_per_vehicle_per_day", "seconds_per_vehicle_per_day_low", "seconds_per_vehicle_per_day_high", "load_cycles", "worst_hour_load_cycles", "load_cycles_per_hour_limit",
		"loaded_seconds", "load_factor", "next_service", "next_service_due_hours", "next_service_expected"})
	for i := range f.Machines {
		m := &f.Machines[i]
		starts, worst := "", ""
		if m.StartsSeen {
			starts, worst = strconv.Itoa(m.Starts), strconv.Itoa(m.WorstHour)
		}
		share, closed, each := minutes.Unknown(), minutes.Unknown(), minutes.Unknown()
		if m.Pair != nil {
			share = m.Pair.Share
		}
		if m.Closed != nil {
			closed = minutes.Known(m.Closed.RunSeconds)
		}
		if m.PerVehicle != nil {
			each = m.PerVehicle.Seconds
		}
		_ = w.Write(append([]string{m.Equipment, m.From.Format(time.RFC3339), m.To.Format(time.RFC3339), plain(minutes.Known(m.RunSeconds)), plain(minutes.Known(m.StillSeconds)),
			plain(minutes.Known(m.UnseenSeconds)), plain(m.Duty), starts, worst, plain(m.Limit), plain(m.MeanRunSeconds), plain(minutes.Known(m.LongestSeconds)),
			plain(m.ShortestSeconds), strconv.Itoa(m.ShortRuns), plain(share), plain(closed), plain(each), plain(m.EnergyKWh), m.Decide}, append(append(trendCells(m.PerVehicle), loadCells(m.Load)...), serviceCells(m.Services, zone)...)...))
	}
	w.Flush()
	return w.Error()
}

// trendCells is how run time for each vehicle goes from day to day, with its 95 % interval.
func trendCells(p *duty.PerVehicle) []string {
	if p == nil || p.Trend == nil {
		return make([]string, 3)
	}
	return []string{plain(minutes.Known(p.Trend.Slope)), plain(minutes.Known(p.Trend.SlopeLow)), plain(minutes.Known(p.Trend.SlopeHigh))}
}

func loadCells(l *duty.LoadFigures) []string {
	if l == nil {
		return make([]string, 5)
	}
	return []string{strconv.Itoa(l.Cycles), strconv.Itoa(l.WorstHour), plain(l.Limit), plain(minutes.Known(l.LoadedSeconds)), plain(l.Factor)}
}

// serviceCells is the service that is due first, by run time left.
func serviceCells(list []duty.ServiceDue, zone *time.Location) []string {
	if len(list) == 0 {
		return make([]string, 3)
	}
	s := slices.MinFunc(list, func(a, b duty.ServiceDue) int { return cmp.Compare(a.Hours, b.Hours) })
	expected := ""
	if s.Expected != nil && s.Hours >= 0 {
		expected = s.Expected.In(zone).Format(time.DateOnly)
	}
	return []string{s.Service, plain(minutes.Known(s.Hours)), expected}
}

func plain(v minutes.Known) string {
	if !v.Is() {
		return ""
	}
	return strconv.FormatFloat(float64(v), 'f', -1, 64)
}
