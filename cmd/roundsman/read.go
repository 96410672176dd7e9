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
	var check checkList
	cmd := &cobra.Command{
		Use:   "read SITE.yaml [POINT...]",
		Short: "Read one round now: raw, value, unit, quality, reason",
		Long: `Read opens the site's links, reads every point once and prints them (or those named), with the reason
where a point is not good, and what to do about a line that does not answer. It goes to brokers under a client id
of its own, beside a daemon that runs. Exit 0: all are good or uncertain; 1: one is not. Computed points that look
back over time have no result after one round, and sensors that speak seldom may not have spoken within --wait;
both count only where they are named.

With --as-found or --as-left it is a check list: each point's reading is shown, you say what the gauge beside it
shows, the difference stands against 2 % of the range, and all goes into the journal under the name of --by. Where
the daemon runs (--at) the readings are its own and it keeps the lines; where none does, the record is written directly.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usageError{fmt.Errorf("SITE.yaml is missing")}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := check.vet(); err != nil {
				return usageError{err}
			}
			site, err := loadSite(args[0], cmd.OutOrStdout())
			if err != nil {
				return err
			}
			wanted, err := wantedPoints(site, args[1:])
			if err != nil {
				return err
			}
			if check.asked() {
				return check.run(cmd, site, args[0], wanted, wait)
			}
			talk := cmd.ErrOrStderr()
			round, err := readOnce(cmd.Context(), site, wanted, wait, talk)
			if err != nil {
				return err
			}
			if err := printReadings(cmd.OutOrStdout(), site, wanted, round.latest, asJSON); err != nil {
				return err
			}
			for _, f := range round.advice {
				fmt.Fprintln(talk, "roundsman:", f)
			}
			named := len(args) > 1
			if late := round.unspoken(wanted); len(late) > 0 {
				fmt.Fprintln(talk, "roundsman:", unspokenWords(site, late, named, wait))
			}
			if round.failed || !round.allUsable(site, wanted, named) {
				return errSaid
			}
			return nil
		},
	}
	check.add(cmd)
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

// onceRound is what one round brought.
type onceRound struct {
	latest []collector.Reading // by point
	advice []modbus.Finding
	failed bool                                // a link could not be had
	speaks map[collector.PointID]time.Duration // topics that may be silent for longer than was waited
}

// readOnce reads what the wanted points need over all links side by side, and computes what follows. A link that
// fails is told to talk, and costs only its own points.
func readOnce(ctx context.Context, site *configs.Site, wanted []collector.PointID, wait time.Duration, talk io.Writer) (*onceRound, error) {
	clock := collector.NewClock()
	set, err := compute.New(site.Points, site.Compute)
	if err != nil {
		return nil, err
	}
	links, err := onceReaders(site, set.Needs(wanted), clock, wait)
	if err != nil {
		return nil, err
	}
	rounds := make([]linkRound, len(links))
	var g errgroup.Group // without a context: one link's failure ends no other's round
	for i, once := range links {
		g.Go(func() error {
			rounds[i] = once(ctx)
			return nil
		})
	}
	_ = g.Wait() // its functions return nil
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	out := &onceRound{speaks: seldom(site, wait)}
	var readings []collector.Reading
	for _, r := range rounds {
		readings = append(readings, r.readings...)
		out.advice = append(out.advice, r.advice...)
		if r.err != nil {
			out.failed = true
			fmt.Fprintln(talk, "roundsman:", r.err)
		}
	}
	out.latest = computeOnce(site, set, clock.Now(), readings)
	return out, nil
}

// seldom returns the topics that may be silent for longer than was waited, and for how long.
func seldom(site *configs.Site, wait time.Duration) map[collector.PointID]time.Duration {
	out := map[collector.PointID]time.Duration{}
	for _, o := range site.MQTT {
		for _, p := range o.Points {
			if !p.OnChange && (p.StaleAfter == 0 || p.StaleAfter > wait) {
				out[p.ID] = p.StaleAfter
			}
		}
	}
	return out
}

// computeOnce adds the computed points to a round and returns the readings by point.
func computeOnce(site *configs.Site, set *compute.Set, now collector.Moment, round []collector.Reading) []collector.Reading {
	latest := make([]collector.Reading, len(site.Points))
	for i := range latest {
		latest[i] = collector.Fail(collector.PointID(i), collector.NotRead, 0, now, "")
	}
	for _, r := range append(round, set.Step(now, round, nil)...) {
		latest[r.Point] = r
	}
	return latest
}

// linkRound is what one link brought.
type linkRound struct {
	readings []collector.Reading
	advice   []modbus.Finding
	err      error
}

type onceReader func(context.Context) linkRound

// onceReaders returns what reads the needed points of each link; links without one are left alone.
func onceReaders(site *configs.Site, need map[collector.PointID]bool, clock *collector.Clock, wait time.Duration) ([]onceReader, error) {
	var out []onceReader
	for _, o := range site.Modbus {
		if !need[o.Status] { // that of the whole link needs all of it
			o.Points = needed(o.Points, func(p modbus.Point) bool { return need[p.ID] || need[o.Units[p.Unit].Status] })
		}
		if len(o.Points) == 0 && !need[o.Status] {
			continue
		}
		l, err := modbus.New(o, site.Points, clock)
		if err != nil {
			return nil, fmt.Errorf("link %s: %w", o.Name, err)
		}
		out = append(out, func(ctx context.Context) (r linkRound) {
			defer l.Close()
			if r.readings, r.err = l.Once(ctx); r.err != nil {
				r.err = fmt.Errorf("link %s: %w", o.Name, r.err)
			}
			r.advice = l.Advice()
			return r
		})
	}
	for _, o := range site.MQTT {
		// a broker throws the first of two clients with one id out: that would be the daemon
		o.ClientID += fmt.Sprintf("-read-%d", os.Getpid())
		o.Points = needed(o.Points, func(p mqtt.Point) bool { return need[p.ID] })
		if len(o.Points) == 0 && !need[o.Status] {
			continue
		}
		l, err := mqtt.New(o, site.Points, clock)
		if err != nil {
			return nil, fmt.Errorf("link %s: %w", o.Name, err)
		}
		out = append(out, func(ctx context.Context) (r linkRound) {
			r.readings, r.err = l.Once(ctx, wait)
			return r
		})
	}
	return out, nil
}

// needed returns those of a link's points that are needed, without touching the site's own list.
func needed[P any](points []P, need func(P) bool) []P {
	var out []P
	for _, p := range points {
		if need(p) {
			out = append(out, p)
		}
	}
	return out
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

// unspoken returns the wanted points whose sensor has not spoken yet, and need not have.
func (r *onceRound) unspoken(wanted []collector.PointID) []collector.PointID {
	var out []collector.PointID
	for _, id := range wanted {
		_, seldom := r.speaks[id]
		if got := r.latest[id]; seldom && (got.Quality == collector.Unread || got.Fault == collector.Retained) {
			out = append(out, id)
		}
	}
	return out
}

// unspokenWords says which sensors have not spoken yet, and how long to wait for them.
func unspokenWords(site *configs.Site, late []collector.PointID, named bool, waited time.Duration) string {
	var longest time.Duration
	for _, o := range site.MQTT {
		for _, p := range o.Points {
			if slices.Contains(late, p.ID) {
				longest = max(longest, p.StaleAfter)
			}
		}
	}
	s := fmt.Sprintf("no message yet from %s", countOf(len(late), "sensor"))
	if len(late) == 1 {
		s = "no message yet from " + site.Points[late[0]].Name
	}
	s += fmt.Sprintf(" in %s", shortDuration(waited))
	if longest > 0 {
		s += fmt.Sprintf(": the longest silence allowed is %s (stale-after), --wait %s waits it out", shortDuration(longest), shortDuration(longest))
	}
	if !named {
		s += "; they do not count as wrong"
	}
	return s
}

// allUsable reports whether the wanted points have usable readings. Computed points without a result after one round,
// and sensors that speak more seldom than was waited for, count only where they were named.
func (r *onceRound) allUsable(site *configs.Site, wanted []collector.PointID, named bool) bool {
	early := map[collector.PointID]bool{}
	if !named {
		for _, id := range r.unspoken(wanted) {
			early[id] = true
		}
	}
	for _, id := range wanted {
		got := r.latest[id]
		computed := site.Points[id].Link == ""
		tooEarly := early[id] || !named && computed && (got.Quality == collector.Unread || got.Fault == collector.InputLost && len(early) > 0)
		if !got.Quality.Usable() && !tooEarly {
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
