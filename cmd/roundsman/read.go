package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/modbus"
	"roundsman/collector/mqtt"
	"roundsman/configs"
)

func readCommand() *cobra.Command {
	var asJSON bool
	var wait time.Duration
	cmd := &cobra.Command{
		Use:   "read SITE.yaml [POINT...]",
		Short: "Read one round now: raw, value, unit, quality, reason",
		Long: `Read opens the site's links, reads every point once (or those named) and prints what came, with the
reason where a point is not good. Exit 0: all are good or uncertain; 1: one is not.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usageError{fmt.Errorf("SITE.yaml is missing")}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			site, err := loadSite(args[0], cmd.OutOrStdout())
			if err != nil {
				return err
			}
			wanted, err := wantedPoints(site, args[1:])
			if err != nil {
				return err
			}
			readings, err := readOnce(cmd.Context(), site, wait)
			if err != nil {
				return err
			}
			return printReadings(cmd.OutOrStdout(), site, wanted, readings, asJSON)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	cmd.Flags().DurationVar(&wait, "wait", 5*time.Second, "how long to wait for what brokers send")
	return cmd
}

// wantedPoints returns the points named, or all.
func wantedPoints(site *configs.Site, names []string) ([]collector.PointID, error) {
	var ids []collector.PointID
	for _, n := range names {
		p, ok := site.Point(n)
		if !ok {
			return nil, fmt.Errorf("no point %q in the site file", n)
		}
		ids = append(ids, p.ID)
	}
	if len(names) > 0 {
		return ids, nil
	}
	for _, p := range site.Points {
		ids = append(ids, p.ID)
	}
	return ids, nil
}

// readOnce reads all links side by side and computes what follows from their readings.
func readOnce(ctx context.Context, site *configs.Site, wait time.Duration) ([]collector.Reading, error) {
	clock := collector.NewClock()
	links, err := onceReaders(site, clock, wait)
	if err != nil {
		return nil, err
	}
	rounds := make([][]collector.Reading, len(links))
	g, ctx := errgroup.WithContext(ctx)
	for i, once := range links {
		g.Go(func() (err error) {
			rounds[i], err = once(ctx)
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	set, err := compute.New(site.Points, site.Compute)
	if err != nil {
		return nil, err
	}
	now := clock.Now()
	latest := make([]collector.Reading, len(site.Points))
	for i := range latest {
		latest[i] = collector.Fail(collector.PointID(i), collector.NotRead, 0, now, "")
	}
	all := slices.Concat(rounds...)
	for _, r := range append(all, set.Step(now, all, nil)...) {
		latest[r.Point] = r
	}
	return latest, nil
}

type onceReader func(context.Context) ([]collector.Reading, error)

func onceReaders(site *configs.Site, clock *collector.Clock, wait time.Duration) ([]onceReader, error) {
	var out []onceReader
	for _, o := range site.Modbus {
		l, err := modbus.New(o, site.Points, clock)
		if err != nil {
			return nil, fmt.Errorf("link %s: %w", o.Name, err)
		}
		out = append(out, func(ctx context.Context) ([]collector.Reading, error) {
			defer l.Close()
			return l.Once(ctx)
		})
	}
	for _, o := range site.MQTT {
		l, err := mqtt.New(o, site.Points, clock)
		if err != nil {
			return nil, fmt.Errorf("link %s: %w", o.Name, err)
		}
		out = append(out, func(ctx context.Context) ([]collector.Reading, error) { return l.Once(ctx, wait) })
	}
	return out, nil
}

// readLine is one point as 'read --json' prints it.
type readLine struct {
	Point   string   `json:"point"`
	Station string   `json:"station"`
	Raw     *float64 `json:"raw"`
	Value   *float64 `json:"value"`
	Text    string   `json:"text,omitempty"`
	Unit    string   `json:"unit"`
	Quality string   `json:"quality"`
	Status  string   `json:"status"` // NE 107
	Reason  string   `json:"reason"`
}

func printReadings(w io.Writer, site *configs.Site, wanted []collector.PointID, latest []collector.Reading, asJSON bool) error {
	lines := make([]readLine, 0, len(wanted))
	good := true
	for _, id := range wanted {
		r, p := latest[id], site.Points[id]
		l := readLine{Point: p.Name, Station: p.Station, Text: r.Text, Unit: p.Unit, Quality: r.Quality.String(),
			Status: r.Status().String(), Reason: r.Reason()}
		if r.Quality.Usable() {
			l.Value = &r.Value
		}
		if p.Link != "" && r.Quality != collector.Unread {
			l.Raw = &r.Raw
		}
		good = good && r.Quality.Usable()
		lines = append(lines, l)
	}
	if err := writeReadings(w, site, wanted, lines, asJSON); err != nil {
		return err
	}
	if !good {
		return errSaid
	}
	return nil
}

func writeReadings(w io.Writer, site *configs.Site, wanted []collector.PointID, lines []readLine, asJSON bool) error {
	if asJSON {
		return writeJSON(w, lines)
	}
	t := table{head: []string{"point", right("raw"), right("value"), "unit", "quality", "reason"}}
	for i, l := range lines {
		raw, value := "", ""
		if l.Raw != nil {
			raw = strconv.FormatFloat(*l.Raw, 'g', 9, 64)
		}
		if l.Value != nil {
			value = strconv.FormatFloat(*l.Value, 'f', site.Points[wanted[i]].Digits, 64)
		}
		if l.Text != "" {
			value = l.Text
		}
		t.add(l.Point, right(raw), right(value), l.Unit, l.Quality, l.Reason)
	}
	return t.write(w)
}
