// Command bench measures the numbers that Roundsman promises and prints one page:
// each row with the measured range, the goal, and whether it is met.
//
//	go run ./deploy/bench                      every row, about a quarter of an hour
//	go run ./deploy/bench --short              a few minutes, wider ranges
//	go run ./deploy/bench --only MQTT,record   the rows whose words hold one of these
//	go run ./deploy/bench --raw out.txt        and the plain output of the benchmarks, for benchstat
//
// It measures nothing itself. Each row is a metric of a Go benchmark that takes turns with a bare library, a plain table
// or a theoretical minimum in one run, so that both see the same machine. The suites run one after the other and the
// whole list is gone through several times: a range shows what the machine's other work did to them.
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"time"
)

func main() { os.Exit(run(context.Background(), os.Args[1:], os.Stdout, os.Stderr)) }

// options are what the command line says.
type options struct {
	short bool
	raw   string
	only  []string
	times int
}

// run returns 0 when every measured row is met, 1 when one is not or a suite ends in an error, 2 for wrong usage.
func run(ctx context.Context, args []string, out, errs io.Writer) int {
	o, err := parseArgs(args, errs)
	if err != nil {
		return 2
	}
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt)
	defer stop()
	code, err := measure(ctx, o, out, errs)
	if err != nil {
		fmt.Fprintln(errs, "bench:", err)
		return 1
	}
	return code
}

func parseArgs(args []string, errs io.Writer) (o options, err error) {
	flags := flag.NewFlagSet("bench", flag.ContinueOnError)
	flags.SetOutput(errs)
	flags.BoolVar(&o.short, "short", false, "a few minutes: less time for each benchmark, fewer passes")
	flags.StringVar(&o.raw, "raw", "", "file for the plain output of all benchmarks, ready for benchstat")
	only := flags.String("only", "", "comma-separated words: only rows that hold one of them")
	flags.IntVar(&o.times, "times", 0, "passes over the list (default 5, with --short 2)")
	if err := flags.Parse(args); err != nil {
		return o, err
	}
	if flags.NArg() > 0 {
		fmt.Fprintf(errs, "bench: unknown argument %q\n", flags.Arg(0))
		return o, flag.ErrHelp
	}
	if *only != "" {
		o.only = strings.Split(*only, ",")
	}
	if o.times <= 0 {
		o.times = 5
		if o.short {
			o.times = 2
		}
	}
	return o, nil
}

func measure(ctx context.Context, o options, out, errs io.Writer) (code int, err error) {
	rows, steps := chosen(table, o.only), chosenCurves(curves, o.only)
	if len(rows)+len(steps) == 0 {
		return 2, fmt.Errorf("no row holds %s", strings.Join(o.only, " or "))
	}
	raw := io.Discard
	if o.raw != "" {
		f, err := os.Create(o.raw)
		if err != nil {
			return 1, err
		}
		defer func() {
			if e := f.Close(); err == nil {
				err = e
			}
		}()
		raw = f
	}
	began := time.Now()
	m := where(began)
	h, err := newHall(ctx, raw, errs, o.short)
	if err != nil {
		return 1, err
	}
	defer h.close()
	h.all(ctx, suitesOf(rows, steps), o.times)
	m.took = time.Since(began)
	if err := ctx.Err(); err != nil {
		return 1, err
	}
	return page(out, m, rows, steps, h), nil
}
