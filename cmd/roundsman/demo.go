package main

import "github.com/spf13/cobra"

func demoCommand() *cobra.Command {
	return &cobra.Command{Use: "demo", Short: "Run the practice plant and the daemon reading it", Args: exactly()}
}
