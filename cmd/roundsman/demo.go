package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"roundsman/collector/modbus"
	"roundsman/collector/practice/terms"
	"roundsman/configs"
)

// playedByItself is the fault of a demo that was asked for none: an air hose comes off and is put back.
const playedByItself = "hose-off@20s+25s"

type demoFlags struct {
	listen  string
	speed   float64
	faults  []string
	length  time.Duration
	plain   bool
	trusted bool
}

// practicePlant is a simulated room whose ports are open. In a packaged binary it is a program of its own.
type practicePlant interface {
	Addresses() terms.Addresses
	Run(context.Context) error // plays the plant until the context ends; once
	Close() error              // gives back what Run did not
}

func demoCommand() *cobra.Command {
	var f demoFlags
	var names []string
	for _, k := range terms.Faults() {
		names = append(names, fmt.Sprintf("  %-16s %s", k.Name, k.About))
	}
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Run the practice plant and the daemon reading it",
		Long: `Demo runs a simulated equipment room, Ardenmoor Wash, behind a real Modbus TCP server, a real Modbus RTU
line and a real MQTT broker on loopback, and the ordinary daemon reading it. Nothing else is needed.
Unless --fault says otherwise it plays one fault: ` + playedByItself + ` (--fault none plays none).

Faults, as NAME, NAME@TIME or NAME@TIME+LENGTH:
` + strings.Join(names, "\n"),
		Example: "  roundsman demo --fault compressor-trip@15s --fault wire-break@1m+30s",
		Args:    exactly(),
		RunE:    func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	flags := cmd.Flags()
	flags.StringVar(&f.listen, "listen", defaultListen, "address of the pages and metrics")
	flags.Float64Var(&f.speed, "speed", 1, "plant seconds a second; the protocols keep their pace")
	flags.StringArrayVar(&f.faults, "fault", nil, "`NAME@TIME` of a fault to play; may be repeated")
	flags.DurationVar(&f.length, "for", 0, "end after this time with a summary")
	flags.BoolVar(&f.trusted, "trusted-network", false, "everybody who reaches the address may see the pages")
	flags.BoolVar(&f.plain, "plain", false, "print lines even on a terminal")
	return cmd
}

func (f *demoFlags) run(cmd *cobra.Command) error {
	faults, err := f.parse()
	if err != nil {
		return usageError{err}
	}
	switch {
	case !(f.speed > 0): // nought would mean the plant's own pace
		return usageError{fmt.Errorf("--speed %g: a number above 0 is expected", f.speed)}
	case f.length < 0:
		return usageError{fmt.Errorf("--for %s: a length of time is expected, such as 30s", f.length)}
	}
	plant, err := openPlant(cmd.Context(), f.speed, faults)
	if err != nil {
		return err
	}
	defer plant.Close()
	keep, err := os.MkdirTemp("", "roundsman-demo-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(keep)
	d, address, err := f.daemon(plant, filepath.Join(keep, "demo.db"))
	if err != nil {
		return err
	}
	defer d.Close()
	out := cmd.OutOrStdout()
	show := newShow(d, out, address, played(faults), f.plain)
	show.greet(plant.Addresses())
	ctx, cancel := context.WithCancel(cmd.Context())
	defer cancel()
	if f.length > 0 {
		ctx, cancel = context.WithTimeout(ctx, f.length)
		defer cancel()
	}
	d.add("show", show.run)
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return plant.Run(ctx) })
	g.Go(func() error { return d.Run(ctx) })
	if err := g.Wait(); err != nil && !errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return show.summary()
}

// parse reads the faults; none asked for means the demo's own.
func (f *demoFlags) parse() ([]terms.Fault, error) {
	texts := f.faults
	if len(texts) == 0 {
		texts = []string{playedByItself}
	}
	var out []terms.Fault
	for _, t := range texts {
		if t == "none" {
			continue
		}
		fault, err := terms.ParseFault(t)
		if err != nil {
			return nil, err
		}
		out = append(out, fault)
	}
	return out, nil
}

// played says in words what will happen.
func played(faults []terms.Fault) string {
	var words []string
	for _, f := range faults {
		for _, k := range terms.Faults() {
			if k.Name == f.Name {
				words = append(words, fmt.Sprintf("after %s: %s", shortDuration(f.At), k.About))
			}
		}
	}
	return strings.Join(words, "; ")
}

// daemon builds the ordinary daemon on the demo site's files, with the plant's addresses in place of the files' own.
func (f *demoFlags) daemon(plant practicePlant, keep string) (*daemon, string, error) {
	fsys, name := configs.Demo()
	site, err := configs.Load(fsys, name)
	if err != nil {
		return nil, "", fmt.Errorf("demo site: %w", err)
	}
	if err := readPlant(site, plant.Addresses()); err != nil {
		return nil, "", err
	}
	d, err := newDaemon(site, settings{log: slog.New(slog.DiscardHandler), record: keep, demo: true, notBefore: builtAt()})
	if err != nil {
		return nil, "", err
	}
	l, address, err := listenOn(configs.Listen{Address: f.listen, Trusted: f.trusted})
	if err != nil {
		return nil, "", err
	}
	d.serve(l, "", nil)
	return d, address, nil
}

// readPlant points the site's links at the practice plant.
func readPlant(site *configs.Site, a terms.Addresses) error {
	urls := map[string]string{"plc": a.PLC, "meters": a.Meters}
	for i := range site.Modbus {
		o := &site.Modbus[i]
		transport, address, err := modbus.ParseURL(urls[o.Name])
		if err != nil {
			return fmt.Errorf("link %s: %w", o.Name, err)
		}
		o.Transport, o.Address = transport, address
	}
	for i := range site.MQTT {
		site.MQTT[i].Broker = a.Yard
	}
	for i := range site.Callout.Channels {
		if o := site.Callout.Channels[i].MQTT; o != nil {
			o.Broker = a.Yard
		}
	}
	return nil
}
