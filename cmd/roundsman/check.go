package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/configs/strict"
)

func checkCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "check SITE.yaml",
		Short: "Check a site's files: all that is wrong at once",
		Long: `Check reads the site file and its rule files and prints everything that is wrong with them,
each with file:line:column, and each alarm whose call-out would reach nobody at some time of the next eight
weeks. Remarks (values that were chosen because the files are silent) follow.
Exit 0: good; 1: something is wrong.`,
		Args: exactly("SITE.yaml"),
		RunE: func(cmd *cobra.Command, args []string) error {
			out := cmd.OutOrStdout()
			site, err := loadSite(args[0], out)
			if err != nil {
				return err
			}
			if len(site.Notes) > 0 {
				fmt.Fprintln(out, site.Notes)
			}
			holes := site.Holes(collector.At(time.Now()), configs.EightWeeks)
			if len(holes) > 0 {
				fmt.Fprintln(out, holes)
			}
			if len(holes.Of(strict.Error)) > 0 {
				return errSaid
			}
			_, err = fmt.Fprintf(out, "%s: good: %s, %d points, %d computed, %d rules, %d links, %d machines\n", args[0], site.Name,
				len(site.Points), len(site.Compute), len(site.Rules.Rules), len(site.Modbus)+len(site.MQTT), len(site.Equipment))
			return err
		},
	}
}
