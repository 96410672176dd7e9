package rehearsal

import (
	"bufio"
	"encoding/json"
	"io"
	"math"
	"time"

	"roundsman/rules"
)

// alarmLine is one alarm as JSON has it. The keys are fixed; times are of the form of the data.
type alarmLine struct {
	Alarm string   `json:"alarm"`
	Point string   `json:"point"`
	Start Time     `json:"start"`
	End   *Time    `json:"end"`
	Peak  *float64 `json:"peak"`
}

// ruleLine is one rule as JSON has it. The first five keys are fixed.
type ruleLine struct {
	Rule          string          `json:"rule"`
	Activations   int             `json:"activations"`
	ActiveSeconds float64         `json:"activeSeconds"`
	Chattering    int             `json:"chattering"`
	Fleeting      int             `json:"fleeting"`
	Longest       float64         `json:"longestSeconds"`
	Share         float64         `json:"share"`
	Suppressed    int             `json:"suppressed"`
	Silent        bool            `json:"notRehearsed,omitempty"` // no reading of its point
	Before        *countLine      `json:"before,omitempty"`
	Suggestion    *suggestionLine `json:"suggestion,omitempty"`
}

type countLine struct {
	Activations   int     `json:"activations"`
	ActiveSeconds float64 `json:"activeSeconds"`
	Chattering    int     `json:"chattering"`
	Fleeting      int     `json:"fleeting"`
}

type suggestionLine struct {
	Deadband     *float64  `json:"deadband,omitempty"`
	Unit         string    `json:"unit,omitempty"`
	OnDelay      *float64  `json:"onDelaySeconds,omitempty"`
	OffDelay     *float64  `json:"offDelaySeconds,omitempty"`
	Before       trialLine `json:"before"`
	After        trialLine `json:"after"`
	MostDelay    float64   `json:"mostDelaySeconds"`
	TrueAlarms   int       `json:"trueAlarms"`
	Kept         int       `json:"trueAlarmsKept"`
	LargestDelay float64   `json:"largestDelaySeconds"`
	Alone        aloneLine `json:"alone"`
	Until        *Time     `json:"studiedUntil,omitempty"`
	Reason       string    `json:"reason,omitempty"`
}

type trialLine struct {
	Activations int `json:"activations"`
	Chattering  int `json:"chattering"`
}

type aloneLine struct {
	Deadband *float64 `json:"deadband"`
	OnDelay  *float64 `json:"onDelaySeconds"`
	OffDelay *float64 `json:"offDelaySeconds"`
}

type dataLine struct {
	From     Time     `json:"from"`
	To       Time     `json:"to"`
	Rows     uint64   `json:"rows"`
	Readings uint64   `json:"readings"`
	Bad      uint64   `json:"bad"`
	Period   float64  `json:"periodSeconds"`
	Gaps     uint64   `json:"gaps"`
	Missing  uint64   `json:"missing"`
	Longest  float64  `json:"longestGapSeconds"`
	Repairs  []Repair `json:"repairs"`
	Silent   []string `json:"pointsWithoutReadings"`
}

// WriteJSON writes the report with what was read. Alarms are written one by one: there may be a great many.
func (r *Report) WriteJSON(w io.Writer, l Ledger) error {
	b := bufio.NewWriter(w)
	b.WriteString("{\"alarms\":[")
	for i := range r.Alarms {
		if err := item(b, i, r.alarmLine(&r.Alarms[i])); err != nil {
			return err
		}
	}
	b.WriteString("\n],\"rules\":[")
	for i := range r.Figures {
		if err := item(b, i, r.ruleLine(&r.Figures[i])); err != nil {
			return err
		}
	}
	b.WriteString("\n],\"data\":")
	text, err := json.Marshal(r.dataLine(l))
	if err != nil {
		return err
	}
	b.Write(text)
	if figures, err := r.AlarmSystem(); err == nil { // without a span there are none
		b.WriteString(",\n\"figures\":")
		if text, err = json.Marshal(figures); err != nil {
			return err
		}
		b.Write(text)
	}
	b.WriteString("}\n")
	return b.Flush()
}

func item(b *bufio.Writer, i int, v any) error {
	if i > 0 {
		b.WriteByte(',')
	}
	b.WriteByte('\n')
	text, err := json.Marshal(v)
	b.Write(text)
	return err
}

func (r *Report) alarmLine(a *Alarm) alarmLine {
	rule := &r.Rules[a.Rule]
	l := alarmLine{Alarm: rule.Name, Point: r.Points[rule.Point].Name, Start: a.Start}
	if !a.Active {
		l.End = &a.End
	}
	if !math.IsNaN(a.Peak) && !math.IsInf(a.Peak, 0) {
		l.Peak = &a.Peak
	}
	return l
}

func (r *Report) ruleLine(f *Figures) ruleLine {
	l := ruleLine{
		Rule: r.Rules[f.Rule].Name, Activations: f.Activations, ActiveSeconds: f.Active.Seconds(), Chattering: f.Chattering,
		Fleeting: f.Fleeting, Longest: f.Longest.Seconds(), Share: f.Share, Suppressed: f.Suppressed, Silent: f.Silent,
	}
	if r.WhatIf {
		l.Before = &countLine{f.Before.Activations, f.Before.Active.Seconds(), f.Before.Chattering, f.Before.Fleeting}
	}
	if f.Suggestion != nil {
		l.Suggestion = f.Suggestion.line(&r.Rules[f.Rule])
	}
	return l
}

func (s *Suggestion) line(rule *rules.Rule) *suggestionLine {
	l := &suggestionLine{
		Unit: rule.Unit, Before: trialLine(s.Before), After: trialLine(s.After), MostDelay: s.MostDelay.Seconds(),
		TrueAlarms: s.TrueAlarms, Kept: s.Kept, LargestDelay: s.LargestDelay.Seconds(), Reason: s.Reason,
		Alone: aloneLine{s.DeadbandAlone, inSeconds(s.OnDelayAlone), inSeconds(s.OffDelayAlone)},
	}
	if s.Found {
		l.Deadband, l.OnDelay, l.OffDelay = &s.Deadband, inSeconds(&s.OnDelay), inSeconds(&s.OffDelay)
	}
	if s.Partial {
		l.Until = &s.Until
	}
	return l
}

func inSeconds(d *time.Duration) *float64 {
	if d == nil {
		return nil
	}
	s := d.Seconds()
	return &s
}

func (r *Report) dataLine(l Ledger) dataLine {
	d := dataLine{
		From: r.From, To: r.To, Rows: l.Rows, Readings: l.Readings, Bad: l.Bad, Period: l.Period.Seconds(), Gaps: l.Gaps,
		Missing: l.Missing, Longest: l.Longest.Seconds(), Repairs: append([]Repair{}, l.Repairs...), Silent: []string{},
	}
	for _, s := range r.Silent {
		d.Silent = append(d.Silent, r.Points[s.Point].Name)
	}
	return d
}
