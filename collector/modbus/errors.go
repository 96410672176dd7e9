package modbus

import (
	"errors"
	"fmt"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus/wire"
)

// Exception is the code of an exception reply. As an error it is an answer of
// the device, not a fault of the link.
type Exception uint8

// The exception codes of AP section 7.
const (
	IllegalFunction    Exception = 0x01
	IllegalDataAddress Exception = 0x02
	IllegalDataValue   Exception = 0x03
	ServerFailure      Exception = 0x04
	Acknowledge        Exception = 0x05
	ServerBusy         Exception = 0x06
	MemoryParityError  Exception = 0x08
	GatewayPath        Exception = 0x0A
	GatewayTarget      Exception = 0x0B
)

var exceptionNames = [...]string{
	IllegalFunction:    "illegal function",
	IllegalDataAddress: "illegal data address",
	IllegalDataValue:   "illegal data value",
	ServerFailure:      "server device failure",
	Acknowledge:        "acknowledge",
	ServerBusy:         "server device busy",
	MemoryParityError:  "memory parity error",
	GatewayPath:        "gateway path unavailable",
	GatewayTarget:      "gateway target device failed to respond",
}

// Error returns the name of AP section 7 with the code, or the code alone, in both
// bases as manuals use either, for one that is not defined there.
func (e Exception) Error() string {
	if int(e) < len(exceptionNames) && exceptionNames[e] != "" {
		return fmt.Sprintf("%s (%02X)", exceptionNames[e], uint8(e))
	}
	return fmt.Sprintf("exception 0x%02X (%d)", uint8(e), uint8(e))
}

// gateway reports whether a gateway says that the unit behind it is gone.
func (e Exception) gateway() bool { return e == GatewayPath || e == GatewayTarget }

// splits reports whether a smaller request may succeed where this came.
func (e Exception) splits() bool { return e == IllegalDataAddress || e == IllegalDataValue }

// RequestError is a request that brought no values: which, and why.
type RequestError struct {
	Link    string
	Unit    uint8
	Table   Table
	Start   uint16
	Count   uint16
	Tries   int
	Timeout time.Duration
	Err     error // an Exception or a *wire.Error
}

// Error reads like 'link rs485: unit 3: input 2-5: no answer in 300ms (3 tries)'.
func (e *RequestError) Error() string {
	return e.where() + ": " + e.why(wire.TimedOut.String()+" ") + e.tries()
}

// Unwrap returns the reason.
func (e *RequestError) Unwrap() error { return e.Err }

// detail is Error without the words that the reading's fault says already.
func (e *RequestError) detail() string {
	if wire.ReasonOf(e.Err) == wire.TimedOut {
		return e.where() + " " + e.why("") + e.tries()
	}
	return e.Error()
}

// why returns the reason; for a time-out its length, behind the given words.
func (e *RequestError) why(timedOut string) string {
	var w *wire.Error
	switch {
	case !errors.As(e.Err, &w) || w.Reason != wire.TimedOut:
		return e.Err.Error()
	case w.Detail != "":
		return timedOut + "(" + w.Detail + ")"
	}
	return fmt.Sprintf("%sin %v", timedOut, e.Timeout)
}

func (e *RequestError) where() string {
	return fmt.Sprintf("link %s: unit %d: %s", e.Link, e.Unit, place(e.Table, e.Start, e.Count))
}

func (e *RequestError) tries() string {
	if e.Tries < 2 {
		return ""
	}
	return fmt.Sprintf(" (%d tries)", e.Tries)
}

// faultOf names the fault of the readings that err left without a value.
func faultOf(err error) collector.Fault {
	var x Exception
	if errors.As(err, &x) {
		return collector.Refused
	}
	switch wire.ReasonOf(err) {
	case wire.TimedOut, wire.Waiting:
		return collector.NoAnswer
	case wire.Refused, wire.Unreachable:
		return collector.LinkLost
	case wire.Closed:
		if unsent(err) {
			return collector.LinkLost
		}
		return collector.NoAnswer // of this unit: the next one has a line of its own
	}
	if errors.Is(err, errLost) {
		return collector.NoAnswer
	}
	return collector.WrongReply
}

// unsent reports whether the request of the error was not sent for want of a line.
func unsent(err error) bool {
	var e *RequestError
	return errors.As(err, &e) && e.Tries == 0
}

// outcomeOf sorts an exchange's end for the meter.
func outcomeOf(err error) collector.Outcome {
	switch {
	case err == nil:
		return collector.Answered
	case wire.ReasonOf(err) == wire.Closed:
		return collector.Disconnect
	}
	switch faultOf(err) {
	case collector.Refused:
		return collector.Exception
	case collector.NoAnswer:
		return collector.TimedOut
	case collector.LinkLost:
		return collector.Disconnect
	}
	return collector.Malformed
}

// detailOf returns the words for an error behind the name of its fault.
func detailOf(err error) string {
	var e *RequestError
	if !errors.As(err, &e) {
		return err.Error()
	}
	reason := wire.ReasonOf(err)
	if reason == wire.Refused || reason == wire.Unreachable || reason == wire.Closed && unsent(err) {
		return "link " + e.Link + ": " + e.Err.Error()
	}
	return e.detail()
}
