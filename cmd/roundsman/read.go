package main

import (
	"context"
	"fmt"
	"io"
	"os"
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
		Long: `Read opens the site's links, reads every point once and prints them (or those named), with the reason
where a point is not good. It goes to brokers under a client id of its own, beside a daemon that runs.
Exit 0: all are good or uncertain; 1: one is not. Computed points that look back over time have no
result after one round; they count only where they are named.`,
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
			readings, err := readOnce(cmd.Context(), site, wait, cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			if err := printReadings(cmd.OutOrStdout(), site, wanted, readings, asJSON); err != nil {
				return err
			}
			if !allUsable(site, wanted, readings, len(args) > 1) {
				return errSaid
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	cmd.Flags().DurationVar(&wait, "wait", 5*time.Second, "how long to wait for what brokers send")
	return cmd
}

// wantedPoints returns the points named, or all that a round brings.
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
	computed := map[collector.PointID]bool{}
	for _, c := range site.Compute {
		computed[c.Point] = true
	}
	for _, p := range site.Points {
		if p.Link != "" || computed[p.ID] { // what the daemon tells of itself is not read
			ids = append(ids, p.ID)
		}
	}
	return ids, nil
}

// readOnce reads all links side by side and computes what follows from their readings. A link that fails is told
// to talk, and costs only its own points.
func readOnce(ctx context.Context, site *configs.Site, wait time.Duration, talk io.Writer) ([]collector.Reading, error) {
	clock := collector.NewClock()
	links, err := onceReaders(site, clock, wait)
	if err != nil {
		return nil, err
	}
	rounds := make([][]collector.Reading, len(links))
	failures := make([]error, len(links))
	var g errgroup.Group // without a context: one link's failure ends no other's round
	for i, once := range links {
		g.Go(func() error {
			rounds[i], failures[i] = once(ctx)
			return nil
		})
	}
	g.Wait() // its functions return nil
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	for _, err := range failures {
		if err != nil {
			fmt.Fprintln(talk, "roundsman:", err)
		}
	}
	return computeOnce(site, clock.Now(), slices.Concat(rounds...))
}

// computeOnce adds the computed points to a round and returns the readings by point.
func computeOnce(site *configs.Site, now collector.Moment, round []collector.Reading) ([]collector.Reading, error) {
	set, err := compute.New(site.Points, site.Compute)
	if err != nil {
		return nil, err
	}
	latest := make([]collector.Reading, len(site.Points))
	for i := range latest {
		latest[i] = collector.Fail(collector.PointID(i), collector.NotRead, 0, now, "")
	}
	for _, r := range append(round, set.Step(now, round, nil)...) {
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
			readings, err := l.Once(ctx)
			if err != nil {
				err = fmt.Errorf("link %s: %w", o.Name, err)
			}
			return readings, err
		})
	}
	for _, o := range site.MQTT {
		// a broker throws the first of two clients with one id out: that would be the daemon
		o.ClientID += fmt.Sprintf("-read-%d", os.Getpid())
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
	for _, id := range wanted {
		r, p := latest[id], site.Points[id]
		l := readLine{Point: p.Name, Station: p.Station, Text: r.Text, Unit: p.Unit, Quality: r.Quality.String(),
			Status: r.Status().String(), Reason: r.Reason()}
		if r.Quality.Usable() {
			l.Value = &r.Value
		}
		if p.Link != "" && hasRaw(r.Fault) {
			l.Raw = &r.Raw
		}
		lines = append(lines, l)
	}
	return writeReadings(w, site, wanted, lines, asJSON)
}

// hasRaw reports whether a reading with this fault came with a number from the device: a nought in its place would
// look like one.
func hasRaw(f collector.Fault) bool {
	switch f {
	case collector.NotRead, collector.NoAnswer, collector.LinkLost, collector.Refused, collector.WrongReply,
		collector.Retained, collector.BadPayload, collector.DeviceOffline:
		return false
	}
	return true
}

// allUsable reports whether the wanted points have usable readings. Computed points without a result after one
// round count only where they were named.
func allUsable(site *configs.Site, wanted []collector.PointID, latest []collector.Reading, named bool) bool {
	for _, id := range wanted {
		r := latest[id]
		tooEarly := r.Quality == collector.Unread && site.Points[id].Link == "" && !named
		if !r.Quality.Usable() && !tooEarly {
			return false
		}
	}
	return true
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
			value = decimal(*l.Value, site.Points[wanted[i]].Digits)
		}
		if l.Text != "" {
			value = l.Text
		}
		t.add(l.Point, right(raw), right(value), l.Unit, l.Quality, l.Reason)
	}
	return t.write(w)
}
