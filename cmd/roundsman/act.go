package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"

	"roundsman/collector/units"
)

// actWord is one of the commands that act on an alarm.
type actWord struct {
	word, short, long string
	needsReason       bool
	needsEnd          bool
}

var actWordList = []actWord{
	{word: "acknowledge", short: "Acknowledge an alarm: I have it",
		long: "Acknowledge tells everybody that somebody has the alarm. It ends what calls for a person, not what is wrong."},
	{word: "reset", short: "Reset a latched alarm",
		long: "Reset lets go of an alarm that is latched: its condition is over, it was acknowledged, and somebody looked."},
	{word: "shelve", short: "Shelve an alarm for a time, with a reason", needsReason: true, needsEnd: true,
		long: "Shelve takes an alarm off the list for a time. It comes back by itself when that is over."},
	{word: "unshelve", short: "End a shelve before its time",
		long: "Unshelve puts a shelved alarm back on the list now."},
	{word: "out-of-service", short: "Take an alarm out of service, with a reason", needsReason: true,
		long: "Out-of-service takes an alarm off until somebody puts it back with in-service. It has no end of its own: to rest an alarm for a time, shelve it."},
	{word: "in-service", short: "Put an alarm back in service",
		long: "In-service puts back what was taken out of service."},
}

// actCommands are the commands that act on alarms, and the one that reads what was done.
func actCommands() []*cobra.Command {
	var out []*cobra.Command
	for _, w := range actWordList {
		out = append(out, actCommand(w))
	}
	return append(out, journalCommand())
}

// saidFlags are what comes with all that a person tells the daemon.
type saidFlags struct {
	by, reason string
	asJSON     bool
	keyFlag
}

// add adds them with the words for the person, the reason and the JSON.
func (f *saidFlags) add(cmd *cobra.Command, who, why, result string) {
	cmd.Flags().StringVar(&f.by, "by", "", "`PERSON` who "+who+", by the short name of the contacts file")
	cmd.Flags().StringVar(&f.reason, "reason", "", why)
	cmd.Flags().BoolVar(&f.asJSON, "json", false, result)
	f.keyFlag.add(cmd)
}

// vet says what is missing, with the question for the person.
func (f *saidFlags) vet(question string) error {
	if f.by == "" {
		return errors.New("--by is missing: " + question)
	}
	return f.daemon.vet()
}

// actFlags are what a person says with an act.
type actFlags struct {
	saidFlags
	length string
}

func actCommand(w actWord) *cobra.Command {
	var f actFlags
	cmd := &cobra.Command{
		Use:   w.word + " ALARM --by PERSON",
		Short: w.short,
		Long: w.long + `

It asks the running daemon. Who acts must stand in the site's contacts file; the act goes into the journal with that
name. Exit 0: done; 1: refused, or no daemon answers; 2: wrong usage.`,
		Args: exactly("ALARM"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := f.vet(w); err != nil {
				return usageError{err}
			}
			return f.run(cmd, w, args[0])
		},
	}
	f.add(cmd, "acts", "why, for the journal", "print the alarm as it is then, as JSON")
	if w.needsEnd {
		cmd.Use += " --for TIME --reason TEXT"
		cmd.Flags().StringVar(&f.length, "for", "", "for how `long`: 30m, 8h")
	} else if w.needsReason {
		cmd.Use += " --reason TEXT"
	}
	return cmd
}

// vet says what is missing before anybody is asked.
func (f *actFlags) vet(w actWord) error {
	if err := f.saidFlags.vet("who does it?"); err != nil {
		return err
	}
	switch {
	case w.needsEnd && f.length == "":
		return errors.New("--for is missing: a shelve has an end, such as --for 30m")
	case w.needsReason && strings.TrimSpace(f.reason) == "":
		return errors.New("--reason is missing: why?")
	}
	if w.needsEnd {
		if d, err := units.ParseDuration(f.length); err != nil {
			return fmt.Errorf("--for: %w", err)
		} else if d <= 0 {
			return fmt.Errorf("--for: %s is no time to shelve for", f.length)
		}
	}
	return nil
}

func (f *actFlags) run(cmd *cobra.Command, w actWord, alarm string) error {
	c, err := f.client()
	if err != nil {
		return err
	}
	body := map[string]string{"by": f.by}
	if f.reason != "" {
		body["reason"] = f.reason
	}
	if f.length != "" {
		body["for"] = f.length
	}
	var done actedAlarm
	if err := c.ask(cmd.Context(), http.MethodPost, "/api/v1/alarms/"+url.PathEscape(alarm)+"/"+w.word, body, &done); err != nil {
		return err
	}
	if f.asJSON {
		return writeJSON(cmd.OutOrStdout(), done.raw)
	}
	_, err = fmt.Fprintln(cmd.OutOrStdout(), done)
	return err
}

// actedAlarm is what the daemon answers to an act.
type actedAlarm struct {
	raw                                               json.RawMessage
	Alarm, State, Message, AcknowledgedBy, By, Reason string
	Until                                             time.Time
}

// UnmarshalJSON keeps the whole answer too, for --json.
func (a *actedAlarm) UnmarshalJSON(data []byte) error {
	type plain actedAlarm
	if err := json.Unmarshal(data, (*plain)(a)); err != nil {
		return err
	}
	a.raw = append(json.RawMessage(nil), data...)
	return nil
}

// String says how the alarm is now: 'air-low: shelved by Niamh Quill until 11:10 GMT; hose changed'.
func (a actedAlarm) String() string {
	s := a.Alarm + ": " + a.State
	switch {
	case a.By != "":
		s += " by " + a.By
	case a.AcknowledgedBy != "":
		s += " by " + a.AcknowledgedBy
	}
	if !a.Until.IsZero() {
		s += " until " + a.Until.Local().Format("Mon 2 Jan 15:04 MST")
	}
	if a.Reason != "" {
		s += "; " + a.Reason
	}
	return s
}

// daemonFlag says where the daemon is.
type daemonFlag struct{ at string }

func (d *daemonFlag) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&d.at, "at", "http://"+defaultListen, "`URL` of the daemon")
}

// vet completes the URL; 'wash.example:9480' is enough.
func (d *daemonFlag) vet() error {
	if !strings.Contains(d.at, "://") {
		d.at = "http://" + d.at
	}
	base, pin := pinned(d.at)
	u, err := url.Parse(base)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" || u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "" || u.User != nil {
		return fmt.Errorf("--at: %q is no address of a daemon; want one such as http://%s", d.at, defaultListen)
	}
	d.at = u.Scheme + "://" + u.Host
	return d.pin(pin)
}

// keyFlag names a daemon and the key that a person shows it.
type keyFlag struct {
	daemon  daemonFlag
	keyFile string
}

func (f *keyFlag) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.keyFile, "key-file", "", "`FILE` with the person's key")
	f.daemon.add(cmd)
}

// client asks that daemon, with the key if one is named.
func (f *keyFlag) client() (daemonClient, error) {
	c := daemonClient{at: f.daemon.at}
	if f.keyFile == "" {
		return c, nil
	}
	key, err := readKey(f.keyFile)
	c.key = string(key)
	return c, err
}

const (
	// patience is how long the daemon may take for one answer.
	patience = 15 * time.Second
	// largestAnswer in bytes; 5,000 journal lines take about 2 MB.
	largestAnswer = 32 << 20
)

// daemonClient asks a running daemon over its HTTP interface.
type daemonClient struct {
	at  string // http://127.0.0.1:9480
	key string // of the person who asks; "" for none
}

// ask sends a request and reads the answer into want. An error says what the daemon said.
func (c *daemonClient) ask(ctx context.Context, method, path string, body, want any) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	r, err := c.request(ctx, method, path, body)
	if err != nil {
		return err
	}
	// what is behind a redirect is not the daemon that was meant, and must not get the key
	direct := http.Client{Transport: c.transport(), CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := direct.Do(r)
	if err != nil {
		return c.unreached(ctx, err)
	}
	defer resp.Body.Close()
	return c.read(resp, want)
}

func (c *daemonClient) request(ctx context.Context, method, path string, body any) (*http.Request, error) {
	var text io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			return nil, err
		}
		text = bytes.NewReader(b)
	}
	base, _ := pinned(c.at)
	r, err := http.NewRequestWithContext(ctx, method, base+path, text)
	if err != nil {
		return nil, err
	}
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	if c.key != "" {
		r.Header.Set("Authorization", "Bearer "+c.key)
	}
	return r, nil
}

// errNoDaemon: nobody listens where the daemon should be.
var errNoDaemon = errors.New("no daemon answers")

// unreached says that nobody answered, and what may help.
func (c *daemonClient) unreached(ctx context.Context, err error) error {
	if errors.Is(ctx.Err(), context.Canceled) {
		return ctx.Err()
	}
	if ue, ok := errors.AsType[*url.Error](err); ok {
		err = ue.Err
	}
	if oe, ok := errors.AsType[*net.OpError](err); ok && oe.Op == "dial" {
		return fmt.Errorf("%w at %s (%w): is it running? --at says where it is", errNoDaemon, c.at, oe.Err)
	}
	return fmt.Errorf("%s: %w", c.at, err)
}

func (c *daemonClient) read(resp *http.Response, want any) error {
	d := json.NewDecoder(io.LimitReader(resp.Body, largestAnswer))
	if resp.StatusCode == http.StatusOK {
		if err := d.Decode(want); err != nil {
			return fmt.Errorf("%s: the answer cannot be read: %w", c.at, err)
		}
		return nil
	}
	var problem struct{ Detail string }
	if err := d.Decode(&problem); err != nil || problem.Detail == "" {
		return fmt.Errorf("%s: %s", c.at, resp.Status)
	}
	if resp.StatusCode == http.StatusUnauthorized {
		problem.Detail += "; --key-file names the file that holds it"
	}
	return errors.New(problem.Detail)
}

// followEvery is how often 'journal --follow' looks for new lines.
const followEvery = 2 * time.Second

// journalFlags choose lines of the journal.
type journalFlags struct {
	from, to       string
	follow, asJSON bool
	daemon         daemonFlag
}

func journalCommand() *cobra.Command {
	var f journalFlags
	cmd := &cobra.Command{
		Use:   "journal",
		Short: "Print the journal: alarms, acts, and what happened to the box",
		Long: `Journal asks the running daemon for the lines of its journal and prints them, oldest first, in site time. A time is
written as 2026-11-28T06:10:00Z (RFC 3339) or as how long ago: 2h, 7d.`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			query, err := f.query(time.Now())
			if err != nil {
				return usageError{err}
			}
			err = f.run(cmd, query)
			if f.follow && errors.Is(err, context.Canceled) {
				return nil // that is how following ends
			}
			return err
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.from, "from", "24h", "`TIME` of the first line")
	flags.StringVar(&f.to, "to", "", "`TIME` before which the last line is")
	flags.BoolVar(&f.follow, "follow", false, "go on with new lines as they come, until interrupted")
	flags.BoolVar(&f.asJSON, "json", false, "print JSON, one object a line")
	f.daemon.add(cmd)
	return cmd
}

// query returns the parameters of the first page.
func (f *journalFlags) query(now time.Time) (url.Values, error) {
	q := url.Values{}
	for name, text := range map[string]string{"from": f.from, "to": f.to} {
		if text == "" {
			continue
		}
		t, err := parseTime(text, now)
		if err != nil {
			return nil, fmt.Errorf("--%s: %w", name, err)
		}
		q.Set(name, t.UTC().Format(time.RFC3339Nano))
	}
	if f.follow && f.to != "" {
		return nil, errors.New("--follow has no end: leave out --to")
	}
	return q, f.daemon.vet()
}

// parseTime takes a time, or a length of time before now.
func parseTime(text string, now time.Time) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	d, err := units.ParseDuration(text)
	if err != nil || d < 0 {
		return time.Time{}, fmt.Errorf("%q is no time such as 2026-11-28T06:10:00Z, and no length of time such as 2h", text)
	}
	return now.Add(-d), nil
}

// journalPage is one answer of the daemon.
type journalPage struct {
	Zone  string
	Lines []json.RawMessage
	Next  *int64
}

// journalLine is what is printed of a line.
type journalLine struct {
	Seq                int64
	Time, Until        time.Time
	Kind, Alarm, Point string
	To, Unit, Who, Why string
	Value, Limit       *float64
	Undated            bool
}

func (f *journalFlags) run(cmd *cobra.Command, query url.Values) error {
	c := daemonClient{at: f.daemon.at}
	for {
		var page journalPage
		if err := c.ask(cmd.Context(), http.MethodGet, "/api/v1/journal?"+query.Encode(), nil, &page); err != nil {
			return err
		}
		last, err := f.print(cmd, &page)
		if err != nil {
			return err
		}
		if last > 0 {
			query.Set("after", strconv.FormatInt(last, 10))
		}
		switch {
		case page.Next != nil:
		case !f.follow:
			return nil
		default:
			if err := sleep(cmd.Context(), followEvery); err != nil {
				return err
			}
		}
	}
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// print prints a page and returns the number of its last line, 0 for none.
func (f *journalFlags) print(cmd *cobra.Command, page *journalPage) (last int64, err error) {
	zone, err := time.LoadLocation(page.Zone)
	if err != nil {
		zone = time.UTC
	}
	for _, raw := range page.Lines {
		var l journalLine
		if err := json.Unmarshal(raw, &l); err != nil {
			return 0, fmt.Errorf("journal line: %w", err)
		}
		text := string(raw)
		if !f.asJSON {
			text = l.words(zone)
		}
		if _, err := fmt.Fprintln(cmd.OutOrStdout(), text); err != nil {
			return 0, err
		}
		last = l.Seq
	}
	return last, nil
}

// words returns the line as a person reads it.
func (l *journalLine) words(zone *time.Location) string {
	var rest []string
	if l.Value != nil {
		value := hundredths(*l.Value)
		if l.Limit != nil {
			value += ", limit " + hundredths(*l.Limit)
		}
		rest = append(rest, strings.TrimSpace(value+" "+l.Unit))
	}
	if !l.Until.IsZero() {
		rest = append(rest, "until "+l.Until.In(zone).Format("2006-01-02 15:04"))
	}
	if l.Who != "" {
		rest = append(rest, "by "+l.Who)
	}
	if l.Why != "" {
		rest = append(rest, l.Why)
	}
	when := l.Time.In(zone).Format(time.DateTime)
	if l.Undated {
		when = "no date" // the clock was not set
	}
	return strings.TrimRight(fmt.Sprintf("%-19s  %-22s %-32s %s", when, l.Kind, cmp.Or(l.Alarm, l.Point), printable(strings.Join(rest, "; "))), " ")
}

// printable keeps what a device sent from steering the terminal.
func printable(s string) string {
	return strings.Map(func(c rune) rune {
		if !unicode.IsPrint(c) {
			return '?'
		}
		return c
	}, s)
}

func hundredths(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}
