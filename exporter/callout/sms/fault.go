package sms

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"roundsman/exporter/callout"
)

// Errors of the modem, to be told apart by callers.
var (
	ErrBusy    = errors.New("the modem was occupied all the time")
	ErrEnded   = errors.New("the modem is not run")
	ErrSIM     = errors.New("the SIM is not usable")
	ErrNetwork = errors.New("not registered in a network")
)

var (
	errSilent = errors.New("no answer")        // within the command's time limit
	errLost   = errors.New("the port is gone") // the session is over
)

// Fault is a refusal by the modem or the network: +CMS ERROR (3GPP TS 27.005, clause 3.2.5) and +CME ERROR
// (TS 27.007, clause 9.2), or ERROR without a code (Code -1).
type Fault struct {
	Command string // without its arguments: they may hold a secret
	Kind    string // "CMS", "CME", or "" for a plain ERROR
	Code    int
}

// Error returns command, code and its meaning.
func (f *Fault) Error() string {
	if f.Kind == "" {
		return f.Command + ": refused"
	}
	text := fmt.Sprintf("%s: +%s ERROR %d", f.Command, f.Kind, f.Code)
	if m := f.meaning(); m != "" {
		text += ", " + m
	}
	return text
}

func (f *Fault) meaning() string {
	if f.Kind == "CMS" {
		return cmsMeaning(f.Code)
	}
	return cmeMeaning(f.Code)
}

// cmsMeaning: TS 27.005, clause 3.2.5, and for codes under 128 TS 24.011, annex E-2. 304, 310, 311, 331, 332 and
// 500 from memory.
func cmsMeaning(code int) string {
	switch code {
	case 1:
		return "unassigned number"
	case 8:
		return "barred by the operator"
	case 10:
		return "call barred"
	case 17:
		return "network failure"
	case 21:
		return "rejected"
	case 22:
		return "congestion"
	case 27:
		return "destination out of service"
	case 28:
		return "unidentified subscriber"
	case 38:
		return "network out of order"
	case 301:
		return "SMS service of the modem reserved"
	case 302:
		return "operation not allowed"
	case 303:
		return "operation not supported"
	case 304:
		return "invalid PDU parameter"
	case 305:
		return "invalid text parameter"
	case 310:
		return "no SIM"
	case 311:
		return "SIM PIN needed"
	case 313:
		return "SIM failure"
	case 321:
		return "invalid memory index"
	case 322:
		return "SIM memory full"
	case 330:
		return "service centre address unknown"
	case 331:
		return "no network service"
	case 332:
		return "network time-out"
	case 500:
		return "unknown"
	}
	return ""
}

func cmeMeaning(code int) string {
	switch code {
	case 10:
		return "no SIM"
	case 11:
		return "SIM PIN needed"
	case 12:
		return "SIM PUK needed"
	case 13:
		return "SIM failure"
	case 14:
		return "SIM busy"
	case 16:
		return "wrong password"
	case 30:
		return "no network service"
	case 31:
		return "network time-out"
	case 100:
		return "unknown"
	}
	return ""
}

// classed marks the refusal of a message by what a repeat may do (common practice, no source). Network failure,
// congestion and an unknown reason pass; an unassigned number, barring, an unidentified subscriber, a bad PDU and a
// missing service centre do not. After a network time-out (332) nobody knows whether the message went.
func classed(err error) error {
	var f *Fault
	if !errors.As(err, &f) || f.Kind != "CMS" {
		return err
	}
	switch f.Code {
	case 1, 8, 10, 28, 304, 305, 330:
		return callout.ForGood(err)
	case 332:
		return callout.Perhaps(err)
	}
	return err
}

// final returns what a final result code means: done, and the error it stands for (ITU-T V.250, clause 5.7.1).
func final(command, line string) (done bool, err error) {
	switch {
	case line == "OK":
		return true, nil
	case line == "ERROR", line == "COMMAND NOT SUPPORT": // the latter is seen of some modems
		return true, &Fault{Command: command, Code: -1}
	}
	for _, kind := range []string{"CMS", "CME"} {
		if rest, ok := strings.CutPrefix(line, "+"+kind+" ERROR:"); ok {
			code, err := strconv.Atoi(strings.TrimSpace(rest))
			if err != nil {
				code = -1
			}
			return true, &Fault{Command: command, Kind: kind, Code: code}
		}
	}
	return false, nil
}
