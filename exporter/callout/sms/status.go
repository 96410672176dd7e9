package sms

import (
	"strconv"
	"strings"
	"time"
)

// Registration is the state of registration in a network: <stat> of AT+CREG and AT+CEREG (3GPP TS 27.007, clauses
// 7.2 and 10.1.22; 6 and up from memory).
type Registration int8

// The registrations. NotAsked is the zero value.
const (
	NotAsked        Registration = iota
	NotSearching                 // 0
	Home                         // 1
	Searching                    // 2
	Denied                       // 3
	NotKnown                     // 4
	Roaming                      // 5
	HomeTextOnly                 // 6: for SMS only
	RoamingTextOnly              // 7
)

var registrationWords = [...]string{"not asked", "not searching", "home", "searching", "denied", "unknown", "roaming",
	"home, texts only", "roaming, texts only"}

// String returns the registration in words.
func (r Registration) String() string {
	if r >= 0 && int(r) < len(registrationWords) {
		return registrationWords[r]
	}
	return "unknown"
}

// Registered reports whether texts can be sent.
func (r Registration) Registered() bool {
	return r == Home || r == Roaming || r == HomeTextOnly || r == RoamingTextOnly
}

// refused reports whether it is sure that texts cannot be sent.
func (r Registration) refused() bool { return r == NotSearching || r == Searching || r == Denied }

// registration returns the state for a <stat>.
func registration(stat int) Registration {
	switch {
	case stat >= 0 && stat <= 7:
		return Registration(stat + 1)
	case stat == 9:
		return Home // circuit-switched fallback not preferred
	case stat == 10:
		return Roaming
	}
	return NotKnown
}

// SIM is the state of the card: AT+CPIN? (TS 27.007, clause 8.3).
type SIM int8

// The states of the card.
const (
	SIMNotAsked   SIM = iota
	SIMReady          // it takes orders
	SIMNeedsPIN       // no PIN is configured, or its file cannot be used
	SIMRefusedPIN     // the PIN was wrong: it is not tried again
	SIMNeedsPUK       // locked by three wrong PINs
	SIMMissing        // none in the modem
	SIMFaulty         // failure, or a state we do not know
)

var simWords = [...]string{"SIM not asked", "SIM ready", "SIM needs a PIN", "SIM PIN refused, not tried again",
	"SIM locked, PUK needed", "no SIM", "SIM faulty"}

// String returns the state in words.
func (s SIM) String() string {
	if s >= 0 && int(s) < len(simWords) {
		return simWords[s]
	}
	return "SIM faulty"
}

// Status is what is known of the modem, for points and the alarms about the box itself.
type Status struct {
	Open         bool // the port is open and the modem answers
	Ready        bool // the start sequence is done: it can send
	SIM          SIM
	Registration Registration // the better of the circuit-switched and the LTE one
	Signal       float64      // dBm, -113 to -51; meaningful if SignalKnown
	SignalKnown  bool
	Operator     string
	Stored, Room int       // messages in the SIM and how many it holds; Room 0 unknown
	Problem      string    // what is wrong now, in words; "" nothing
	Since        time.Time // when Problem last changed
	Polled       time.Time // when registration and signal were last read

	Opened     int // times the port was opened
	Sent       int // parts that the network took
	Received   int // answers handed on
	Unreadable int // received PDUs that were no text, and garbage lines
	Dropped    int // answers lost: nobody took them
}

// Registered reports whether the modem can send now.
func (s Status) Registered() bool { return s.Ready && s.Registration.Registered() }

// dBm converts <rssi> of AT+CSQ (TS 27.007, clause 8.5): -113 + 2 rssi, 99 unknown.
func dBm(rssi int) (float64, bool) {
	if rssi < 0 || rssi > 31 {
		return 0, false
	}
	return float64(-113 + 2*rssi), true
}

// fields splits the values of a line '+CSQ: 20,99' behind its prefix, quotes taken off.
func fields(line, prefix string) []string {
	rest := strings.TrimSpace(strings.TrimPrefix(line, prefix))
	var out []string
	for rest != "" {
		if quoted, ok := strings.CutPrefix(rest, `"`); ok {
			text, after, _ := strings.Cut(quoted, `"`)
			out = append(out, text)
			_, rest, _ = strings.Cut(after, ",")
			continue
		}
		text, after, _ := strings.Cut(rest, ",")
		out = append(out, strings.TrimSpace(text))
		rest = after
	}
	return out
}

// field returns the i-th value as a number.
func field(values []string, i int) (int, bool) {
	if i < 0 || i >= len(values) {
		return 0, false
	}
	n, err := strconv.Atoi(values[i])
	return n, err == nil
}
