package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"roundsman/collector/modbus"
)

func planCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "plan SITE.yaml",
		Short: "Show the round plan: requests, line time, load of each link",
		Long: `Plan works out, without opening a link, which requests each round needs, what they take on the line
against the theoretical minimum and against one read per point, how busy each link will be, and whether the line can
carry it: where it cannot, what to change.
Exit 0: every link keeps its intervals; 1: one cannot.`,
		Args: exactly("SITE.yaml"),
		RunE: func(cmd *cobra.Command, args []string) error {
			site, err := loadSite(args[0], cmd.OutOrStdout())
			if err != nil {
				return err
			}
			reports, err := forecasts(site.Modbus)
			if err != nil {
				return err
			}
			if err := printPlans(cmd.OutOrStdout(), reports, asJSON); err != nil {
				return err
			}
			for _, r := range reports {
				if r.Load > 1 {
					return errSaid
				}
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

// forecast is what a link will have to do, and what would make that easier.
type forecast struct {
	modbus.Report
	relief []string
}

func forecasts(links []modbus.Options) ([]forecast, error) {
	var out []forecast
	for _, o := range links {
		r, err := modbus.Forecast(o)
		if err != nil {
			return nil, fmt.Errorf("link %s: %w", o.Name, err)
		}
		relief, err := modbus.Relief(o)
		if err != nil {
			return nil, fmt.Errorf("link %s: %w", o.Name, err)
		}
		out = append(out, forecast{r, relief})
	}
	return out, nil
}

func printPlans(w io.Writer, reports []forecast, asJSON bool) error {
	if asJSON {
		return writeJSON(w, planLines(reports))
	}
	for i, r := range reports {
		if i > 0 {
			fmt.Fprintln(w)
		}
		if err := printPlan(w, r); err != nil {
			return err
		}
	}
	return nil
}

// printPlan shows one link. Times are in milliseconds of line time.
func printPlan(w io.Writer, r forecast) error {
	can := "the line can carry this"
	if !r.Carries() {
		can = "too tight, see below"
	}
	if r.Load > 1 {
		can = "the line cannot carry this"
	}
	fmt.Fprintf(w, "link %s, %s, %s: busy %.1f %% of the time: %s\n", r.Link, r.Kind, r.Address, 100*r.Load, can)
	t := table{head: []string{"due together", right("an hour"), right("points"), right("requests"), right("bytes"),
		right("line ms"), right("minimum ms"), right("one by one ms"), "reads"}}
	for _, p := range r.Rounds {
		t.add(durations(p.Every), right(fmt.Sprintf("%.0f", p.PerHour)), right(fmt.Sprint(p.Points)), right(fmt.Sprint(len(p.Requests))),
			right(fmt.Sprint(p.Bytes)), right(millis(p.LineTime)), right(millis(p.Minimum)), right(millis(p.Single)), reads(p))
	}
	if err := t.write(w); err != nil {
		return err
	}
	for _, text := range r.Warnings {
		fmt.Fprintln(w, "warning:", text)
	}
	for i, text := range r.relief {
		fmt.Fprintln(w, []string{"what helps:", "or:"}[min(i, 1)], text)
	}
	return nil
}

// planLine is one link as 'plan --json' prints it. Times are in seconds.
type planLine struct {
	Link     string      `json:"link"`
	Kind     string      `json:"kind"`
	Address  string      `json:"address"`
	Load     float64     `json:"load"`
	Carries  bool        `json:"carries"` // with time to spare for a time-out
	Warnings []string    `json:"warnings"`
	Relief   []string    `json:"relief"` // what would help
	Rounds   []planRound `json:"rounds"`
}

type planRound struct {
	Every    []float64     `json:"everySeconds"`
	PerHour  float64       `json:"perHour"`
	Points   int           `json:"points"`
	Bytes    int           `json:"bytes"`
	LineTime float64       `json:"lineSeconds"`
	Minimum  float64       `json:"minimumSeconds"`
	Single   float64       `json:"oneByOneSeconds"`
	Requests []planRequest `json:"requests"`
}

type planRequest struct {
	Unit  uint8  `json:"unitId"`
	Table string `json:"table"`
	Start uint16 `json:"address"`
	Count uint16 `json:"count"`
}

func planLines(reports []forecast) []planLine {
	out := make([]planLine, 0, len(reports))
	for _, r := range reports {
		l := planLine{Link: r.Link, Kind: r.Kind, Address: r.Address, Load: r.Load,
			Carries: r.Carries(), Warnings: append([]string{}, r.Warnings...), Relief: append([]string{}, r.relief...)}
		for _, p := range r.Rounds {
			round := planRound{PerHour: p.PerHour, Points: p.Points, Bytes: p.Bytes,
				LineTime: p.LineTime.Seconds(), Minimum: p.Minimum.Seconds(), Single: p.Single.Seconds()}
			for _, e := range p.Every {
				round.Every = append(round.Every, e.Seconds())
			}
			for _, q := range p.Requests {
				round.Requests = append(round.Requests, planRequest{q.Unit, modbus.Table(q.Table).String(), q.Start, q.Count})
			}
			l.Rounds = append(l.Rounds, round)
		}
		out = append(out, l)
	}
	return out
}

func durations(ds []time.Duration) string {
	words := make([]string, len(ds))
	for i, d := range ds {
		words[i] = shortDuration(d)
	}
	return strings.Join(words, ", ")
}

// shortDuration drops the zero parts that time.Duration prints: '1m', not '1m0s'.
func shortDuration(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// reads lists the requests by unit: '5: input 0-15, discrete 0-7'.
func reads(p modbus.RoundPlan) string {
	var b strings.Builder
	unit := -1
	for _, q := range p.Requests {
		switch {
		case int(q.Unit) != unit && unit >= 0:
			b.WriteString("; ")
			fallthrough
		case unit < 0:
			fmt.Fprintf(&b, "unit %d: ", q.Unit)
		default:
			b.WriteString(", ")
		}
		unit = int(q.Unit)
		fmt.Fprintf(&b, "%s %d", modbus.Table(q.Table), q.Start)
		if q.Count > 1 {
			fmt.Fprintf(&b, "-%d", int(q.Start)+int(q.Count)-1)
		}
	}
	return b.String()
}

func millis(d time.Duration) string { return fmt.Sprintf("%.2f", float64(d)/float64(time.Millisecond)) }

func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
