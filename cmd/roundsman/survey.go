package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"roundsman/collector"
	"roundsman/collector/modbus"
)

// surveyFlags are the flags of the survey command.
type surveyFlags struct {
	unit    uint8
	spans   map[modbus.Table]*string
	options modbus.Options
	parity  string
	expect  float64
	asJSON  bool
}

func surveyCommand() *cobra.Command {
	f := surveyFlags{spans: map[modbus.Table]*string{}}
	cmd := &cobra.Command{
		Use:   "survey LINK-URL --unit-id N --holding A-B",
		Short: "Show a device's registers in every type and byte order",
		Long: `Survey reads a stretch of a device's addresses (zero-based, as on the wire) and shows what they would
mean in every type and byte order; refused addresses are narrowed down one by one. With --expect the
readings nearest to a gauge's value are named first. It only reads.

LINK-URL: tcp://HOST:PORT, rtu:///dev/serial/by-id/..., rtu+tcp://HOST:PORT`,
		Example: `  roundsman survey tcp://10.0.4.10:502 --unit-id 1 --holding 0-40 --expect 7.8`,
		Args:    exactly("LINK-URL"),
		RunE:    func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0]) },
	}
	flags := cmd.Flags()
	flags.Uint8Var(&f.unit, "unit-id", 1, "unit id of the device")
	for _, t := range []modbus.Table{modbus.HoldingRegisters, modbus.InputRegisters, modbus.Coils, modbus.DiscreteInputs} {
		f.spans[t] = flags.String(t.String(), "", "addresses `A-B` of the "+t.String()+" table")
	}
	flags.IntVar(&f.options.Baud, "baud", 19200, "baud of a serial line")
	flags.StringVar(&f.parity, "parity", "even", "parity of a serial line: even, odd, none")
	flags.IntVar(&f.options.StopBits, "stop-bits", 1, "stop bits of a serial line")
	flags.DurationVar(&f.options.Timeout, "timeout", time.Second, "how long to wait for an answer")
	flags.Float64Var(&f.expect, "expect", math.NaN(), "what the gauge beside the sensor shows")
	flags.BoolVar(&f.asJSON, "json", false, "print JSON")
	return cmd
}

func (f *surveyFlags) run(cmd *cobra.Command, url string) error {
	transport, address, err := modbus.ParseURL(url)
	if err != nil {
		return usageError{err}
	}
	parities := map[string]byte{"even": 'E', "odd": 'O', "none": 'N'}
	parity, ok := parities[f.parity]
	if !ok {
		return usageError{fmt.Errorf("parity %q: even, odd or none", f.parity)}
	}
	f.options.Name, f.options.Transport, f.options.Address, f.options.Parity = "survey", transport, address, parity
	table, first, last, err := f.span()
	if err != nil {
		return usageError{err}
	}
	out := cmd.OutOrStdout()
	f.identify(cmd)
	found, err := modbus.Survey(cmd.Context(), f.options, f.unit, table, first, last)
	if err != nil {
		return err
	}
	if f.asJSON {
		return writeJSON(out, surveyLines(table, found))
	}
	if refused := refusals(found); len(refused) == 1 && len(found) == refused[0].count {
		return refused[0].err // nothing answered: one line says it
	}
	if table.Bits() {
		return writeBits(out, found)
	}
	if !math.IsNaN(f.expect) {
		writeGuesses(out, guesses(found, f.expect), f.expect)
	}
	return writeRegisters(out, table, found)
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
		a, b, found := strings.Cut(*s, "-")
		if !found {
			b = a
		}
		from, err1 := strconv.ParseUint(a, 10, 16)
		to, err2 := strconv.ParseUint(b, 10, 16)
		if err1 != nil || err2 != nil || to < from {
			return 0, 0, 0, fmt.Errorf("--%s %s: want addresses such as 0-40, at most 65535", t, *s)
		}
		first, last = uint16(from), uint16(to)
	}
	if table == 0 {
		return 0, 0, 0, fmt.Errorf("say which addresses: --holding 0-40, --input, --coil or --discrete")
	}
	return table, first, last, nil
}

// identify prints what the device says of itself, where it can (function 43/14).
func (f *surveyFlags) identify(cmd *cobra.Command) {
	objects, err := modbus.Identify(cmd.Context(), f.options, f.unit)
	if err != nil || f.asJSON {
		return
	}
	for _, o := range objects {
		if o.Value == "" {
			continue
		}
		fmt.Fprintf(cmd.OutOrStdout(), "%s: %q\n", o.Name, o.Value)
	}
}

// surveyLine is one address as 'survey --json' prints it.
type surveyLine struct {
	Table   string       `json:"table"`
	Address uint16       `json:"address"`
	Value   *uint16      `json:"value"`
	Error   string       `json:"error,omitempty"`
	Views   []surveyView `json:"views,omitempty"`
}

type surveyView struct {
	Type  string   `json:"type"`
	Order string   `json:"order"`
	Value *float64 `json:"value"`
	Text  string   `json:"text,omitempty"`
}

func surveyLines(table modbus.Table, found []modbus.Register) []surveyLine {
	out := make([]surveyLine, len(found))
	for i, r := range found {
		out[i] = surveyLine{Table: table.String(), Address: r.Address}
		if r.Err != nil {
			out[i].Error = r.Err.Error()
			continue
		}
		out[i].Value = &found[i].Value
		if table.Bits() {
			continue
		}
		for _, v := range modbus.Views(from(found, i)) {
			sv := surveyView{Type: v.Type.String(), Order: v.Order.String(), Text: v.Text}
			if v.Fault == collector.NoFault && !math.IsNaN(v.Raw) && !math.IsInf(v.Raw, 0) {
				sv.Value = &v.Raw
			}
			out[i].Views = append(out[i].Views, sv)
		}
	}
	return out
}

// from returns the registers that were read without a gap from index i, at most four.
func from(found []modbus.Register, i int) []uint16 {
	var out []uint16
	for _, r := range found[i:min(len(found), i+4)] {
		if r.Err != nil {
			break
		}
		out = append(out, r.Value)
	}
	return out
}

func writeBits(w io.Writer, found []modbus.Register) error {
	t := table{head: []string{right("address"), "value"}}
	for _, r := range found {
		if r.Err == nil {
			t.add(right(fmt.Sprint(r.Address)), map[uint16]string{0: "off", 1: "on"}[r.Value])
		}
	}
	if err := t.write(w); err != nil {
		return err
	}
	return writeRefusals(w, found)
}

// widths are the tables a survey prints: the types of one width side by side.
var widths = []struct {
	registers int
	types     []modbus.Type
}{
	{1, []modbus.Type{modbus.Uint16, modbus.Int16, modbus.BCD16}},
	{2, []modbus.Type{modbus.Uint32, modbus.Int32, modbus.Float32, modbus.BCD32}},
	{4, []modbus.Type{modbus.Uint64, modbus.Int64, modbus.Float64}},
}

func writeRegisters(w io.Writer, kind modbus.Table, found []modbus.Register) error {
	for _, width := range widths {
		t := table{head: []string{right("address"), right("reference"), "hex", "order"}}
		for _, ty := range width.types {
			t.head = append(t.head, right(ty.String()))
		}
		if width.registers == 1 {
			t.head = append(t.head, "text")
		}
		for i, r := range found {
			regs := from(found, i)
			if len(regs) >= width.registers {
				addViews(&t, kind, r.Address, regs, width.registers, width.types)
			}
		}
		if len(t.rows) == 0 {
			continue
		}
		fmt.Fprintf(w, "\n%d bits\n", 16*width.registers)
		if err := t.write(w); err != nil {
			return err
		}
	}
	return writeRefusals(w, found)
}

// refusal is a stretch of addresses that could not be read for one reason.
type refusal struct {
	first uint16
	count int
	err   error
}

func refusals(found []modbus.Register) []refusal {
	var out []refusal
	for i, r := range found {
		switch {
		case r.Err == nil:
		case i > 0 && found[i-1].Err != nil && found[i-1].Err.Error() == r.Err.Error():
			out[len(out)-1].count++
		default:
			out = append(out, refusal{r.Address, 1, r.Err})
		}
	}
	return out
}

// writeRefusals prints what could not be read, below what could.
func writeRefusals(w io.Writer, found []modbus.Register) error {
	refused := refusals(found)
	if len(refused) == 0 {
		return nil
	}
	fmt.Fprintln(w)
	t := table{head: []string{"not read", "reason"}}
	for _, r := range refused {
		stretch := fmt.Sprint(r.first)
		if r.count > 1 {
			stretch += fmt.Sprintf("-%d", int(r.first)+r.count-1)
		}
		t.add(stretch, r.err.Error())
	}
	return t.write(w)
}

// addViews adds one row an order; only the first row repeats address and bytes.
func addViews(t *table, kind modbus.Table, address uint16, regs []uint16, width int, types []modbus.Type) {
	cells := map[modbus.Order]map[modbus.Type]string{}
	for _, v := range modbus.Views(regs) {
		if cells[v.Order] == nil {
			cells[v.Order] = map[modbus.Type]string{}
		}
		cells[v.Order][v.Type] = viewText(v)
		if width == 4 {
			whole := assemble(regs[:4], v.Order) // a float64 would lose digits beyond 2^53
			cells[v.Order][modbus.Uint64] = strconv.FormatUint(whole, 10)
			cells[v.Order][modbus.Int64] = strconv.FormatInt(int64(whole), 10)
		}
	}
	var hex strings.Builder
	for _, r := range regs[:width] {
		fmt.Fprintf(&hex, "%04X ", r)
	}
	head := []string{right(fmt.Sprint(address)), right(reference(kind, address)), strings.TrimSpace(hex.String())}
	for _, o := range []modbus.Order{modbus.ABCD, modbus.CDAB, modbus.BADC, modbus.DCBA} {
		if width == 1 && (o == modbus.CDAB || o == modbus.DCBA) {
			continue // a single register has no word order
		}
		row := append(slices.Clone(head), o.String())
		for _, ty := range types {
			row = append(row, right(cells[o][ty]))
		}
		if width == 1 {
			row = append(row, letters(regs[0], o))
		}
		t.add(row...)
		head = []string{"", "", ""}
	}
}

// letters shows a register as two characters, a dot for each that cannot be printed.
func letters(r uint16, o modbus.Order) string {
	if o == modbus.BADC {
		r = r<<8 | r>>8
	}
	out := []byte{byte(r >> 8), byte(r)}
	for i, c := range out {
		if c < ' ' || c > '~' {
			out[i] = '.'
		}
	}
	return string(out)
}

// assemble puts four registers together in an order.
func assemble(regs []uint16, o modbus.Order) (whole uint64) {
	for i := range regs {
		r := regs[i]
		if o == modbus.CDAB || o == modbus.DCBA {
			r = regs[len(regs)-1-i]
		}
		if o == modbus.BADC || o == modbus.DCBA {
			r = r<<8 | r>>8
		}
		whole = whole<<16 | uint64(r)
	}
	return whole
}

func viewText(v modbus.View) string {
	if v.Fault != collector.NoFault {
		return "-"
	}
	switch v.Type {
	case modbus.Float32:
		return strconv.FormatFloat(v.Raw, 'g', 7, 64)
	case modbus.Float64:
		return strconv.FormatFloat(v.Raw, 'g', 12, 64)
	}
	return strconv.FormatFloat(v.Raw, 'f', 0, 64)
}

// reference is the traditional name of an address: 40011 for holding register 10 (MODBUS Application Protocol V1.1b3, 4.4).
func reference(kind modbus.Table, address uint16) string {
	digit := map[modbus.Table]int{modbus.HoldingRegisters: 4, modbus.InputRegisters: 3, modbus.DiscreteInputs: 1, modbus.Coils: 0}[kind]
	if address < 9999 {
		return fmt.Sprintf("%d%04d", digit, int(address)+1)
	}
	return fmt.Sprintf("%d%05d", digit, int(address)+1)
}

// guess is one way to read an address that comes near to what the gauge shows.
type guess struct {
	address uint16
	view    modbus.View
	factor  float64
	off     float64 // relative distance from the gauge
}

// factors are the scales that registers commonly carry (common practice, no source), plainest first.
var factors = []float64{1, 0.1, 0.01, 0.001, 10}

// near is how far a gauge and a transmitter may be apart and still mean the same: 2 % of the value (common practice, no source).
const near = 0.02

// guesses returns the readings within 2 % of the gauge, best first. A plain type in the standard's order and a
// plain factor win over an exotic one that happens to fall nearer.
func guesses(found []modbus.Register, gauge float64) []guess {
	var out []guess
	for i := range found {
		for _, v := range modbus.Views(from(found, i)) {
			if v.Fault != collector.NoFault {
				continue
			}
			for _, f := range factors {
				off := math.Abs(v.Raw*f-gauge) / math.Max(math.Abs(gauge), 1e-9)
				if off <= near {
					out = append(out, guess{found[i].Address, v, f, off})
				}
			}
		}
	}
	slices.SortStableFunc(out, func(a, b guess) int { return cmp.Compare(a.oddity(), b.oddity()) })
	return out
}

// oddity weighs how unusual a reading is against how far off it lies.
func (g guess) oddity() float64 {
	odd := g.off / near
	switch g.view.Order {
	case modbus.CDAB:
		odd += 0.2
	case modbus.BADC, modbus.DCBA:
		odd += 0.8
	}
	isFloat := g.view.Type == modbus.Float32 || g.view.Type == modbus.Float64
	switch {
	case isFloat && g.factor != 1:
		odd += 2 // a device that sends floats sends the value itself
	case g.view.Type == modbus.BCD16 || g.view.Type == modbus.BCD32:
		odd++
	case !isFloat && g.factor == 10:
		odd++
	}
	return odd
}

func writeGuesses(w io.Writer, gs []guess, gauge float64) {
	if len(gs) == 0 {
		fmt.Fprintf(w, "nothing here reads like %g, plain or scaled by ten; a 4-20 mA signal in counts would not show\n", gauge)
		return
	}
	fmt.Fprintf(w, "nearest to %g:\n", gauge)
	for _, g := range gs[:min(len(gs), 3)] {
		fmt.Fprintf(w, "  address %d, type: %s, order: %s", g.address, g.view.Type, g.view.Order)
		if g.factor != 1 {
			fmt.Fprintf(w, ", times %g", g.factor)
		}
		fmt.Fprintf(w, ": %.6g\n", g.view.Raw*g.factor)
	}
}
