package record

import (
	"encoding/json"
	"fmt"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/rules"
)

// The documents mirror the memories field by field, so that the compiler tells when a memory gains a field. Zero values
// are left out: a quiet alarm is a few bytes, and a field that is added later reads as zero from older records.

type alarmDoc struct {
	Kind           rules.Kind       `json:"kind"`
	State          rules.State      `json:"state"`
	Active         bool             `json:"active,omitzero"`
	Since          collector.Moment `json:"since,omitzero"`
	Started        collector.Moment `json:"started,omitzero"`
	TruthSince     collector.Moment `json:"truthSince,omitzero"`
	Activations    uint64           `json:"activations,omitzero"`
	HasValue       bool             `json:"hasValue,omitzero"`
	Value          float64          `json:"value,omitzero"`
	HasPeak        bool             `json:"hasPeak,omitzero"`
	Peak           float64          `json:"peak,omitzero"`
	LostSaid       bool             `json:"lostSaid,omitzero"`
	AcknowledgedBy string           `json:"acknowledgedBy,omitzero"`
	By             string           `json:"by,omitzero"`
	Why            string           `json:"why,omitzero"`
	Until          collector.Moment `json:"until,omitzero"`
	Delay          rules.Wait       `json:"delay,omitzero"`
	Tally          []rules.Span     `json:"tally,omitempty"`
	TallyOpen      bool             `json:"tallyOpen,omitzero"`
	TallyFrom      collector.Moment `json:"tallyFrom,omitzero"`
	Terms          []rules.Truth    `json:"terms,omitempty"`
	Samples        []rules.Sample   `json:"samples,omitempty"`
	Lows           []rules.Sample   `json:"lows,omitempty"`
	Measure        float64          `json:"measure,omitzero"`
	Known          bool             `json:"known,omitzero"`
	Seen           collector.Moment `json:"seen,omitzero"`
	Counted        rules.Wait       `json:"counted,omitzero"`
}

type conditionDoc struct {
	Truth   bool             `json:"truth,omitzero"`
	Known   bool             `json:"known,omitzero"`
	Base    bool             `json:"base,omitzero"`
	Inner   bool             `json:"inner,omitzero"`
	Latched bool             `json:"latched,omitzero"`
	Holding bool             `json:"holding,omitzero"`
	Began   collector.Moment `json:"began,omitzero"`
	Ended   collector.Moment `json:"ended,omitzero"`
	Terms   []rules.Truth    `json:"terms,omitempty"`
}

type dutyDoc struct {
	Run        time.Duration      `json:"run,omitzero"`
	Seen       time.Duration      `json:"seen,omitzero"`
	Unseen     time.Duration      `json:"unseen,omitzero"`
	Longest    time.Duration      `json:"longest,omitzero"`
	Starts     uint64             `json:"starts,omitzero"`
	Runs       uint64             `json:"runs,omitzero"`
	Looked     bool               `json:"looked,omitzero"`
	At         collector.Moment   `json:"at,omitzero"`
	Sighted    bool               `json:"sighted,omitzero"`
	State      duty.State         `json:"state,omitzero"`
	Since      collector.Moment   `json:"since,omitzero"`
	Open       bool               `json:"open,omitzero"`
	From       collector.Moment   `json:"from,omitzero"`
	StartSeen  bool               `json:"startSeen,omitzero"`
	StartCount int                `json:"startCount,omitzero"`
	StartHour  int                `json:"startHour,omitzero"`
	New        bool               `json:"new,omitzero"`
	To         collector.Moment   `json:"to,omitzero"`
	OffSeen    time.Duration      `json:"offSeen,omitzero"`
	Told       collector.Moment   `json:"told,omitzero"`
	Blind      bool               `json:"blind,omitzero"`
	Lost       collector.Moment   `json:"lost,omitzero"`
	LostWhy    string             `json:"lostWhy,omitzero"`
	Before     duty.Totals        `json:"before,omitzero"`
	Hours      duty.RegisterKept  `json:"hours,omitzero"`
	Counter    duty.RegisterKept  `json:"counter,omitzero"`
	Asked      []duty.Jump        `json:"asked,omitempty"`
	HourStarts []collector.Moment `json:"hourStarts,omitempty"`
	WorstHour  int                `json:"worstHour,omitzero"`
}

type countDoc struct {
	Point  collector.PointID `json:"-"` // an index, which another site file changes
	Pulses float64           `json:"pulses"`
	Last   float64           `json:"last"`
	At     collector.Moment  `json:"at"`
}

// encode returns the document of one of the four memories. An error names it: a value that JSON cannot say.
func encode(what, name string, m any) (string, error) {
	switch v := m.(type) {
	case rules.AlarmMemory:
		m = alarmDoc(v)
	case rules.ConditionMemory:
		m = conditionDoc(v)
	case duty.Kept:
		m = dutyDoc(v)
	case compute.Count:
		m = countDoc(v)
	}
	text, err := json.Marshal(m)
	if err != nil {
		return "", fmt.Errorf("%s %s: %w", what, name, err)
	}
	return string(text), nil
}

// decode reads a document into its form.
func decode[D any](what, name string, text []byte) (D, error) {
	var d D
	if err := json.Unmarshal(text, &d); err != nil {
		return d, fmt.Errorf("%s %s: what was kept of it cannot be read: %w", what, name, err)
	}
	return d, nil
}
