package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"github.com/spf13/cobra"
)

func servicedCommand() *cobra.Command {
	var f saidFlags
	cmd := &cobra.Command{
		Use:   "serviced EQUIPMENT SERVICE --by PERSON",
		Short: "Note that a service was done: the next is counted from now",
		Long: `Serviced tells the running daemon that a service of the site file was done on a machine. The next one is counted from its
run time of now. Who did it must stand in the site's contacts file; it goes into the journal with that name.
Exit 0: done; 1: refused, or no daemon answers; 2: wrong usage.`,
		Example: `  roundsman serviced hyd.pump.1 'return filter' --by n.quill --reason 'element was brown'`,
		Args:    exactly("EQUIPMENT", "SERVICE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := f.vet("who did it?"); err != nil {
				return usageError{err}
			}
			return sayServiced(cmd, &f, args[0], args[1])
		},
	}
	f.add(cmd, "did it", "what was found, for the journal", "print the machine as it is then, as JSON")
	return cmd
}

func sayServiced(cmd *cobra.Command, f *saidFlags, equipment, service string) error {
	c, err := f.client()
	if err != nil {
		return err
	}
	var done json.RawMessage
	body := map[string]string{"by": f.by, "service": service, "reason": f.reason}
	if err := c.ask(cmd.Context(), http.MethodPost, "/api/v1/equipment/"+url.PathEscape(equipment)+"/serviced", body, &done); err != nil {
		return err
	}
	if f.asJSON {
		return writeJSON(cmd.OutOrStdout(), done)
	}
	var e struct {
		Services []struct {
			Service    string
			DueSeconds float64
			By         string
		}
	}
	if err := json.Unmarshal(done, &e); err != nil {
		return fmt.Errorf("the answer cannot be read: %w", err)
	}
	for _, s := range e.Services {
		if strings.EqualFold(s.Service, service) {
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s of %s: done by %s, next after %.0f h of running\n", s.Service, equipment, s.By, s.DueSeconds/3600)
			return err
		}
	}
	return nil
}
