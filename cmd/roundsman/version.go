package main

import (
	"errors"
	"fmt"
	"runtime/debug"
	"time"

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

// oldest is before every build of this program.
var oldest = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)

// builtAt is a time that is past for certain: that of the commit the program was built from. A wall clock that tells an
// earlier one is not set.
func builtAt() time.Time {
	info, _ := debug.ReadBuildInfo()
	return committed(info)
}

func committed(info *debug.BuildInfo) time.Time {
	if info == nil {
		return oldest
	}
	for _, s := range info.Settings {
		if s.Key != "vcs.time" {
			continue
		}
		if t, err := time.Parse(time.RFC3339, s.Value); err == nil && t.After(oldest) {
			return t.UTC()
		}
	}
	return oldest
}

func versionCommand() *cobra.Command {
	var materials bool
	cmd := &cobra.Command{
		Use:   "version",
		Short: "Print version, commit and Go version",
		Args:  exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if materials {
				info, ok := debug.ReadBuildInfo()
				if !ok {
					return errors.New("the binary was built without a list of its modules")
				}
				return writeJSON(cmd.OutOrStdout(), billOf(info))
			}
			version, commit, goVersion := build()
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "roundsman %s, commit %s, %s\n", version, commit, goVersion)
			return err
		},
	}
	cmd.Flags().BoolVar(&materials, "sbom", false, "print the bill of materials: every module in the binary (CycloneDX JSON)")
	return cmd
}
