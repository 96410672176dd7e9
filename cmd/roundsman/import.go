package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"time"

	"github.com/spf13/cobra"

	"roundsman/collector/modbus"
	"roundsman/collector/units"
	"roundsman/configs"
	"roundsman/configs/pointlist"
)

// largestList is the largest register list taken, in bytes.
const largestList = 16 << 20

// goodLink is how a link may be called in a file that we write.
var goodLink = regexp.MustCompile(`^[A-Za-z0-9_][A-Za-z0-9_-]*$`)

func importCommand() *cobra.Command {
	var o pointlist.Options
	var from int
	cmd := &cobra.Command{
		Use:   "import LIST.csv [--link NAME] [--modbus URL]",
		Short: "Make a site file out of a spreadsheet's register list",
		Long: `Import reads a register list as panel builders hand it over, saved from the spreadsheet as CSV (comma,
semicolon or tab; UTF-8, UTF-16 or Windows-1252), and prints a site file. Columns may stand in any order under
their usual names (Name, Address, Type, Unit, Scale, Unit id, ...). What the list leaves open is never settled in
silence: each doubt stands as a comment beside its point and on standard error with the list's line and column.
Exit 0: a site file was printed, which passes 'roundsman check'; 1: it is no register list.`,
		Example: `  roundsman import registers.csv --link plc --modbus tcp://10.0.4.10:502 > site.yaml`,
		Args:    exactly("LIST.csv"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := vetImport(&o, from, cmd.Flags().Changed("count-from")); err != nil {
				return usageError{err}
			}
			return runImport(cmd, args[0], o)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&o.Link, "link", "plc", "`NAME` of the link")
	flags.StringVar(&o.Modbus, "modbus", "", "`URL` of the link: tcp://HOST:PORT, rtu:///dev/DEVICE or rtu+tcp://HOST:PORT")
	flags.IntVar(&from, "count-from", 0, "what the list calls the first register: 0 or 1; without it the list itself decides")
	flags.Uint8Var(&o.Unit, "unit-id", 1, "unit id where the list names none")
	flags.StringVar(&o.Every, "every", "", "how often the points are read, such as 2s")
	flags.StringVar(&o.Site, "site", "", "`NAME` of the site")
	flags.StringVar(&o.Zone, "time-zone", "", "time zone of the site, such as Europe/Dublin")
	return cmd
}

func vetImport(o *pointlist.Options, from int, asked bool) error {
	if !goodLink.MatchString(o.Link) {
		return fmt.Errorf("--link %q: a name of letters, digits, dashes and underscores", o.Link)
	}
	if o.Modbus != "" {
		if _, _, err := modbus.ParseURL(o.Modbus); err != nil {
			return fmt.Errorf("--modbus: %w", err)
		}
	}
	switch {
	case !asked:
	case from == 0:
		o.Base = pointlist.Zero
	case from == 1:
		o.Base = pointlist.One
	default:
		return fmt.Errorf("--count-from %d: 0 or 1", from)
	}
	if o.Every != "" {
		if d, err := units.ParseDuration(o.Every); err != nil || d <= 0 {
			return fmt.Errorf("--every %q: want a length of time such as 2s", o.Every)
		}
	}
	if _, err := time.LoadLocation(o.Zone); err != nil || o.Zone == "Local" {
		return fmt.Errorf("--time-zone %q: want one such as Europe/Dublin", o.Zone)
	}
	return nil
}

func runImport(cmd *cobra.Command, path string, o pointlist.Options) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, largestList+1))
	if err != nil {
		return err
	}
	list, err := pointlist.Read(filepath.Base(path), data)
	if err != nil {
		return err
	}
	draft := list.Draft(o)
	talk := cmd.ErrOrStderr()
	for _, d := range draft.Doubts {
		fmt.Fprintln(talk, d)
	}
	if draft.Points() == 0 {
		return fmt.Errorf("%s: no row can be read as a point", path)
	}
	site := draft.YAML()
	fmt.Fprintf(talk, "%d points, %d doubts\n", draft.Points(), len(draft.Doubts))
	if err := proof(site); err != nil {
		fmt.Fprintf(talk, "the site file does not pass 'roundsman check' yet:\n%v\n", err)
	}
	_, err = cmd.OutOrStdout().Write(site)
	return err
}

// proof loads the draft as 'check' does.
func proof(site []byte) error {
	const name = "site.yaml"
	_, err := configs.Load(oneFile{name, site}, name)
	return err
}

// oneFile is a folder with one file in it, which is not written yet.
type oneFile struct {
	name string
	data []byte
}

// Open opens the file.
func (o oneFile) Open(name string) (fs.File, error) {
	if name != o.name {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return openFile{bytes.NewReader(o.data)}, nil
}

type openFile struct{ *bytes.Reader }

// Stat is not known: the file is not written yet.
func (openFile) Stat() (fs.FileInfo, error) { return nil, errors.New("not written yet") }

// Close closes nothing.
func (openFile) Close() error { return nil }
