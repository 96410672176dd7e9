package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"syscall"

	"github.com/spf13/cobra"

	"roundsman/configs"
)

// defaultListen is loopback: who wants more must say so in the site file.
const defaultListen = "127.0.0.1:9480"

func runCommand() *cobra.Command {
	var listen string
	var trusted bool
	cmd := &cobra.Command{
		Use:   "run SITE.yaml",
		Short: "Run the daemon for a site",
		Args:  exactly("SITE.yaml"),
		RunE: func(cmd *cobra.Command, args []string) error {
			keepLean()
			site, err := loadSite(args[0], cmd.OutOrStdout())
			if err != nil {
				return err
			}
			given := func(site *configs.Site) {
				if listen != "" {
					site.Listen.Address = listen
				}
				if trusted {
					site.Listen.Trusted = true
				}
			}
			given(site)
			runtime.GC() // what the files' trees took, the parts are built in
			return runSite(cmd, site, args[0], given)
		},
	}
	cmd.Flags().StringVar(&listen, "listen", "", "address of the pages and metrics, instead of the site file's")
	cmd.Flags().BoolVar(&trusted, "trusted-network", false, "everybody who reaches the address may see the pages")
	return cmd
}

// runSite runs the daemon; given puts into a site what the command line says instead of its file. A daemon that began without
// its record is followed by one that has it, as soon as that can be opened.
func runSite(cmd *cobra.Command, site *configs.Site, path string, given func(*configs.Site)) error {
	set := settings{log: slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), nil)), record: beside(path, site.Record.Path), notBefore: builtAt()}
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	defer set.log.Info("stopped")
	for {
		d, err := runOnce(cmd.Context(), site, set, &reloader{path: path, given: given, hup: hup})
		if d == nil {
			return err
		}
		if !errors.Is(err, errTakeUp) {
			return errors.Join(err, d.Close())
		}
		if set, err = d.takeUp(); err != nil {
			return err
		}
		site = d.judge.files
	}
}

// runOnce runs one daemon, which it returns if it could be built.
func runOnce(ctx context.Context, site *configs.Site, set settings, reload *reloader) (*daemon, error) {
	d, err := newDaemon(site, set)
	if err != nil {
		return nil, err
	}
	reload.judge = d.judge
	d.add("reload", reload.run)
	d.add("memory", giveBack)
	l, address, err := d.listen(reload.path)
	if err != nil {
		return d, err
	}
	d.serve(l, reload.path, reload.reload)
	reload.people = d.people
	reload.manager = d.tellServiceManager()
	d.set.address = l.Addr().String()
	d.log.Info("listening", "site", site.Name, "address", address,
		"points", len(site.Points), "rules", len(site.Rules.Rules), "links", len(d.judge.links.list()))
	return d, d.Run(ctx)
}

// beside resolves a path of the site file against the file's folder.
func beside(site, path string) string {
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(site), path)
}

// listenOn opens the address of the pages, yet without TLS, and returns it as a URL. More than loopback takes TLS or an explicit word:
// whoever reaches it sees everything.
func listenOn(l configs.Listen) (net.Listener, string, error) {
	if l.Address == "" {
		l.Address = defaultListen
	}
	host, _, err := net.SplitHostPort(l.Address)
	if err != nil {
		return nil, "", fmt.Errorf("listen: %w", err)
	}
	ip := net.ParseIP(host)
	if wide := host != "localhost" && (ip == nil || !ip.IsLoopback()); wide && !l.Trusted && !l.TLS() {
		return nil, "", fmt.Errorf("listen: %s is open to the network without TLS; say trusted-network if everybody on it may see the room", l.Address)
	}
	listener, err := net.Listen("tcp", l.Address)
	if err != nil {
		return nil, "", listenError(err)
	}
	return listener, "http://" + listener.Addr().String(), nil
}

// loadSite loads a site file with its rules; what is wrong with it goes to out, all of it.
func loadSite(path string, out io.Writer) (*configs.Site, error) {
	site, err := configs.LoadFile(path)
	if err != nil {
		fmt.Fprintln(out, err)
		return nil, errSaid
	}
	return site, nil
}
