package modbus

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Symptom is a way in which a line fails that points to a cause.
type Symptom uint8

// The symptoms. The causes behind them are common practice on RS-485 lines (no source).
const (
	Silence      Symptom = iota + 1 // nothing comes back
	Echoes                          // our own requests come back
	DoubledID                       // two devices answer to one unit id
	BadCRC                          // frames spoiled on the line
	CutShort                        // frames that end too early
	FramingNoise                    // bytes that are no frame: wrong baud or parity
	SecondMaster                    // somebody else asks on the line
	OtherAnswers                    // another unit answers
	HangsUp                         // the connection is closed
	AllRefused                      // the device is there and refuses the question
)

var symptomWords = [...]string{"", "silence", "echo", "doubled unit id", "bad CRC", "frames cut short", "no frames",
	"second master", "another unit answers", "connection closed", "refused"}

// String returns the symptom in words.
func (s Symptom) String() string {
	if int(s) < len(symptomWords) {
		return symptomWords[s]
	}
	return "unknown"
}

// Finding is a symptom with what it most likely comes from and what to do next, each in plain words.
type Finding struct {
	Symptom Symptom
	Seen    string // what was seen, with numbers
	Cause   string
	Next    string
}

// String returns the finding in one line.
func (f Finding) String() string {
	return fmt.Sprintf("%s: %s: %s; %s", f.Symptom, f.Seen, f.Cause, f.Next)
}

// Diagnose names what a tally tells of the line, the surest first. others says
// that other units of the line were heard from otherwise. Nothing to say gives nil.
func (t *Tally) Diagnose(others bool) []Finding {
	if t.Asked == 0 {
		return nil
	}
	d := diagnosis{Tally: t, others: others}
	for _, look := range []func(){d.master, d.echo, d.doubled, d.alternating, d.noise, d.framing, d.stranger, d.silence, d.closed, d.refused} {
		look()
	}
	return d.found
}

type diagnosis struct {
	*Tally
	others bool
	found  []Finding
}

func (d *diagnosis) add(s Symptom, seen, cause, next string) {
	d.found = append(d.found, Finding{s, seen, cause, next})
}

func (d *diagnosis) has(s Symptom) bool {
	return slices.ContainsFunc(d.found, func(f Finding) bool { return f.Symptom == s })
}

// of returns '3 of 20 answers ...'.
func (d *diagnosis) of(n int, what string) string {
	return fmt.Sprintf("%d of %d %s", n, d.Asked, what)
}

// line returns how the line is set, in words: '/dev/ttyUSB0 at 19200 8E1', or its address.
func (d *diagnosis) line() string {
	if d.Options.Transport == RTU {
		return fmt.Sprintf("%s at %v", d.Options.Address, d.Options.mode())
	}
	return d.Options.Address
}

func (d *diagnosis) master() {
	const fewest = 5 // bytes; single ones come from switching a line on
	if len(d.Before) < fewest {
		return
	}
	seen := fmt.Sprintf("%d bytes came before anything was asked", len(d.Before))
	if units := unitsIn(d.Before); len(units) > 0 {
		d.add(SecondMaster, seen+", frames of "+unitList(units),
			"another master (a controller, or a second Roundsman) asks on this line, and a line has only one",
			"stop it or read its data over its own network port")
		return
	}
	d.add(FramingNoise, seen+", no frame among them",
		"somebody else talks on this line at another baud or parity, or the line floats without bias and termination",
		"find out what else is wired to it; survey it with --search")
}

func (d *diagnosis) echo() {
	switch {
	case d.Echo > 0 && d.Answered == 0 && d.Echo == d.Asked:
		d.add(Echoes, "only our own requests come back",
			"the adapter hears what it sends (2-wire RS-485 with its receiver always on), and the device does not answer",
			"switch the echo off at the adapter if it can; then look for the device as in a silent line: unit id, baud, A and B")
	case 2*d.Echoed > d.Asked:
		d.add(Echoes, d.of(d.Echoed, "requests came back before the answer"),
			"the adapter hears what it sends (2-wire RS-485 with its receiver always on)",
			"it does no harm here, the echo is left out; switch it off at the adapter if it can")
	}
}

// unitList returns 'unit 3' or 'units 3, 7'.
func unitList(ids []uint8) string {
	if len(ids) == 1 {
		return fmt.Sprintf("unit %d", ids[0])
	}
	words := make([]string, len(ids))
	for i, id := range ids {
		words[i] = fmt.Sprint(id)
	}
	return "units " + strings.Join(words, ", ")
}

const pullOut = "take the device you mean off the line and ask again: if something still answers, it has the same unit id; give one of them another"

func (d *diagnosis) doubled() {
	unit := d.Question.Unit
	switch {
	case d.Twice > 0:
		d.add(DoubledID, d.of(d.Twice, fmt.Sprintf("requests to unit %d got two whole answers", unit)),
			fmt.Sprintf("two devices have the unit id %d", unit), pullOut)
	case d.Mixed > 0 && 4*(d.Mixed+d.Crowded) >= d.Asked:
		d.add(DoubledID, d.of(d.Mixed+d.Crowded, fmt.Sprintf("answers of unit %d were longer than an answer is, with a bad CRC", unit)),
			fmt.Sprintf("two devices have the unit id %d and answer at the same time", unit), pullOut)
	}
}

// alternating sees two devices that take turns, as behind a gateway: the answers flip between two values that lie far apart.
func (d *diagnosis) alternating() {
	if d.has(DoubledID) || len(d.Values) != 2 || d.Answered < 6 || 3*d.Flips < d.Answered {
		return
	}
	a, b := firstWord(d.Values[0]), firstWord(d.Values[1])
	if math.Abs(a-b) <= 0.05*math.Max(a, b) {
		return
	}
	d.add(DoubledID, fmt.Sprintf("the answers of unit %d flip between two values (%.0f and %.0f), %d times", d.Question.Unit, min(a, b), max(a, b), d.Flips),
		fmt.Sprintf("two devices have the unit id %d and take turns, or the value itself jumps", d.Question.Unit), pullOut)
}

func firstWord(data []byte) float64 {
	if len(data) < 2 {
		return 0
	}
	return float64(binary.BigEndian.Uint16(data))
}

const checkLine = "check termination (120 ohm at both ends, nowhere else), the shield, a common earth, distance from drive cables; then survey again"

func (d *diagnosis) noise() {
	bad := d.Spoiled + d.Mixed
	if bad > 0 && !d.has(DoubledID) {
		cause := "disturbance on the line: no termination, a stub, no common earth, a drive's cable beside it"
		next := checkLine
		if d.Answered == 0 && d.others {
			cause = "this unit alone is spoiled: its own wiring, or a second device with its unit id"
			next = pullOut
		}
		d.add(BadCRC, d.of(bad, "answers had a bad CRC"), cause, next)
	}
	if d.Cut > 0 {
		d.add(CutShort, d.of(d.Cut, "answers ended too early"),
			"the adapter or gateway tears frames apart, or two answers meet on the line",
			"lengthen the timeout; set the gateway's frame time-out to 20 ms or more; "+checkLine)
	}
}

func (d *diagnosis) framing() {
	if d.Garbage == 0 || d.has(DoubledID) {
		return
	}
	seen := d.of(d.Garbage, "answers were bytes that are no frame")
	if d.Options.Transport != RTU {
		d.add(FramingNoise, seen, "the gateway's serial side has another baud or parity than its devices, or it speaks Modbus TCP on this port",
			"compare its serial settings with the devices'; try tcp:// in place of rtu+tcp://")
		return
	}
	cause := "the device sends at another baud or parity than " + d.Options.mode().String()
	if 2*d.Zeros > d.Garbage && d.Options.Parity != 'N' {
		cause = "most characters came with the wrong parity: the baud is right and the parity is not"
	}
	d.add(FramingNoise, seen, cause, "survey the line with --search")
}

func (d *diagnosis) stranger() {
	if len(d.Others) == 0 || d.Answered == d.Asked {
		return
	}
	d.add(OtherAnswers, fmt.Sprintf("%s answered in place of unit %d", unitList(d.Others), d.Question.Unit),
		"an answer that came too late for the question before, or a device that answers to every unit id",
		"lengthen the timeout; if it stays so, the unit id on the device is "+unitList(d.Others))
}

func (d *diagnosis) silence() {
	silent := d.Asked - d.Answered - d.Closed - d.Echo - d.Spoiled - d.Mixed - d.Cut - d.Garbage
	if d.Options.Transport != TCP {
		silent = d.Silent
	}
	if silent <= 0 || d.Exceptions == d.Asked {
		return
	}
	unit, seen := d.Question.Unit, d.of(silent, fmt.Sprintf("requests to unit %d got nothing in %v", d.Question.Unit, d.Options.Timeout))
	switch {
	case d.Answered > 0:
		d.add(Silence, seen, "the device answers only sometimes: it is slow, or requests are spoiled on their way", "lengthen the timeout (--timeout) and survey again; "+checkLine)
	case d.others:
		d.add(Silence, seen, fmt.Sprintf("other units answer, so the line is right: unit %d has another id, no power, or its branch is open", unit),
			"read the id off the device, or survey the line with --search")
	case d.Options.Transport == RTU:
		d.add(Silence, seen+" ("+d.line()+")", "another unit id, baud or parity, A and B exchanged, or the device has no power",
			"survey the line with --search; if that finds nothing, exchange A and B and search again")
	case d.Options.Transport == RTUOverTCP:
		d.add(Silence, seen, "the gateway takes the connection and nothing behind it answers: unit id, its serial baud or parity, A and B",
			"look at the gateway's serial settings; survey with --search for the unit id")
	default:
		d.add(Silence, seen, "the device takes the connection and does not answer: another unit id (many want 255 or 1), or all its connections are in use",
			"survey with --search for the unit id; end other programs that hold a connection to it")
	}
}

func (d *diagnosis) closed() {
	if d.Closed == 0 {
		return
	}
	d.add(HangsUp, d.of(d.Closed, "times the connection was closed on a request"),
		"the device has no connection to spare, or wants another protocol on this port (tcp:// or rtu+tcp://)",
		"end other programs that hold a connection to it; try the other protocol")
}

func (d *diagnosis) refused() {
	x, ok := d.Last.(Exception)
	if !ok || d.Exceptions != d.Asked {
		return
	}
	seen := fmt.Sprintf("unit %d answers %s with %v", d.Question.Unit, place(d.Question.Table, d.Question.Start, max(d.Question.Count, 1)), x)
	switch {
	case x.gateway():
		d.add(AllRefused, seen, "the gateway is there and the device behind it is not: unit id, its power, or the gateway's serial settings",
			"survey with --search for the unit id; compare the gateway's baud and parity with the device's")
	case x.splits():
		d.add(AllRefused, seen, "the device is there, and this address is not in its map: the list is one off, names another table, or the address does not exist",
			"survey the addresses around it, and the same in the other table (--holding, --input)")
	case x == IllegalFunction:
		d.add(AllRefused, seen, "the device is there and does not have this table",
			"survey the other table (--holding in place of --input, or the other way round)")
	}
}
