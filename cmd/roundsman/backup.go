package main

import (
	"fmt"
	"os"

	"github.com/spf13/cobra"
)

func backupCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "backup SITE.yaml FILE",
		Short: "Copy the record, while the daemon runs or not",
		Long: `Backup writes a whole, consistent copy of the site's record to a new file, without holding up the daemon. Put in the place
of the record while the daemon is stopped, it is the record.`,
		Args: exactly("SITE.yaml", "FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			site, err := loadSite(args[0], cmd.OutOrStdout())
			if err != nil {
				return err
			}
			r, err := openToRead(args[0], site)
			if err != nil {
				return err
			}
			defer r.Close()
			if err := r.Backup(cmd.Context(), args[1]); err != nil {
				return err
			}
			info, err := os.Stat(args[1])
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: %.1f MB\n", args[1], float64(info.Size())/1e6)
			return err
		},
	}
}
