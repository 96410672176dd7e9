package main

import (
	"fmt"
	"net/http"
	"net/url"

	"github.com/spf13/cobra"
)

// explainFlags are what a person says of a meter that jumped.
type explainFlags struct {
	saidFlags
	meter, last, first string
}

func explainCommand() *cobra.Command {
	var f explainFlags
	cmd := &cobra.Command{
		Use:   "explain EQUIPMENT replaced|reset|rolled-over|misread --by PERSON",
		Short: "Answer what the box asks about an hour meter or a counter of starts that jumped",
		Long: `Explain tells the running daemon what was done to a meter: its register went back, or to a value that it cannot have
counted to, and the journal and the duty review ask about it. What was counted before is kept. With what the meter showed at
its end and what it, or the new one, began with, what ran meanwhile is added to the totals, from which services are due; a
review of a span leaves it out, as nobody saw when it ran. The oldest question about the meter is answered first.
Exit 0: done; 1: refused, or no daemon answers; 2: wrong usage.`,
		Example: `  roundsman explain reclaim.pump.1 replaced --last 18342.7 --first 0.2 --by n.quill --reason 'display was dead'`,
		Args:    exactly("EQUIPMENT", "replaced|reset|rolled-over|misread"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := f.vet("who says so?"); err != nil {
				return usageError{err}
			}
			return f.run(cmd, args[0], args[1])
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.meter, "meter", "hours", "which register: hours or starts")
	flags.StringVar(&f.last, "last", "", "what it showed at the end, in its own unit; what it was read at last if not given")
	flags.StringVar(&f.first, "first", "", "what it, or the new one, began with; 0 of what was reset, what was read first of a new one if not given")
	f.add(cmd, "says so", "words for the journal", "print what was added as JSON")
	return cmd
}

func (f *explainFlags) run(cmd *cobra.Command, equipment, was string) error {
	c, err := f.client()
	if err != nil {
		return err
	}
	var done struct {
		Equipment       string  `json:"equipment"`
		Meter           string  `json:"meter"`
		From            float64 `json:"from"`
		To              float64 `json:"to"`
		Was             string  `json:"was"`
		RunSecondsAdded float64 `json:"runSecondsAdded"`
		StartsAdded     uint64  `json:"startsAdded"`
	}
	body := map[string]string{"by": f.by, "meter": f.meter, "was": was, "last": f.last, "first": f.first, "reason": f.reason}
	if err := c.ask(cmd.Context(), http.MethodPost, "/api/v1/equipment/"+url.PathEscape(equipment)+"/explained", body, &done); err != nil {
		return err
	}
	if f.asJSON {
		return writeJSON(cmd.OutOrStdout(), done)
	}
	added := fmt.Sprintf("%.1f h added", done.RunSecondsAdded/3600)
	if done.Meter == "starts" {
		added = fmt.Sprintf("%d starts added", done.StartsAdded)
	}
	_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s, from %.10g to %.10g: %s; %s\n", equipment, done.From, done.To, done.Was, added)
	return err
}
