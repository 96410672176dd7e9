// Command roundsman-practice is the practice plant as a program of its own: a simulated equipment room behind real
// Modbus servers and a real MQTT broker on loopback. It prints the three addresses where it can be read and plays until
// it is told to end. In the packages the command 'roundsman demo' starts it; by hand it gives something to write a site
// file against.
package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"roundsman/collector/practice"
	"roundsman/collector/practice/terms"
)

func main() { os.Exit(run(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }

// run plays the plant that the arguments ask for; it returns 0, 1 for what went wrong and 2 for wrong usage.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	defer stop()
	o, led, err := parse(args, stderr)
	if errors.Is(err, flag.ErrHelp) {
		return 0
	}
	if err != nil {
		fmt.Fprintln(stderr, "roundsman-practice:", err)
		return 2
	}
	if err := play(ctx, o, led, stdin, stdout); err != nil {
		fmt.Fprintln(stderr, "roundsman-practice:", err)
		return 1
	}
	return 0
}

func parse(args []string, stderr io.Writer) (o practice.Options, led bool, err error) {
	flags := flag.NewFlagSet("roundsman-practice", flag.ContinueOnError)
	flags.SetOutput(io.Discard) // an error is told once, by run
	flags.Float64Var(&o.Speed, "speed", 1, "plant seconds a second; the protocols keep their pace")
	flags.BoolVar(&led, "led", false, "begin with the first line of the input and end with the input")
	flags.Func("fault", "`NAME@TIME+LENGTH` of a fault to play, as 'roundsman demo --help' lists them; may be repeated", func(text string) error {
		f, err := terms.ParseFault(text)
		o.Faults = append(o.Faults, f)
		return err
	})
	switch err = flags.Parse(args); {
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprintln(stderr, "roundsman-practice plays a simulated equipment room on loopback and prints where it can be read.")
		flags.SetOutput(stderr)
		flags.PrintDefaults()
	case err == nil && flags.NArg() > 0:
		err = fmt.Errorf("%q is one word too many", flags.Arg(0))
	case err == nil && !(o.Speed > 0): // nought would mean the plant's own pace
		err = fmt.Errorf("--speed %g: a number above 0 is expected", o.Speed)
	}
	return o, led, err
}

// play runs the plant until ctx or, if it is led, its input ends.
func play(ctx context.Context, o practice.Options, led bool, in io.Reader, out io.Writer) error {
	plant, err := practice.New(o)
	if err != nil {
		return err
	}
	defer plant.Close()
	if _, err := plant.Addresses().WriteTo(out); err != nil {
		return err
	}
	if !led {
		return plant.Run(ctx)
	}
	ctx, end := context.WithCancel(ctx)
	defer end()
	begin := make(chan error, 1)
	// nobody waits for it: nothing interrupts the reading of an input, and after a signal the process ends all the same
	go follow(in, begin, end)
	select {
	case err := <-begin:
		if err != nil {
			return err
		}
	case <-ctx.Done():
		return nil
	}
	return plant.Run(ctx)
}

// follow lets begin at the line 'run' and ends with the input.
func follow(in io.Reader, begin chan<- error, end context.CancelFunc) {
	defer end()
	r := bufio.NewReader(in)
	line, err := r.ReadString('\n')
	if err != nil {
		return
	}
	if strings.TrimSpace(line) != "run" {
		begin <- fmt.Errorf("input: %q: run is expected", line)
		return
	}
	begin <- nil
	_, _ = io.Copy(io.Discard, r)
}
