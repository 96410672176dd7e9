package main

import (
	"bufio"
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"roundsman/collector"
	"roundsman/collector/units"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/record"
)

// checkList is 'read --as-found' and 'read --as-left': readings beside what gauges show, kept in the journal.
type checkList struct {
	found, left           bool
	by                    string
	gauges                []string // POINT=VALUE
	file                  string   // CSV: point,value[,gauge]
	instrument, tolerance string
	keyFlag
}

func (c *checkList) add(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.BoolVar(&c.found, "as-found", false, "compare with gauges before work, and keep it in the journal")
	flags.BoolVar(&c.left, "as-left", false, "the same after work")
	flags.StringVar(&c.by, "by", "", "`PERSON` who compares, by the short name of the contacts file")
	flags.StringArrayVar(&c.gauges, "gauge", nil, "what a gauge shows, as `POINT=VALUE`; may be repeated; without any you are asked")
	flags.StringVar(&c.file, "gauges", "", "`FILE.csv` of what gauges show: point, value, and the gauge's own number where known")
	flags.StringVar(&c.instrument, "instrument", "", "number or name of the gauge compared with")
	flags.StringVar(&c.tolerance, "tolerance", "", "most difference, such as '0.2 bar'; 2 % of the range if not given")
	c.keyFlag.add(cmd)
}

func (c *checkList) asked() bool { return c.found || c.left }

// vet says what does not go together.
func (c *checkList) vet() error {
	switch {
	case !c.asked() && (len(c.gauges) > 0 || c.file != "" || c.by != "" || c.tolerance != "" || c.instrument != ""):
		return errors.New("--by, --gauge, --gauges, --instrument and --tolerance go with --as-found or --as-left")
	case !c.asked():
		return nil
	case c.found && c.left:
		return errors.New("--as-found and --as-left: which of them?")
	case c.by == "":
		return errors.New("--by is missing: who compares?")
	}
	return c.daemon.vet()
}

// gaugeSays is what a gauge shows.
type gaugeSays struct {
	value      string
	instrument string
}

// run compares the wanted points, each with its gauge, and keeps what was said.
func (c *checkList) run(cmd *cobra.Command, site *configs.Site, path string, wanted []collector.PointID, wait time.Duration) error {
	given, err := c.given(site)
	if err != nil {
		return err
	}
	b, err := c.book(cmd, site, path)
	if err != nil {
		return err
	}
	done, err := c.compareAll(cmd, site, b, numbersOf(site, wanted, given), given, wait)
	if err = errors.Join(err, b.close()); err != nil && len(done) == 0 {
		return err
	}
	out := cmd.OutOrStdout()
	off := printComparisons(out, done)
	fmt.Fprintf(cmd.ErrOrStderr(), "roundsman: %s kept in the journal %s\n", countOf(len(done), "comparison"), b.where())
	if err == nil && off > 0 {
		return errSaid
	}
	return err
}

// given collects what flags and file say of gauges.
func (c *checkList) given(site *configs.Site) (map[collector.PointID]gaugeSays, error) {
	out := map[collector.PointID]gaugeSays{}
	put := func(where, name string, s gaugeSays) error {
		p, ok := site.Point(name)
		if !ok {
			return fmt.Errorf("%s: no point %q in the site file", where, name)
		}
		if _, twice := out[p.ID]; twice {
			return fmt.Errorf("%s: %s is given twice", where, name)
		}
		if _, err := gaugeValue(&p, s.value); err != nil {
			return fmt.Errorf("%s: %s: %w", where, name, err)
		}
		out[p.ID] = s
		return nil
	}
	for _, g := range c.gauges {
		name, value, ok := strings.Cut(g, "=")
		if !ok {
			return nil, usageError{fmt.Errorf("--gauge %q: want POINT=VALUE, such as air.header.pressure=7.8", g)}
		}
		if err := put("--gauge", strings.TrimSpace(name), gaugeSays{value, c.instrument}); err != nil {
			return nil, err
		}
	}
	if c.file == "" {
		return out, nil
	}
	return out, c.fromFile(put)
}

// mostGauges is the largest file of gauges taken, in bytes.
const mostGauges = 1 << 20

// fromFile reads 'point,value[,gauge]', with or without a head line; a semicolon may stand for the comma.
func (c *checkList) fromFile(put func(where, name string, s gaugeSays) error) error {
	f, err := os.Open(c.file)
	if err != nil {
		return err
	}
	defer f.Close()
	in := bufio.NewReader(io.LimitReader(f, mostGauges))
	r := csv.NewReader(in)
	if head, _ := in.Peek(4096); strings.Contains(string(head), ";") {
		r.Comma = ';'
	}
	r.FieldsPerRecord, r.TrimLeadingSpace, r.Comment = -1, true, '#'
	for n := 0; ; n++ {
		fields, err := r.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("%s: %w", c.file, err)
		}
		line, _ := r.FieldPos(0)
		where := fmt.Sprintf("%s:%d", c.file, line)
		switch {
		case len(fields) < 2:
			return fmt.Errorf("%s: want a point and a value", where)
		case n == 0 && strings.EqualFold(strings.TrimPrefix(fields[0], "\ufeff"), "point"):
			continue
		}
		s := gaugeSays{value: fields[1], instrument: c.instrument}
		if len(fields) > 2 && fields[2] != "" {
			s.instrument = fields[2]
		}
		if err := put(where, strings.TrimPrefix(fields[0], "\ufeff"), s); err != nil {
			return err
		}
	}
}

// gaugeValue reads what a gauge shows, in the point's unit: '7.8', '7,8', '113 psi', for a state on or off.
func gaugeValue(p *collector.Point, text string) (float64, error) {
	text = strings.TrimSpace(text)
	if p.Kind == collector.State {
		switch strings.ToLower(text) {
		case "on", "1", "yes", "running", "closed":
			return 1, nil
		case "off", "0", "no", "stopped", "open":
			return 0, nil
		}
		return 0, fmt.Errorf("%q: a state is on or off", text)
	}
	if strings.Count(text, ",") == 1 && !strings.Contains(text, ".") {
		text = strings.Replace(text, ",", ".", 1)
	}
	q, err := units.ParseQuantity(text)
	if err != nil {
		return 0, err
	}
	u, err := units.Parse(p.Unit)
	if err != nil {
		return 0, err
	}
	return q.In(u)
}

// numbersOf returns the points to compare: those that were given, else the wanted ones that a gauge can show.
func numbersOf(site *configs.Site, wanted []collector.PointID, given map[collector.PointID]gaugeSays) []collector.PointID {
	var out []collector.PointID
	for _, p := range site.Points {
		if _, ok := given[p.ID]; ok {
			out = append(out, p.ID)
		}
	}
	if len(given) > 0 {
		return out
	}
	for _, id := range wanted {
		if p := &site.Points[id]; p.Kind != collector.Text && p.Link != "" && p.Station != "box" {
			out = append(out, id)
		}
	}
	return out
}

// compareAll compares point after point; an empty answer passes one over, the end of the input ends it.
func (c *checkList) compareAll(cmd *cobra.Command, site *configs.Site, b gaugeBook, points []collector.PointID, given map[collector.PointID]gaugeSays, wait time.Duration) ([]exporter.Comparison, error) {
	ask := bufio.NewScanner(cmd.InOrStdin())
	var done []exporter.Comparison
	for _, id := range points {
		p := &site.Points[id]
		reads, doubt, err := b.reading(cmd.Context(), p, wait)
		if err != nil {
			fmt.Fprintf(cmd.ErrOrStderr(), "roundsman: %s: %v: passed over\n", p.Name, err)
			continue
		}
		s, ok := given[id]
		if !ok {
			s, err = c.prompt(cmd.ErrOrStderr(), ask, p, reads)
			switch {
			case errors.Is(err, io.EOF):
				return done, nil
			case err != nil:
				return done, err
			case s.value == "":
				continue
			}
		}
		comparison, err := c.comparison(p, reads, doubt, s)
		if err != nil {
			return done, err
		}
		if err := b.keep(cmd.Context(), comparison); err != nil {
			return done, fmt.Errorf("%s: %w", p.Name, err)
		}
		done = append(done, *comparison)
	}
	return done, nil
}

// prompt asks what the gauge shows until the answer can be read; an empty value passes the point over, io.EOF ends all.
func (c *checkList) prompt(talk io.Writer, in *bufio.Scanner, p *collector.Point, reads float64) (gaugeSays, error) {
	for {
		fmt.Fprintf(talk, "%s reads %s; the gauge shows (empty: pass over): ", p.Name, withUnit(p, reads))
		if !in.Scan() {
			fmt.Fprintln(talk)
			return gaugeSays{}, cmp.Or(in.Err(), io.EOF)
		}
		text := strings.TrimSpace(in.Text())
		if text == "" {
			return gaugeSays{}, nil
		}
		if _, err := gaugeValue(p, text); err != nil {
			fmt.Fprintln(talk, err)
			continue
		}
		return gaugeSays{text, c.instrument}, nil
	}
}

func (c *checkList) comparison(p *collector.Point, reads float64, doubt string, s gaugeSays) (*exporter.Comparison, error) {
	gauge, err := gaugeValue(p, s.value)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", p.Name, err)
	}
	out := &exporter.Comparison{Point: p.Name, Unit: p.Unit, Reads: reads, Gauge: gauge, Tolerance: exporter.Tolerance(p, gauge),
		Left: c.left, Instrument: s.instrument, Digits: p.Digits, Doubt: doubt}
	if c.tolerance == "" {
		return out, nil
	}
	q, err := units.ParseQuantity(c.tolerance)
	if err != nil {
		return nil, fmt.Errorf("--tolerance: %w", err)
	}
	u, err := units.Parse(p.Unit)
	if err == nil {
		out.Tolerance, err = q.InDifference(u)
	}
	if err != nil || out.Tolerance < 0 {
		return nil, fmt.Errorf("--tolerance %s does not fit %s", c.tolerance, p.Name)
	}
	return out, nil
}

// printComparisons prints the check list and returns how many are off.
func printComparisons(w io.Writer, done []exporter.Comparison) (off int) {
	t := table{head: []string{"point", right("reads"), right("gauge"), right("difference"), "unit", "verdict"}}
	for i := range done {
		c := &done[i]
		if !c.Within() {
			off++
		}
		t.add(c.Point, right(decimal(c.Reads, c.Digits+1)), right(decimal(c.Gauge, c.Digits+1)), right(decimal(c.Difference(), c.Digits+1)), c.Unit, c.Verdict())
	}
	_ = t.write(w) // a broken pipe has nobody to tell
	return off
}

// gaugeBook is where readings come from and comparisons are kept.
type gaugeBook interface {
	reading(ctx context.Context, p *collector.Point, wait time.Duration) (value float64, doubt string, err error)
	keep(ctx context.Context, c *exporter.Comparison) error
	where() string
	close() error
}

// book finds the running daemon, or takes the record where none runs.
func (c *checkList) book(cmd *cobra.Command, site *configs.Site, path string) (gaugeBook, error) {
	client, err := c.client()
	if err != nil {
		return nil, err
	}
	d := &daemonBook{client: client, by: c.by}
	err = d.refresh(cmd.Context())
	if err == nil {
		return d, nil
	}
	if !errors.Is(err, errNoDaemon) {
		return nil, err
	}
	return newRecordBook(site, path, c.by, cmd.ErrOrStderr())
}

// daemonBook asks the running daemon: it owns the lines, the readings and the record.
type daemonBook struct {
	client daemonClient
	by     string
	points map[string]daemonPoint
}

type daemonPoint struct {
	Point, Quality, Reason string
	Value                  *float64
}

// refresh asks for the present readings.
func (d *daemonBook) refresh(ctx context.Context) error {
	var list []daemonPoint
	if err := d.client.ask(ctx, http.MethodGet, "/api/v1/points", nil, &list); err != nil {
		return err
	}
	d.points = map[string]daemonPoint{}
	for _, p := range list {
		d.points[p.Point] = p
	}
	return nil
}

func (d *daemonBook) reading(ctx context.Context, p *collector.Point, _ time.Duration) (float64, string, error) {
	if err := d.refresh(ctx); err != nil {
		return 0, "", err
	}
	got, ok := d.points[p.Name]
	switch {
	case !ok:
		return 0, "", errors.New("the running daemon does not know it; does it run with this site file?")
	case got.Value == nil:
		return 0, "", fmt.Errorf("no reading: %s", got.Reason)
	}
	return *got.Value, got.Reason, nil
}

func (d *daemonBook) keep(ctx context.Context, c *exporter.Comparison) error {
	body := map[string]any{"by": d.by, "reads": c.Reads, "gauge": c.Gauge, "tolerance": c.Tolerance, "instrument": c.Instrument}
	word := strings.ReplaceAll(c.Word(), " ", "-")
	var answer struct{ Within bool }
	return d.client.ask(ctx, http.MethodPost, "/api/v1/points/"+url.PathEscape(c.Point)+"/"+word, body, &answer)
}

func (d *daemonBook) where() string { return "of the daemon at " + d.client.at }
func (d *daemonBook) close() error  { return nil }

// recordBook reads the links itself and writes the record, which no daemon holds.
type recordBook struct {
	site   *configs.Site
	record *record.Record
	path   string
	clock  *collector.Clock
	who    string
	talk   io.Writer
}

func newRecordBook(site *configs.Site, path, by string, talk io.Writer) (gaugeBook, error) {
	who := ""
	for _, p := range site.People {
		if p.ID == by {
			who = p.Name
		}
	}
	if who == "" {
		return nil, fmt.Errorf("there is no person %q in the contacts file", by)
	}
	b := &recordBook{site: site, path: beside(path, site.Record.Path), clock: collector.NewClock(), who: who, talk: talk}
	version, _, _ := build()
	r, err := record.Open(b.path, record.Options{Clock: b.clock, Version: version + ", comparing with gauges"})
	if err != nil {
		return nil, fmt.Errorf("no daemon answers, and the record cannot be written: %w", err)
	}
	b.record = r
	return b, nil
}

func (b *recordBook) reading(ctx context.Context, p *collector.Point, wait time.Duration) (float64, string, error) {
	round, err := readOnce(ctx, b.site, []collector.PointID{p.ID}, wait, b.talk)
	if err != nil {
		return 0, "", err
	}
	r := round.latest[p.ID]
	if !r.Quality.Usable() || math.IsNaN(r.Value) {
		return 0, "", fmt.Errorf("no reading: %s", r.Reason())
	}
	return r.Value, r.Reason(), nil
}

func (b *recordBook) keep(_ context.Context, c *exporter.Comparison) error {
	return b.record.Commit(&record.Change{At: b.clock.Now(), Lines: []record.Line{comparisonLine(c, b.who)}})
}

func (b *recordBook) where() string { return b.path }
func (b *recordBook) close() error  { return b.record.Close() }
