package rules

import "fmt"

var kindWords = [...]string{
	"low", "low-low", "high", "high-high", "rate", "deviation", "equals", "bad", "stale", "stuck", "discrepancy",
	"not-reached", "total-above", "running-longer-than", "idle-longer-than", "starts-above", "formula",
}

// String returns the kind's key in a rule file.
func (k Kind) String() string { return word(kindWords[:], k) }

var opWords = [...]string{"<", "<=", ">", ">=", "=", "!="}

// String returns the comparison's sign.
func (o Op) String() string { return word(opWords[:], o) }

var severityWords = [...]string{"none", "minor", "major", "severe"}

// String returns the severity's word.
func (s Severity) String() string { return word(severityWords[:], s) }

// MarshalText returns the severity's word.
func (s Severity) MarshalText() ([]byte, error) { return marshal("severity", severityWords[:], s) }

// UnmarshalText takes the severity's word.
func (s *Severity) UnmarshalText(text []byte) error {
	return unmarshal("severity", severityWords[:], s, text)
}

var priorityWords = [...]string{"none", "note", "low", "medium", "high"}

// String returns the priority's word.
func (p Priority) String() string { return word(priorityWords[:], p) }

// MarshalText returns the priority's word.
func (p Priority) MarshalText() ([]byte, error) { return marshal("priority", priorityWords[:], p) }

// UnmarshalText takes the priority's word.
func (p *Priority) UnmarshalText(text []byte) error {
	return unmarshal("priority", priorityWords[:], p, text)
}

var stateWords = [...]string{
	"normal", "unacknowledged", "acknowledged", "returned unacknowledged", "latched unacknowledged",
	"latched acknowledged", "shelved", "suppressed by design", "out of service",
}

// String returns the state in words.
func (s State) String() string { return word(stateWords[:], s) }

// Letter returns the state's letter in the figure of ISA-18.2, clause 5.5.
func (s State) Letter() byte { return 'A' + byte(s) }

// MarshalText returns the state in words.
func (s State) MarshalText() ([]byte, error) { return marshal("alarm state", stateWords[:], s) }

// UnmarshalText takes the state in words.
func (s *State) UnmarshalText(text []byte) error {
	return unmarshal("alarm state", stateWords[:], s, text)
}

var eventWords = [...]string{
	"started", "returned", "acknowledged", "re-alarmed", "reset", "shelved", "unshelved", "suppressed", "unsuppressed",
	"taken out of service", "put back in service", "reading lost", "reading found", "condition true", "condition false",
}

// String returns the kind of event in words.
func (k EventKind) String() string { return word(eventWords[:], k) }

// MarshalText returns the kind of event in words.
func (k EventKind) MarshalText() ([]byte, error) { return marshal("event", eventWords[:], k) }

// UnmarshalText takes the kind of event in words.
func (k *EventKind) UnmarshalText(text []byte) error {
	return unmarshal("event", eventWords[:], k, text)
}

var actWords = [...]string{"acknowledge", "reset", "shelve", "unshelve", "out of service", "in service"}

// String returns the act in words.
func (k ActKind) String() string { return word(actWords[:], k) }

var triggerWords = [...]string{
	"condition true", "condition false", "acknowledge", "re-alarm", "reset", "shelve", "unshelve",
	"suppress", "unsuppress", "out of service", "in service",
}

func (t trigger) String() string { return word(triggerWords[:], t) }

func word[T ~uint8](words []string, v T) string {
	if int(v) < len(words) {
		return words[v]
	}
	return "unknown"
}

func marshal[T ~uint8](what string, words []string, v T) ([]byte, error) {
	if int(v) >= len(words) {
		return nil, fmt.Errorf("%s %d is unknown", what, v)
	}
	return []byte(words[v]), nil
}

func unmarshal[T ~uint8](what string, words []string, v *T, text []byte) error {
	for i, w := range words {
		if w == string(text) {
			*v = T(i)
			return nil
		}
	}
	return fmt.Errorf("unknown %s %q", what, text)
}
