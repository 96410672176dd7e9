// Package terms is what a practice plant and whoever starts it agree on: the faults that it plays, and the lines in which
// a plant of its own process says where it can be read. It holds nothing of the plant itself.
package terms

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"time"
)

// Fault is one fault and when it is played.
type Fault struct {
	Name string
	At   time.Duration // after the plant began to run
	For  time.Duration // 0: to the end
}

// Kind is a fault that the plant can play.
type Kind struct{ Name, About string }

// Faults returns the faults the plant can play, each with a line of explanation.
func Faults() []Kind {
	return []Kind{
		{"air-leak", "a new leak of 8 L/s: the compressor loads longer and more often"},
		{"hose-off", "an air hose came off: the header falls faster than full use can explain"},
		{"compressor-trip", "the compressor stops with its fault contact"},
		{"wire-break", "the header pressure transmitter's wire is broken: no current"},
		{"float-stuck", "the floats that start the lift pumps hang down: pit 3 rises"},
		{"check-valve", "the lift pumps' check valve leaks back: many short runs"},
		{"filter-blocked", "the reclaim filter is blinded: high difference, little flow"},
		{"plc-reboot", "the controller restarts and its registers read zero"},
		{"map-shift", "the controller's holding registers moved up by one address"},
		{"late-replies", "every Modbus device answers later than the usual time-out"},
		{"same-id", "a second water-quality transmitter answers to unit 7 every other time"},
		{"broker-down", "the yard's MQTT broker is down"},
		{"gateway-off", "the yard gateway lost its power: its will says offline"},
		{"mains-lost", "no mains: motors stop, controls live on their battery"},
		{"register-frozen", "the header pressure register keeps its value"},
	}
}

// ParseFault reads 'name', 'name@30s' or 'name@30s+2m': what, when, for how long.
func ParseFault(text string) (Fault, error) {
	name, when, timed := strings.Cut(text, "@")
	f := Fault{Name: name}
	if _, err := Find(name); err != nil {
		return Fault{}, err
	}
	if !timed {
		return f, nil
	}
	at, length, limited := strings.Cut(when, "+")
	var err error
	if f.At, err = duration(at); err != nil {
		return Fault{}, fmt.Errorf("fault %q: time: %w", text, err)
	}
	if limited {
		if f.For, err = duration(length); err != nil {
			return Fault{}, fmt.Errorf("fault %q: length: %w", text, err)
		}
		if f.For == 0 {
			return Fault{}, fmt.Errorf("fault %q: length: is nothing", text)
		}
	}
	return f, nil
}

func duration(text string) (time.Duration, error) {
	d, err := time.ParseDuration(text)
	if err != nil {
		return 0, fmt.Errorf("%q is not a time such as 30s or 2m", text)
	}
	if d < 0 {
		return 0, fmt.Errorf("%q is before the beginning", text)
	}
	return d, nil
}

// Find returns the fault of that name.
func Find(name string) (Kind, error) {
	names := make([]string, 0, 16)
	for _, k := range Faults() {
		if k.Name == name {
			return k, nil
		}
		names = append(names, k.Name)
	}
	return Kind{}, fmt.Errorf("unknown fault %q: one of %s", name, strings.Join(names, ", "))
}

// String writes the fault as ParseFault reads it.
func (f Fault) String() string {
	text := f.Name + "@" + f.At.String()
	if f.For > 0 {
		text += "+" + f.For.String()
	}
	return text
}

// Addresses are where the plant can be read, written as a site file's links have them.
type Addresses struct {
	PLC    string // tcp://127.0.0.1:41873
	Meters string // rtu:///dev/pts/7; rtu+tcp://127.0.0.1:port on a system without pseudo terminals
	Yard   string // tcp://127.0.0.1:38011
}

func (a *Addresses) lines() []line {
	return []line{{"controller", &a.PLC}, {"meters", &a.Meters}, {"yard broker", &a.Yard}}
}

type line struct {
	what    string
	address *string
}

// WriteTo writes a line for each address.
func (a Addresses) WriteTo(w io.Writer) (int64, error) {
	var b strings.Builder
	for _, l := range a.lines() {
		fmt.Fprintf(&b, "%-12s %s\n", l.what, *l.address)
	}
	n, err := io.WriteString(w, b.String())
	return int64(n), err
}

// ReadAddresses reads the lines that WriteTo wrote; any other is an error, and io.ErrUnexpectedEOF an end before the last.
func ReadAddresses(r *bufio.Reader) (Addresses, error) {
	var a Addresses
	for _, l := range a.lines() {
		text, err := r.ReadString('\n')
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return Addresses{}, err
		}
		address, found := strings.CutPrefix(strings.TrimSuffix(text, "\n"), fmt.Sprintf("%-12s ", l.what))
		if !found || !strings.Contains(address, "://") {
			return Addresses{}, fmt.Errorf("%q: the address of the %s is expected", text, l.what)
		}
		*l.address = address
	}
	return a, nil
}
