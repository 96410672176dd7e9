// Command roundsman makes the rounds of a car wash's equipment room: it reads
// pressures, levels, run signals and turbidity over Modbus and MQTT, judges
// them by rule files and shows what it finds. It only watches.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"
)

func main() {
	os.Exit(run(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// Exit codes, fixed: 0 good, 1 the thing asked about is wrong, 2 wrong usage.
const (
	exitGood  = 0
	exitWrong = 1
	exitUsage = 2
)

// usageError is a command line that cannot be meant.
type usageError struct{ error }

// errSaid means that what is wrong was already printed.
var errSaid = errors.New("said")

// run picks the command and turns its error into words and an exit code.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	defer stop()
	// a second signal ends the process at once
	context.AfterFunc(ctx, stop)

	root := rootCommand()
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	cmd, err := root.ExecuteContextC(ctx)
	if err == nil {
		return exitGood
	}
	if errors.Is(err, errSaid) {
		return exitWrong
	}
	fmt.Fprintln(stderr, "roundsman:", err)
	if _, ok := errors.AsType[usageError](err); ok {
		fmt.Fprintf(stderr, "usage: %s\n", cmd.UseLine())
		return exitUsage
	}
	return exitWrong
}

func rootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:   "roundsman COMMAND",
		Short: "Watches the equipment room of a conveyor tunnel wash",
		Long: `Roundsman reads pressures, tank levels, pump run signals and turbidity over Modbus
and MQTT, judges them by rule files, and shows readings and alarms to people and
dashboards. It only watches: it never writes to the controls and is no safety device.`,
		SilenceUsage:               true,
		SuggestionsMinimumDistance: 2,
		SilenceErrors:              true,
		// without a command: say what there is
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usageError{fmt.Errorf("unknown command %q%s", args[0], nearCommand(cmd, args[0]))}
			}
			return cmd.Help()
		},
		Args: cobra.ArbitraryArgs,
	}
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	root.AddCommand(demoCommand(), runCommand(), checkCommand(), readCommand(), surveyCommand(), planCommand(), alarmsCommand(), dutyCommand(), airCommand(), waterCommand(), servicedCommand(), explainCommand(), rehearseCommand(), drillCommand(), personCommand(), certificateCommand(), reloadCommand(), versionCommand())
	root.AddCommand(importCommand(), reportCommand())
	root.AddCommand(exportCommand(), backupCommand())
	root.AddCommand(actCommands()...)
	return root
}

// nearCommand guesses what was meant.
func nearCommand(cmd *cobra.Command, word string) string {
	if near := cmd.SuggestionsFor(word); len(near) > 0 {
		return fmt.Sprintf(" (did you mean %s?)", near[0])
	}
	return "; roundsman --help lists them"
}

// exactly wraps cobra's argument check in a usage error that names what is missing.
func exactly(names ...string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		switch {
		case len(args) < len(names):
			return usageError{fmt.Errorf("%s is missing", names[len(args)])}
		case len(args) > len(names):
			return usageError{fmt.Errorf("%q is one word too many", args[len(names)])}
		}
		return nil
	}
}
