package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/record"
)

func exportCommand() *cobra.Command {
	var from, to string
	var names []string
	var minutes bool
	cmd := &cobra.Command{
		Use:   "export SITE.yaml [--from T] [--to T] [--point NAME]... [--minutes]",
		Short: "Print what the record keeps of readings as CSV",
		Long: `Export reads the record beside the site file, while the daemon runs or not, and prints readings as CSV in the long form:
'time,point,value,quality', times UTC, values in the points' units; a bad reading has no value. 'roundsman rehearse --data'
reads it. With --minutes it prints the figures of each minute: 'time,point,min,mean,max,last,good,unit', good being the
share of readings that were good. Minute figures, days, run time, the journal and alarms can also be read with any SQLite
tool: the record has views of them (minute_figures, hour_figures, day_figures, equipment_intervals, equipment_days,
services_done, journal_lines, alarm_states, outbox_messages).`,
		Example: `  roundsman export site.yaml --from 2026-06-13 --to 2026-06-14 --point air.header.pressure > air.csv`,
		Args:    exactly("SITE.yaml"),
		RunE: func(cmd *cobra.Command, args []string) error {
			site, err := loadSite(args[0], cmd.OutOrStdout())
			if err != nil {
				return err
			}
			e := exporting{minutes: minutes}
			if e.from, e.to, err = recordSpan(from, to, site.Zone); err != nil {
				return usageError{err}
			}
			if e.points, err = namedPoints(site, names); err != nil {
				return usageError{err}
			}
			r, err := openToRead(args[0], site)
			if err != nil {
				return err
			}
			defer r.Close()
			return e.write(cmd.Context(), r, cmd.OutOrStdout())
		},
	}
	cmd.Flags().StringVar(&from, "from", "", "begin of the span: `TIME` or day; what is oldest unless said")
	cmd.Flags().StringVar(&to, "to", "", "end of the span: `TIME` or day; what is newest unless said")
	cmd.Flags().StringArrayVar(&names, "point", nil, "only this point; may be repeated")
	cmd.Flags().BoolVar(&minutes, "minutes", false, "print the figures of minutes instead of readings")
	return cmd
}

// exporting is what is printed.
type exporting struct {
	points   []collector.Point
	from, to time.Time
	minutes  bool
}

// namedPoints returns the points of these names, all without one.
func namedPoints(site *configs.Site, names []string) ([]collector.Point, error) {
	if len(names) == 0 {
		return site.Points, nil
	}
	all := make([]string, len(site.Points))
	for i := range site.Points {
		all[i] = site.Points[i].Name
	}
	var list []collector.Point
	for _, n := range names {
		i := slices.Index(all, n)
		if i < 0 {
			near := nearName(n, all)
			if near != "" {
				near = fmt.Sprintf(" (did you mean %s?)", near)
			}
			return nil, fmt.Errorf("--point: the site has no point %q%s", n, near)
		}
		list = append(list, site.Points[i])
	}
	return list, nil
}

func (e *exporting) write(ctx context.Context, r *record.Reader, out io.Writer) error {
	w := bufio.NewWriterSize(out, 64<<10)
	rows := e.readings
	if e.minutes {
		rows = e.figures
	}
	n, err := rows(ctx, r, w)
	if err == nil && n == 0 {
		err = errNothingKept
	}
	return errors.Join(err, w.Flush())
}

func (e *exporting) readings(ctx context.Context, r *record.Reader, w *bufio.Writer) (n int, err error) {
	played, err := r.Playback(ctx, e.points, e.from, e.to)
	if err != nil {
		return 0, err
	}
	names := map[collector.PointID]string{}
	for i := range e.points {
		names[e.points[i].ID] = e.points[i].Name
	}
	fmt.Fprintln(w, "time,point,value,quality")
	var row []byte
	for {
		at, list, err := played.Next()
		if errors.Is(err, io.EOF) {
			return n, nil
		}
		if err != nil {
			return n, err
		}
		stamp := stampOf(int64(at) / int64(time.Millisecond))
		for _, r := range list {
			if r.Quality == collector.Unread {
				continue // nothing was read: no row
			}
			row = append(append(append(row[:0], stamp...), ','), names[r.Point]...)
			row = appendValue(append(row, ','), r.Value, r.Quality.Usable())
			row = append(append(append(row, ','), r.Quality.String()...), '\n')
			if _, err := w.Write(row); err != nil {
				return n, err
			}
			n++
		}
	}
}

// figures prints minutes point by point.
func (e *exporting) figures(ctx context.Context, r *record.Reader, w *bufio.Writer) (n int, err error) {
	fmt.Fprintln(w, "time,point,min,mean,max,last,good,unit")
	names := make([]string, len(e.points))
	for i := range e.points {
		names[i] = e.points[i].Name
	}
	for t, err := range r.Trends(ctx, names, e.from, e.to) {
		if err != nil {
			return n, err
		}
		for f, err := range t.Minutes(ctx, e.from, e.to) {
			if err != nil {
				return n, err
			}
			row := append(append([]byte(stampOf(f.Milli)), ','), t.Point...)
			for _, v := range []float64{f.Min, f.Mean, f.Max, f.Last} {
				row = appendValue(append(row, ','), v, !math.IsNaN(v))
			}
			row = strconv.AppendFloat(append(row, ','), f.Good, 'f', -1, 64)
			if _, err := fmt.Fprintf(w, "%s,%s\n", row, t.Unit); err != nil {
				return n, err
			}
			n++
		}
	}
	return n, nil
}

func stampOf(ms int64) string {
	return strings.Replace(time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.000Z"), ".000Z", "Z", 1)
}

// appendValue writes a value with twelve digits, more than any count of a device has, and no exponent.
func appendValue(row []byte, v float64, known bool) []byte {
	if !known {
		return row
	}
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
	if err != nil {
		short = v
	}
	return strconv.AppendFloat(row, short, 'f', -1, 64)
}
