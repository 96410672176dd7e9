package main

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"path/filepath"

	"github.com/spf13/cobra"

	"roundsman/configs"
)

// defaultListen is loopback: who wants more must say so in the site file.
const defaultListen = "127.0.0.1:9480"

func runCommand() *cobra.Command {
	var listen string
	cmd := &cobra.Command{
		Use:   "run SITE.yaml",
		Short: "Run the daemon for a site",
		Args:  exactly("SITE.yaml"),
		RunE: func(cmd *cobra.Command, args []string) error {
			site, err := loadSite(args[0], cmd.OutOrStdout())
			if err != nil {
				return err
			}
			if listen != "" {
				site.Listen = configs.Listen{Address: listen}
			}
			return runSite(cmd, site, args[0])
		},
	}
	cmd.Flags().StringVar(&listen, "listen", "", "address of the pages and metrics, instead of the site file's")
	return cmd
}

func runSite(cmd *cobra.Command, site *configs.Site, path string) (err error) {
	log := slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), nil))
	d, err := newDaemon(site, settings{log: log, record: beside(path, site.Record.Path)})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	reload := &reloader{path: path, judge: d.judge}
	d.add("reload", reload.run)
	l, err := listenOn(site.Listen.Address)
	if err != nil {
		return err
	}
	if err := d.serve(l); err != nil {
		return errors.Join(err, l.Close())
	}
	log.Info("listening", "site", site.Name, "address", "http://"+l.Addr().String(),
		"points", len(site.Points), "rules", len(site.Rules.Rules), "links", len(d.links))
	defer log.Info("stopped")
	return d.Run(cmd.Context())
}

// beside resolves a path of the site file against the file's folder.
func beside(site, path string) string {
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(site), path)
}

func listenOn(address string) (net.Listener, error) {
	if address == "" {
		address = defaultListen
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("listen: %w", err)
	}
	return l, nil
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
