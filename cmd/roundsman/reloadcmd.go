package main

import (
	"fmt"
	"net/http"

	"github.com/spf13/cobra"
)

func reloadCommand() *cobra.Command {
	var by string
	var daemon keyFlag
	cmd := &cobra.Command{
		Use:   "reload --by PERSON",
		Short: "Let the running daemon read its files anew",
		Long: `Reload asks the running daemon to read its site file, rules and contacts anew. Alarms whose rule is unchanged keep
their state, and points that did not change go on with their windows, totals and run time; links whose settings and
points are unchanged are not disturbed. A file that is wrong changes nothing: the last good ones go on, and what is
wrong is printed with its place. So does a change that takes a restart: of listen, panel, record or the time zone.
The hang-up signal does the same. Exit 0: the new files are in force; 1: they are not; 2: wrong usage.`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if by == "" {
				return usageError{fmt.Errorf("--by is missing: who does it?")}
			}
			if err := daemon.daemon.vet(); err != nil {
				return usageError{err}
			}
			c, err := daemon.client()
			if err != nil {
				return err
			}
			var answer struct{ Reloaded bool }
			if err := c.ask(cmd.Context(), http.MethodPost, "/api/v1/reload", map[string]string{"by": by}, &answer); err != nil {
				return err
			}
			_, err = fmt.Fprintln(cmd.OutOrStdout(), "the new files are in force")
			return err
		},
	}
	cmd.Flags().StringVar(&by, "by", "", "`PERSON` who asks, by the short name of the contacts file")
	daemon.add(cmd)
	return cmd
}
