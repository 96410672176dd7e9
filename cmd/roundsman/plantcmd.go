package main

import (
	"encoding/csv"
	"errors"
	"io"
	"time"

	"github.com/spf13/cobra"

	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/water"
)

// plantFlags are the options of the reviews of air and water.
type plantFlags struct {
	from, to      string
	asCSV, asJSON bool
}

func (f *plantFlags) add(cmd *cobra.Command) *cobra.Command {
	cmd.Args = exactly("SITE.yaml")
	cmd.Flags().StringVar(&f.from, "from", "", "begin of the span: `TIME`")
	cmd.Flags().StringVar(&f.to, "to", "", "end of the span: `TIME`; now unless said")
	cmd.Flags().BoolVar(&f.asCSV, "csv", false, "print CSV, one line a figure")
	cmd.Flags().BoolVar(&f.asJSON, "json", false, "print JSON")
	return cmd
}

func airCommand() *cobra.Command {
	var f plantFlags
	return f.add(&cobra.Command{
		Use:   "air SITE.yaml [--from T] [--to T]",
		Short: "Review the compressed air: load, pressure, leaks and what they cost",
		Long: `Air reads the record beside the site file, while the daemon runs or not, and prints how hard the compressor worked, how
good the pressure was, and what leaked by the tests that make themselves at night: each night's figure, its trend with the
interval it is sure to, and its cost in a year. review.air in the site file says which points are what.
Times are RFC 3339 or a day (2026-06-13, in the site's zone); the default is the last 30 days. Leak tests are estimates.`,
		Example: `  roundsman air site.yaml
  roundsman air site.yaml --from 2026-06-01 --csv > june.csv`,
		RunE: func(cmd *cobra.Command, args []string) error {
			return f.run(cmd, args[0], func(r *record.Reader, site *configs.Site, span review.Span, now time.Time) (plantReview, error) {
				figures, err := reviewAir(cmd.Context(), r, site, span, now)
				return airReview{&figures}, err
			})
		},
	})
}

func waterCommand() *cobra.Command {
	var f plantFlags
	return f.add(&cobra.Command{
		Use:   "water SITE.yaml [--from T] [--to T]",
		Short: "Review the water: litres a vehicle, reuse, balances, nights, filters",
		Long: `Water reads the record beside the site file, while the daemon runs or not, and prints what a vehicle took of fresh and of
all water beside what is published, how much was reused, where tanks lost what no meter saw, what ran at night, and how the
filters did. review.water in the site file says which points are what.
Times are RFC 3339 or a day (2026-06-13, in the site's zone); the default is the last 30 days.`,
		Example: `  roundsman water site.yaml --from 2026-06-08 --to 2026-06-15`,
		RunE: func(cmd *cobra.Command, args []string) error {
			return f.run(cmd, args[0], func(r *record.Reader, site *configs.Site, span review.Span, now time.Time) (plantReview, error) {
				figures, err := reviewWater(cmd.Context(), r, site, span, now)
				return waterReview{&figures}, err
			})
		},
	})
}

// plantReview is what a command prints.
type plantReview interface {
	Table(w io.Writer, zone *time.Location) error
	figures() any
	rows(row func(section, name, figure string, v minutes.Known, unit string))
}

type airReview struct{ *air.Figures }

type waterReview struct{ *water.Figures }

func (f *plantFlags) run(cmd *cobra.Command, path string, do func(*record.Reader, *configs.Site, review.Span, time.Time) (plantReview, error)) error {
	if f.asCSV && f.asJSON {
		return usageError{errors.New("--csv and --json: give one of them")}
	}
	site, err := loadSite(path, cmd.OutOrStdout())
	if err != nil {
		return err
	}
	now := time.Now()
	span, err := spanOf(f.from, f.to, site.Zone, now)
	if err != nil {
		return usageError{err}
	}
	r, err := openToRead(path, site)
	if err != nil {
		return err
	}
	defer r.Close()
	v, err := do(r, site, span, now)
	switch {
	case err != nil:
		return err
	case f.asJSON:
		return writeJSON(cmd.OutOrStdout(), v.figures())
	case f.asCSV:
		return plantCSV(cmd.OutOrStdout(), v)
	}
	return v.Table(cmd.OutOrStdout(), site.Zone)
}

// plantCSV writes one line a figure; what is not known is empty.
func plantCSV(out io.Writer, v plantReview) error {
	w := csv.NewWriter(out)
	_ = w.Write([]string{"section", "name", "figure", "value", "unit"})
	v.rows(func(section, name, figure string, v minutes.Known, unit string) {
		_ = w.Write([]string{section, name, figure, plain(v), unit})
	})
	w.Flush()
	return w.Error()
}

func (a airReview) figures() any { return a.Figures }

func (a airReview) rows(row func(section, name, figure string, v minutes.Known, unit string)) {
	p, l, k := &a.Pressure, &a.Load, &a.Leak
	row("pressure", "", "seen", p.SeenSeconds, "s")
	row("pressure", "", "mean", p.Mean, "bar")
	row("pressure", "", "mean_open", p.MeanOpen, "bar")
	row("pressure", "", "min", p.Min, "bar")
	row("pressure", "", "max", p.Max, "bar")
	row("pressure", "", "below_minimum", p.BelowSeconds, "s")
	row("load", "", "loaded", l.LoadedSeconds, "s")
	row("load", "", "running", l.RunningSeconds, "s")
	row("load", "", "factor", l.Factor, "ratio")
	row("load", "", "seen", l.SeenSeconds, "s")
	row("load", "", "cycles", minutes.Known(l.Cycles), "")
	row("load", "", "cycles_at_least", minutes.Known(yes(l.AtLeast)), "")
	row("load", "", "cycles_per_hour", l.CyclesPerHour, "")
	row("load", "", "worst_hour", minutes.Known(l.WorstHour), "")
	row("load", "", "mean_use", l.MeanUse, "L/s")
	row("leak", "", "latest", k.Latest, "L/s")
	row("leak", "", "usual", k.Usual, "L/s")
	row("leak", "", "per_month", k.PerMonth, "L/s")
	row("leak", "", "per_month_low", k.PerMonthLow, "L/s")
	row("leak", "", "per_month_high", k.PerMonthHigh, "L/s")
	row("leak", "", "share_of_delivery", k.Share, "ratio")
	row("leak", "", "energy_a_year", k.KilowattHours, "kWh")
	row("leak", "", "cost_a_year", k.Cost, k.Currency)
	for _, n := range k.Nights {
		row("night", n.Day, "leak", minutes.Known(n.Rate), "L/s")
	}
	for _, t := range k.Tests {
		row("test", t.At.UTC().Format(time.RFC3339), "leak", minutes.Known(t.Rate), "L/s")
		row("test", t.At.UTC().Format(time.RFC3339), "settled", minutes.Known(yes(t.Settled)), "")
	}
}

func yes(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func (a waterReview) figures() any { return a.Figures }

func (a waterReview) rows(row func(section, name, figure string, v minutes.Known, unit string)) {
	u := &a.Use
	row("use", "", "seen", a.SeenSeconds, "s")
	row("use", "", "vehicles", u.Vehicles, "")
	row("use", "", "fresh", u.Fresh, "L")
	row("use", "", "reclaim", u.Reclaim, "L")
	row("use", "", "fresh_per_vehicle", u.FreshPerVehicle, "L")
	row("use", "", "total_per_vehicle", u.TotalPerVehicle, "L")
	row("use", "", "reuse", u.Reuse, "ratio")
	row("use", "", "gone_per_vehicle", u.GonePerVehicle, "L")
	row("use", "", "fresh_per_vehicle_per_month", u.Trend, "L")
	row("night", "", "fresh_per_hour", a.Night.FreshPerHour, "L/h")
	row("night", "", "worst_per_hour", a.Night.WorstPerHour, "L/h")
	for _, t := range a.Tanks {
		row("tank", t.Name, "in", t.In, "L")
		row("tank", t.Name, "out", t.Out, "L")
		row("tank", t.Name, "change", t.Change, "L")
		row("tank", t.Name, "unmetered", t.Unmetered, "L")
		row("tank", t.Name, "closing_error", t.Error, "ratio")
		row("tank", t.Name, "night_loss", t.NightLossPerHour, "L/h")
		row("tank", t.Name, "to_empty", t.HoursToEmpty, "h")
	}
	for _, r := range a.Filters {
		row("filter", r.Name, "difference", r.Difference, "bar")
		row("filter", r.Name, "clean_difference", r.Clean, "bar")
		row("filter", r.Name, "dirty_difference", r.Dirty, "bar")
		row("filter", r.Name, "backwashes", minutes.Known(r.Backwashes), "")
		row("filter", r.Name, "backwash_interval", r.BackwashHours, "h")
		row("filter", r.Name, "turbidity_before", r.TurbidityBefore, "")
		row("filter", r.Name, "turbidity_after", r.TurbidityAfter, "")
	}
	for _, d := range a.Days {
		row("day", d.Day, "vehicles", minutes.Known(d.Vehicles), "")
		row("day", d.Day, "fresh", minutes.Known(d.Fresh), "L")
		row("day", d.Day, "reclaim", minutes.Known(d.Reclaim), "L")
	}
}
