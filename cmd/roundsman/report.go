package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
)

// reportFlags are the options of the command.
type reportFlags struct {
	month, from, to, out string
	noSuggestions        bool
}

func reportCommand() *cobra.Command {
	var f reportFlags
	cmd := &cobra.Command{
		Use:   "report SITE.yaml --out FILE.html [--month 2026-10 | --from T --to T]",
		Short: "Write the month on paper: what to decide, duty, air, water, alarms",
		Long: `Report reads the record beside the site file, while the daemon runs or not, and writes the reviews of duty, air, water and
alarms as one HTML file that needs nothing else and prints on A4 and Letter: what there is to decide first, then the
figures with their drawings, and when nothing was watched. The numbers are those of 'roundsman duty', 'air', 'water' and
'alarms'. Without --month or --from it is the month before this one. FILE may be - for standard output.`,
		Example: `  roundsman report site.yaml --out october.html --month 2026-10
  roundsman report site.yaml --out week.html --from 2026-10-05 --to 2026-10-12`,
		Args: exactly("SITE.yaml"),
		RunE: func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0]) },
	}
	cmd.Flags().StringVar(&f.month, "month", "", "the `MONTH`: 2026-10; the last whole one unless said")
	cmd.Flags().StringVar(&f.from, "from", "", "begin of the span: `TIME` or day")
	cmd.Flags().StringVar(&f.to, "to", "", "end of the span: `TIME` or day; now unless said")
	cmd.Flags().StringVar(&f.out, "out", "", "the `FILE` to write")
	cmd.Flags().BoolVar(&f.noSuggestions, "no-suggestions", false, "do not rehearse the worst alarms, which takes some seconds")
	return cmd
}

func (f *reportFlags) run(cmd *cobra.Command, path string) error {
	if f.out == "" {
		return usageError{errors.New("--out is missing: the file to write, such as october.html")}
	}
	site, err := loadSite(path, cmd.OutOrStdout())
	if err != nil {
		return err
	}
	now := time.Now()
	span, err := f.span(site.Zone, now)
	if err != nil {
		return usageError{err}
	}
	r, err := openToRead(path, site)
	if err != nil {
		return err
	}
	defer r.Close()
	g := gathering{record: r, site: site, span: span, now: now, suggest: !f.noSuggestions, talk: cmd.ErrOrStderr()}
	page, err := g.report(cmd.Context())
	if err != nil {
		return err
	}
	if f.out == "-" {
		return page.Write(cmd.OutOrStdout())
	}
	size, err := writeBeside(f.out, page.Write)
	if err != nil {
		return fmt.Errorf("%s: %w", f.out, err)
	}
	_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: %d kB\n", f.out, (size+999)/1000)
	return err
}

// span returns what is reported: a month of the site's zone, or from and to; what is still to come is left out.
func (f *reportFlags) span(zone *time.Location, now time.Time) (span review.Span, err error) {
	switch {
	case f.month != "" && f.from+f.to != "":
		return span, errors.New("--month goes with neither --from nor --to")
	case f.from+f.to != "":
		if f.from == "" {
			return span, errors.New("--from is missing")
		}
		if span, err = spanOf(f.from, f.to, zone, now); err != nil {
			return span, err
		}
	default:
		begin := time.Date(now.In(zone).Year(), now.In(zone).Month()-1, 1, 0, 0, 0, 0, zone)
		if f.month != "" {
			if begin, err = time.ParseInLocation("2006-01", f.month, zone); err != nil {
				return span, fmt.Errorf("--month: %q is no month such as 2026-10", f.month)
			}
		}
		span = review.Span{From: begin, To: begin.AddDate(0, 1, 0)}
	}
	if span.From.Before(now) && span.To.After(now) {
		span.To = now.Truncate(time.Second)
	}
	if !span.From.Before(now) {
		return span, fmt.Errorf("%s is still to come", span.From.In(zone).Format("2006-01-02"))
	}
	return span, nil
}

// writeBeside writes a file under another name first, so that nobody ever sees half of it.
func writeBeside(path string, write func(io.Writer) error) (size int64, err error) {
	t, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return 0, err
	}
	defer os.Remove(t.Name())
	defer t.Close()
	if err := write(t); err != nil {
		return 0, err
	}
	if err := t.Chmod(0o644); err != nil {
		return 0, err
	}
	info, err := t.Stat()
	if err != nil {
		return 0, err
	}
	if err := t.Close(); err != nil {
		return 0, err
	}
	return info.Size(), os.Rename(t.Name(), path)
}

// gathering collects what a report tells.
type gathering struct {
	record  *record.Reader
	site    *configs.Site
	span    review.Span
	now     time.Time
	suggest bool
	talk    io.Writer // progress
}

func (g *gathering) each(ctx context.Context, steps ...func(context.Context) error) error {
	for _, step := range steps {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}
