package main

import (
	"fmt"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// build is what the binary says of itself. The Go tool stamps version and commit.
func build() (version, commit, goVersion string) {
	version, commit, goVersion = "unknown", "unknown", "unknown"
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return
	}
	goVersion = info.GoVersion
	if v := info.Main.Version; v != "" {
		version = v
	}
	stamp := map[string]string{}
	for _, s := range info.Settings {
		stamp[s.Key] = s.Value
	}
	if rev := stamp["vcs.revision"]; rev != "" {
		commit = rev[:min(12, len(rev))]
	}
	if stamp["vcs.modified"] == "true" {
		commit += " with changes"
	}
	return
}

func versionCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print version, commit and Go version",
		Args:  exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			version, commit, goVersion := build()
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "roundsman %s, commit %s, %s\n", version, commit, goVersion)
			return err
		},
	}
}
