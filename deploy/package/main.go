// Command package builds what is put on a box: for each architecture a Debian package and a plain tarball, from the
// commit that is checked out.
//
//	go run ./deploy/package --out DIR
//	go run ./deploy/package --binary FILE --dirty   only the daemon, for this machine, as it would be packaged
//
// It needs Go and git, no Debian tools. Two runs from one commit give the same bytes: each file carries the time of the
// commit, and the binaries hold no path of the machine that built them.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
)

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

// run builds what the arguments ask for; it returns 0, 1 for what went wrong and 2 for wrong usage.
func run(args []string, stdout, stderr io.Writer) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	flags := flag.NewFlagSet("package", flag.ContinueOnError)
	flags.SetOutput(stderr)
	out := flags.String("out", "", "`folder` for the packages")
	binary := flags.String("binary", "", "`file` for the daemon compiled for this machine, and no packages")
	arches := flags.String("arch", "amd64,arm64,armhf", "Debian `architectures` to build for")
	maintainer := flags.String("maintainer", "The Roundsman authors <roundsman@localhost>", "`name and address` of who hands the package on")
	dirty := flags.Bool("dirty", false, "build although files differ from the commit")
	if err := flags.Parse(args); errors.Is(err, flag.ErrHelp) {
		return 0
	} else if err != nil {
		return 2
	}
	if (*out == "") == (*binary == "") || flags.NArg() > 0 {
		fmt.Fprintln(stderr, "usage: go run ./deploy/package --out DIR, or --binary FILE")
		return 2
	}
	src, err := findSource(ctx, *dirty)
	switch {
	case err != nil:
	case *binary != "":
		err = src.only(ctx, *binary)
	default:
		src.maintainer = *maintainer
		err = src.packages(ctx, *out, strings.Split(*arches, ","), stdout)
	}
	if err != nil {
		fmt.Fprintln(stderr, "package:", err)
		return 1
	}
	return 0
}

// only compiles the daemon for this machine into a file.
func (s *source) only(ctx context.Context, to string) error {
	work, err := os.MkdirTemp("", "roundsman-package-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	path, err := s.host(ctx, work)
	if err != nil {
		return err
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	return os.WriteFile(to, data, 0o755)
}

// packages builds a Debian package and a tarball for each architecture into the folder and prints their names and sizes.
func (s *source) packages(ctx context.Context, out string, arches []string, stdout io.Writer) error {
	work, err := os.MkdirTemp("", "roundsman-package-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	if err := os.MkdirAll(out, 0o755); err != nil {
		return err
	}
	common, err := s.commonFiles(ctx, work)
	if err != nil {
		return err
	}
	for _, arch := range arches {
		built, err := s.build(ctx, work, arch)
		if err != nil {
			return err
		}
		for name, data := range map[string][]byte{
			"roundsman_" + s.version + "_" + arch + ".deb":    s.debian(arch, built, common),
			"roundsman_" + s.version + "_" + arch + ".tar.gz": s.tarball(arch, built, common),
		} {
			if err := os.WriteFile(filepath.Join(out, name), data, 0o644); err != nil {
				return err
			}
			fmt.Fprintf(stdout, "%s  %.1f MiB (binary %.1f MiB)\n", filepath.Join(out, name), mib(len(data)), mib(len(built[daemon].data)))
		}
	}
	return nil
}

func mib(n int) float64 { return float64(n) / (1 << 20) }
