package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"sync/atomic"
	"time"

	"github.com/spf13/cobra"

	"roundsman/collector/modbus"
)

// searchTimeout is how long a search waits for each answer on a serial line: devices begin within a few tens of
// milliseconds (common practice, no source).
const searchTimeout = 200 * time.Millisecond

// searched is a device that was found, as 'survey --search --json' prints it.
type searched struct {
	Unit     uint8             `json:"unitId"`
	Settings string            `json:"settings"` // of a serial line
	Seconds  float64           `json:"responseSeconds"`
	Answer   string            `json:"answer"`
	Identity map[string]string `json:"identification"`

	settings modbus.Settings
	who      string
}

// searchOf makes the search that the flags ask for.
func (f *surveyFlags) searchOf(cmd *cobra.Command) (*modbus.Search, error) {
	s := &modbus.Search{Options: f.options, Listen: listenFirst / 4}
	least, most := 1, 247
	if f.options.Transport != modbus.RTU {
		least, most = 0, 255
	}
	from, to, ok := wholeSpan(f.units, least, most)
	if cmd.Flags().Changed("unit-id") {
		from, to, ok = int(f.unit), int(f.unit), !cmd.Flags().Changed("units")
	}
	if !ok {
		return nil, fmt.Errorf("--units %s: want unit ids such as 1-32, %d to %d", f.units, least, most)
	}
	for u := from; u <= to; u++ {
		s.Units = append(s.Units, uint8(u))
	}
	if f.options.Transport != modbus.RTU {
		return s, nil
	}
	if !cmd.Flags().Changed("timeout") {
		s.Options.Timeout = searchTimeout
	}
	for _, set := range modbus.UsualSettings() {
		if cmd.Flags().Changed("baud") && set.Baud != f.options.Baud || cmd.Flags().Changed("parity") && set.Parity != f.options.Parity {
			continue
		}
		s.Settings = append(s.Settings, set)
	}
	if len(s.Settings) == 0 {
		s.Settings = []modbus.Settings{{Baud: f.options.Baud, Parity: f.options.Parity}}
	}
	return s, nil
}

// runSearch looks for devices and prints them.
func (f *surveyFlags) runSearch(cmd *cobra.Command, url string) error {
	s, err := f.searchOf(cmd)
	if err != nil {
		return usageError{err}
	}
	talk := cmd.ErrOrStderr()
	fmt.Fprintf(talk, "roundsman: %s, at most %s; it ends sooner where something answers\n", searchWords(s), longTime(s.Longest()))
	var done, of atomic.Int64
	s.Told = func(n, all int) { done.Store(int64(n)); of.Store(int64(all)) }
	var found []modbus.Found
	var heard *modbus.Tally
	err = withProgress(cmd.Context(), talk, func() (int64, int64) { return done.Load(), max(1, of.Load()) }, func(ctx context.Context) (err error) {
		found, heard, err = s.Run(ctx)
		return err
	})
	if err != nil && len(found) == 0 {
		return surveyError(err)
	}
	devices := f.whoTheyAre(cmd.Context(), s, found)
	if f.asJSON {
		if err := writeJSON(cmd.OutOrStdout(), devices); err != nil {
			return err
		}
	} else if err := printFound(cmd.OutOrStdout(), f.options.Transport, url, devices, len(s.Units)); err != nil {
		return err
	}
	if len(found) > 0 {
		return err
	}
	for _, t := range nobody(heard, s) {
		fmt.Fprintln(talk, "roundsman:", t)
	}
	return errSaid
}

// searchWords says what will be searched.
func searchWords(s *modbus.Search) string {
	ids := fmt.Sprintf("unit ids %d-%d", s.Units[0], s.Units[len(s.Units)-1])
	if len(s.Units) == 1 {
		ids = fmt.Sprintf("unit id %d", s.Units[0])
	}
	switch n := len(s.Settings); {
	case n > 1:
		return fmt.Sprintf("asks %s at %d settings of the line, from %v to %v", ids, n, s.Settings[0], s.Settings[n-1])
	case n == 1:
		return fmt.Sprintf("asks %s at %v", ids, s.Settings[0])
	}
	return "asks " + ids
}

// longTime is a length of time in minutes and seconds: '4 min 10 s'.
func longTime(d time.Duration) string {
	d = d.Round(time.Second)
	if d < time.Minute {
		return fmt.Sprintf("%d s", max(1, int(d/time.Second)))
	}
	return fmt.Sprintf("%d min %d s", int(d/time.Minute), int(d%time.Minute/time.Second))
}

// mostAsked is how many devices are asked who they are: one that answers to every unit id need not say so 247 times.
const mostAsked = 32

// whoTheyAre asks those found for their identification.
func (f *surveyFlags) whoTheyAre(ctx context.Context, s *modbus.Search, found []modbus.Found) []searched {
	out := make([]searched, 0, len(found))
	for i, d := range found {
		x := searched{Unit: d.Unit, Seconds: d.Took.Seconds(), Answer: "a value", Identity: map[string]string{}, settings: d.Settings}
		if d.Answer != nil {
			x.Answer = d.Answer.Error()
		}
		o := s.Options
		o.Retries = -1
		if d.Settings.Baud != 0 {
			x.Settings = d.Settings.String()
			o.Baud, o.Parity = d.Settings.Baud, d.Settings.Parity
		}
		if i < mostAsked {
			objects, _ := modbus.Identify(ctx, o, d.Unit) // many devices cannot say who they are
			for _, obj := range objects {
				if obj.Value != "" {
					x.Identity[obj.Name] = obj.Value
					x.who = strings.TrimSpace(x.who + " " + obj.Value)
				}
			}
		}
		out = append(out, x)
	}
	return out
}

// printFound prints the devices as a table, and the command that looks at the first.
func printFound(w io.Writer, transport modbus.Transport, url string, devices []searched, asked int) error {
	if len(devices) == 0 {
		return nil
	}
	if transport == modbus.TCP && len(devices) == asked && asked > 8 {
		_, err := fmt.Fprintf(w, "it answers to every unit id from %d to %d: it does not look at it, or a gateway hides who answers; take the id of its manual, often 1 or 255\n",
			devices[0].Unit, devices[len(devices)-1].Unit)
		return err
	}
	t := table{head: []string{right("unit id"), "settings", right("ms"), "answered", "says of itself"}}
	for _, d := range devices {
		t.add(right(fmt.Sprint(d.Unit)), d.Settings, right(fmt.Sprintf("%.1f", 1000*d.Seconds)), d.Answer, printable(d.who))
	}
	if err := t.write(w); err != nil {
		return err
	}
	d := devices[0]
	line := ""
	if d.settings.Baud != 0 {
		line = fmt.Sprintf(" --baud %d --parity %s", d.settings.Baud, parityWord(d.settings.Parity))
	}
	_, err := fmt.Fprintf(w, "next: roundsman survey %s%s --unit-id %d --holding 0-40\n", url, line, d.Unit)
	return err
}

func parityWord(letter byte) string {
	for word, l := range parityLetters {
		if l == letter {
			return word
		}
	}
	return "even"
}

// nobody says what an unsuccessful search tells of the line.
func nobody(heard *modbus.Tally, s *modbus.Search) []string {
	var out []string
	for _, t := range heard.Diagnose(false) {
		if t.Symptom != modbus.Silence {
			out = append(out, t.String())
		}
	}
	if len(out) > 0 {
		return out
	}
	switch s.Options.Transport {
	case modbus.RTU:
		return []string{"nothing answers at any of these settings: exchange A and B at one end (makers do not agree which is which) and search again; then look at the device's power, " +
			"its own settings, the line's two ends and whether the adapter is the RS-485 one"}
	case modbus.RTUOverTCP:
		return []string{"the gateway takes the connection and nothing behind it answers: look at its serial settings, at A and B and at the devices' power; if it speaks Modbus TCP, use tcp://"}
	}
	return []string{"the device takes the connection and no unit id answers: is it a Modbus server, and has it a connection to spare? if it is a gateway for RTU frames, use rtu+tcp://"}
}
