package callout

import (
	"fmt"
	"time"

	"roundsman/collector"
)

// State says how far a message got.
type State uint8

// The states of a message. Waiting and Sending are unsent; all others are final, but for a HandedOver that may become
// Delivered.
const (
	Waiting    State = iota // for its turn, or for the next try
	Sending                 // a try is under way: after a kill nobody knows how it ended
	HandedOver              // the next hop took it
	Delivered               // it is known to have reached the person's device
	Failed                  // refused for good by every address
	GivenUp                 // older than is kept, or pushed out by newer ones
	HeldBack                // by the person's limit: a later message tells of it
)

var stateWords = [...]string{"waiting", "sending", "handed over", "delivered", "failed for good", "given up", "held back"}

// String returns the state in words.
func (s State) String() string {
	if int(s) < len(stateWords) {
		return stateWords[s]
	}
	return "unknown"
}

// MarshalText returns the state in words.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText takes the state in words.
func (s *State) UnmarshalText(text []byte) error {
	for i, w := range stateWords {
		if w == string(text) {
			*s = State(i)
			return nil
		}
	}
	return fmt.Errorf("unknown state of a message %q", text)
}

// Done reports whether no more tries follow.
func (s State) Done() bool { return s > Sending }

// Dispatch is a message to one person with all that is known of its way. It is what the record keeps of it: as JSON
// with its moments on the scale of the clock of the run that wrote it.
type Dispatch struct {
	Message   Message       `json:"message"`
	Contact   string        `json:"contact"` // the person's id
	Addresses []Address     `json:"addresses"`
	Patience  time.Duration `json:"patience,omitzero"`

	State     State            `json:"state"`
	Made      collector.Moment `json:"made"`               // when it was written
	Next      collector.Moment `json:"next,omitzero"`      // not before then the next try
	Address   int              `json:"address,omitzero"`   // which of Addresses is tried
	Here      collector.Moment `json:"here,omitzero"`      // since when that one is tried; 0 not yet
	Tries     int              `json:"tries,omitzero"`     // in all
	Failures  int              `json:"failures,omitzero"`  // in a row, at this address
	Moves     int              `json:"moves,omitzero"`     // from one address to the next
	Dead      []int            `json:"dead,omitempty"`     // addresses that refused for good
	Perhaps   bool             `json:"perhaps,omitzero"`   // a try may have arrived
	Error     string           `json:"error,omitzero"`     // of the latest try that failed
	Reference string           `json:"reference,omitzero"` // the channel's own name for it
	Through   string           `json:"through,omitzero"`   // the channel that took it
	Ended     time.Time        `json:"ended,omitzero"`     // when the state became final
}

// Channel returns the name of the channel that is tried now, "" if there is none.
func (d *Dispatch) Channel() string {
	if d.Address < 0 || d.Address >= len(d.Addresses) {
		return ""
	}
	return d.Addresses[d.Address].Channel
}

// Shift moves the moments by s, for a clock that begins elsewhere.
func (d *Dispatch) Shift(s time.Duration) {
	for _, m := range []*collector.Moment{&d.Made, &d.Next, &d.Here} {
		if *m != 0 && *m != collector.Never {
			*m = m.Add(s)
		}
	}
}
