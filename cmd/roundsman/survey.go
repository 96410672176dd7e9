package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"roundsman/collector/modbus"
	"roundsman/collector/modbus/wire"
)

// surveyFlags are the flags of the survey command.
type surveyFlags struct {
	unit          uint8
	units         string
	spans         map[modbus.Table]*string
	options       modbus.Options
	parity        string
	expect, reach string
	times         int
	search        bool
	asJSON        bool

	expected *expectation // nil: none
}

func surveyCommand() *cobra.Command {
	f := surveyFlags{spans: map[modbus.Table]*string{}}
	cmd := &cobra.Command{
		Use:   "survey LINK-URL --unit-id N --holding A-B",
		Short: "Show a device's registers in every type and byte order; find devices on a line",
		Long: `Survey reads a stretch of a device's addresses (zero-based, as on the wire) and shows what they would
mean in every type and byte order; refused addresses are narrowed down one by one. With --expect the
readings nearest to a gauge's value are named first and marked, with --range also counts over the
instrument's range and 4-20 mA. It asks the device who it is (function 43/14), measures how long answers
take, and names what is wrong with a line by its symptom, with the next step.

With --search it looks for devices: every unit id of --units, on a serial line at the usual baud rates and
parities unless --baud or --parity say which. It says first how long that may take. It only reads.

LINK-URL: tcp://HOST:PORT, rtu:///dev/serial/by-id/..., rtu+tcp://HOST:PORT
Exit 0: something answered; 1: nothing did; 2: wrong usage.`,
		Example: `  roundsman survey tcp://10.0.4.10:502 --unit-id 1 --holding 0-40 --expect '7.8 bar' --range '0-16 bar'
  roundsman survey rtu:///dev/serial/by-id/usb-0 --search --units 1-32`,
		Args: exactly("LINK-URL"),
		RunE: func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0]) },
	}
	flags := cmd.Flags()
	flags.Uint8Var(&f.unit, "unit-id", 1, "unit id of the device")
	for _, t := range []modbus.Table{modbus.HoldingRegisters, modbus.InputRegisters, modbus.Coils, modbus.DiscreteInputs} {
		f.spans[t] = flags.String(t.String(), "", "addresses `A-B` of the "+t.String()+" table")
	}
	flags.IntVar(&f.options.Baud, "baud", 19200, "baud of a serial line")
	flags.StringVar(&f.parity, "parity", "even", "parity of a serial line: even, odd, none")
	flags.IntVar(&f.options.StopBits, "stop-bits", 1, "stop bits of a serial line")
	flags.BoolVar(&f.options.RS485, "rs485", false, "let the driver switch the direction of the line")
	flags.DurationVar(&f.options.Timeout, "timeout", time.Second, "how long to wait for an answer; when searching a serial line 200ms")
	flags.StringVar(&f.expect, "expect", "", "what the gauge beside the sensor shows, such as '7.8 bar'")
	flags.StringVar(&f.reach, "range", "", "what the sensor can measure, such as '0-16 bar'")
	flags.IntVar(&f.times, "times", 10, "how often one address is read to measure response times; 0: not")
	flags.BoolVar(&f.search, "search", false, "look for devices")
	flags.StringVar(&f.units, "units", "1-247", "unit ids `A-B` to look for")
	flags.BoolVar(&f.asJSON, "json", false, "print JSON")
	return cmd
}

var parityLetters = map[string]byte{"even": 'E', "odd": 'O', "none": 'N'}

// prepare checks the flags.
func (f *surveyFlags) prepare(url string) error {
	transport, address, err := modbus.ParseURL(url)
	if err != nil {
		return err
	}
	parity, ok := parityLetters[f.parity]
	if !ok {
		return fmt.Errorf("parity %q: even, odd or none", f.parity)
	}
	f.options.Name, f.options.Transport, f.options.Address, f.options.Parity = "survey", transport, address, parity
	switch {
	case f.times < 0 || f.times > 10_000:
		return fmt.Errorf("--times %d: 0 to 10000", f.times)
	case f.reach != "" && f.expect == "":
		return errors.New("--range goes with --expect: what does the gauge show?")
	case f.expect != "":
		f.expected, err = newExpectation(f.expect, f.reach)
	}
	return err
}

func (f *surveyFlags) run(cmd *cobra.Command, url string) error {
	if err := f.prepare(url); err != nil {
		return usageError{err}
	}
	if f.search {
		return f.runSearch(cmd, url)
	}
	table, first, last, err := f.span()
	if err != nil {
		return usageError{err}
	}
	s := survey{flags: f, table: table, first: first, last: last}
	if err := s.take(cmd.Context()); err != nil {
		return surveyError(err)
	}
	if f.asJSON {
		err = writeJSON(cmd.OutOrStdout(), s.json())
	} else {
		err = s.write(cmd.OutOrStdout(), cmd.ErrOrStderr())
	}
	if err == nil && !s.answered() {
		return errSaid
	}
	return err
}

// survey is all that was found out of one device.
type survey struct {
	flags       *surveyFlags
	table       modbus.Table
	first, last uint16

	tally     *modbus.Tally
	troubles  []modbus.Finding
	identity  []modbus.Object
	anonymous error // why there is no identity
	found     []modbus.Register
	near      []guess
}

// listenFirst is how long a serial line is listened to for another master: most ask each second (common practice, no source).
const listenFirst = 1200 * time.Millisecond

// take asks the device. The error is that of a line that cannot be opened, or is lost.
func (s *survey) take(ctx context.Context) (err error) {
	q := modbus.Question{Unit: s.flags.unit, Table: s.table, Start: s.first, Listen: listenFirst}
	const enoughToDiagnose = 3
	if s.tally, err = modbus.Probe(ctx, s.flags.options, q, max(s.flags.times, enoughToDiagnose), nil); err != nil {
		return err
	}
	s.troubles = s.tally.Diagnose(false)
	if !s.answered() {
		return nil
	}
	s.identity, s.anonymous = modbus.Identify(ctx, s.flags.options, s.flags.unit)
	s.found, err = modbus.Survey(ctx, s.flags.options, s.flags.unit, s.table, s.first, s.last)
	if s.flags.expected != nil && !s.table.Bits() {
		s.near = guesses(s.found, s.flags.expected)
	}
	return err
}

// answered reports whether the device itself answered.
func (s *survey) answered() bool {
	x, refused := s.tally.Last.(modbus.Exception)
	gone := refused && (x == modbus.GatewayPath || x == modbus.GatewayTarget) && s.tally.Exceptions == s.tally.Answered
	return s.tally.Answered > 0 && !gone
}

// write prints what was found to out; what is wrong with the line goes first, to talk.
func (s *survey) write(out, talk io.Writer) error {
	for _, t := range s.troubles {
		if t.Symptom != modbus.AllRefused || s.allRefused() {
			fmt.Fprintln(talk, "roundsman:", t)
		}
	}
	if !s.answered() {
		return nil
	}
	s.writeIdentity(out, talk)
	if s.flags.expected != nil && !s.table.Bits() {
		writeGuesses(out, s.near, s.flags.expected)
	}
	write := func() error { return writeRegisters(out, s.table, s.found, marks(s.near)) }
	if s.table.Bits() {
		write = func() error { return writeBits(out, s.found) }
	}
	if err := write(); err != nil {
		return err
	}
	s.writeTimes(out)
	return nil
}

// allRefused reports whether not one of the addresses could be read.
func (s *survey) allRefused() bool {
	for _, r := range s.found {
		if r.Err == nil {
			return false
		}
	}
	return true
}

func (s *survey) writeIdentity(out, talk io.Writer) {
	for _, o := range s.identity {
		if o.Value != "" {
			fmt.Fprintf(out, "%s: %q\n", o.Name, o.Value)
		}
	}
	if len(s.identity) == 0 && s.anonymous != nil {
		fmt.Fprintf(talk, "roundsman: it does not say who it is (%v); many devices cannot\n", s.anonymous)
	}
}

// writeTimes prints how long answers took, and what the site file should know of it.
func (s *survey) writeTimes(out io.Writer) {
	if s.flags.times == 0 {
		return
	}
	t := s.tally.Times()
	fmt.Fprintf(out, "\nresponse times of %s %d, asked %d times: min %s ms, median %s ms, p95 %s ms, max %s ms, lost %.0f %%\n",
		s.table, s.first, s.tally.Asked, millis(t.Least), millis(t.Median), millis(t.P95), millis(t.Most), 100*t.Lost)
	const worthSaying = 2 * time.Millisecond
	if d := s.tally.Turnaround(); d >= worthSaying {
		fmt.Fprintf(out, "the device takes about %v to begin its answer; the round plan counts on it where the link has\n  units: {%d: {turnaround: %v}}\n",
			d.Round(time.Millisecond), s.flags.unit, d.Round(time.Millisecond))
	}
}

// surveyReport is what 'survey --json' prints. Times are in seconds.
type surveyReport struct {
	Link           string            `json:"link"`
	Unit           uint8             `json:"unitId"`
	Identification map[string]string `json:"identification"`
	Registers      []surveyLine      `json:"registers"`
	Nearest        []surveyNear      `json:"nearest"`
	Times          *surveyTimes      `json:"responseTimes"`
	Troubles       []surveyTrouble   `json:"troubles"`
}

type surveyNear struct {
	Address uint16   `json:"address"`
	Types   []string `json:"types"`
	Order   string   `json:"order"`
	Value   float64  `json:"value"`
	Guess   string   `json:"guess"` // what was assumed of the scale; "": nothing
	Scale   string   `json:"scale"`
}

type surveyTimes struct {
	Asked    int     `json:"asked"`
	Answered int     `json:"answered"`
	Least    float64 `json:"minSeconds"`
	Median   float64 `json:"medianSeconds"`
	P95      float64 `json:"p95Seconds"`
	Most     float64 `json:"maxSeconds"`
	Lost     float64 `json:"lost"` // share
}

type surveyTrouble struct {
	Symptom string `json:"symptom"`
	Seen    string `json:"seen"`
	Cause   string `json:"cause"`
	Next    string `json:"next"`
}

func (s *survey) json() surveyReport {
	t := s.tally.Times()
	out := surveyReport{Link: s.flags.options.Address, Unit: s.flags.unit, Identification: map[string]string{},
		Registers: surveyLines(s.table, s.found), Nearest: []surveyNear{}, Troubles: []surveyTrouble{},
		Times: &surveyTimes{s.tally.Asked, s.tally.Answered, t.Least.Seconds(), t.Median.Seconds(), t.P95.Seconds(), t.Most.Seconds(), t.Lost}}
	for _, o := range s.identity {
		out.Identification[o.Name] = o.Value
	}
	for _, g := range s.near {
		n := surveyNear{Address: g.address, Order: g.order.String(), Value: g.value, Guess: g.how, Scale: g.scale}
		for _, t := range g.types {
			n.Types = append(n.Types, t.String())
		}
		out.Nearest = append(out.Nearest, n)
	}
	for _, t := range s.troubles {
		out.Troubles = append(out.Troubles, surveyTrouble{t.Symptom.String(), t.Seen, t.Cause, t.Next})
	}
	return out
}

// surveyError says what helps against a line that cannot be opened; most of it the line says itself.
func surveyError(err error) error {
	if wire.ReasonOf(err) == wire.Refused {
		return fmt.Errorf("%w: the machine is there and nothing listens on this port: is Modbus switched on in it, and is the port 502?", err)
	}
	return err
}

// span returns the one stretch of addresses that was asked for.
func (f *surveyFlags) span() (table modbus.Table, first, last uint16, err error) {
	for t, s := range f.spans {
		if *s == "" {
			continue
		}
		if table != 0 {
			return 0, 0, 0, fmt.Errorf("one table at a time")
		}
		table = t
		from, to, ok := wholeSpan(*s, 0, 65535)
		if !ok {
			return 0, 0, 0, fmt.Errorf("--%s %s: want addresses such as 0-40, at most 65535", t, *s)
		}
		first, last = uint16(from), uint16(to)
	}
	if table == 0 {
		return 0, 0, 0, fmt.Errorf("say which addresses: --holding 0-40, --input, --coil or --discrete; or --search to find devices")
	}
	return table, first, last, nil
}

// wholeSpan reads 'A-B' or 'A', both within least and most.
func wholeSpan(text string, least, most int) (from, to int, ok bool) {
	a, b, found := strings.Cut(text, "-")
	if !found {
		b = a
	}
	from, err1 := strconv.Atoi(a)
	to, err2 := strconv.Atoi(b)
	return from, to, err1 == nil && err2 == nil && from <= to && from >= least && to <= most
}
