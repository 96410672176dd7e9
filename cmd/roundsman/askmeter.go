package main

import (
	"context"
	"fmt"
	"strings"

	"roundsman/collector"
	"roundsman/collector/duty"
	"roundsman/exporter"
	"roundsman/exporter/record"
)

// meterRequest is what somebody says of a meter that jumped on its way to the judge.
type meterRequest struct {
	equipment string
	hours     bool
	said      duty.Explanation
	who, why  string
	answer    *duty.Explained
	done      chan error // has room for one
}

// Explained takes an explanation of a meter that jumped; see exporter.Meters.
func (j *judge) Explained(ctx context.Context, equipment string, hours bool, e duty.Explanation, who, why string) (duty.Explained, error) {
	var answer duty.Explained
	r := meterRequest{equipment, hours, e, who, why, &answer, make(chan error, 1)}
	if err := askJudge(ctx, j.meters, r, r.done); err != nil {
		return duty.Explained{}, err
	}
	return answer, nil
}

// explained counts what follows, keeps it in one with its line of the journal, and shows it.
func (j *judge) explained(r meterRequest) error {
	now := j.clock.Now()
	var err error
	if *r.answer, err = j.duty.explained(r, now); err != nil {
		return err
	}
	j.events = j.events[:0]
	j.keep.round(j, now)
	j.publish(now)
	if j.keep.failing {
		return errNotKept
	}
	return nil
}

// explained hands an explanation to its meter, and puts a line for the journal beside what the meter knows then.
func (d *duties) explained(r meterRequest, now collector.Moment) (duty.Explained, error) {
	for i := range d.machines {
		if d.specs[i].Name != r.equipment {
			continue
		}
		e, err := d.meters[i].Explain(r.hours, r.said)
		if err != nil {
			return e, fmt.Errorf("%s of %s: %w", meterWord(r.hours), r.equipment, err)
		}
		if d.gathers {
			line := record.Line{Kind: record.MeterExplained, At: now, Who: r.who, Why: joinWords(explainedWords(r.equipment, e), r.why)}
			d.jumps = append(d.jumps, line)
		}
		return e, nil
	}
	return duty.Explained{}, fmt.Errorf("%w as %q", exporter.ErrNoEquipment, r.equipment)
}

func meterWord(hours bool) string {
	if hours {
		return "hour meter"
	}
	return "counter of starts"
}

// wentWords begin the journal's lines about a jump: by them an explanation is found for its question.
func wentWords(equipment string, j duty.Jump) string {
	return fmt.Sprintf("%s of %s went from %.10g to %.10g: ", meterWord(j.Hours), equipment, j.From, j.To)
}

func explainedWords(equipment string, e duty.Explained) string {
	said := wentWords(equipment, e.Jump) + "it was " + e.Was.String()
	switch {
	case e.Run > 0:
		said += fmt.Sprintf("; %.1f h of running added", e.Run.Hours())
	case e.Starts > 0:
		said += fmt.Sprintf("; %d starts added", e.Starts)
	default:
		said += "; nothing added"
	}
	return said
}

// asked returns the questions about a machine's meters as pages show them.
func (d *duties) asked(i int, clock *collector.Clock) (list []exporter.MeterQuestion) {
	for _, q := range d.meters[i].Asked() {
		list = append(list, exporter.MeterQuestion{Hours: q.Hours, Time: clock.Time(q.At), From: q.From, To: q.To, Looks: q.Kind})
	}
	return list
}

// unanswered returns which of the journal's questions, the latest first, have no explanation; the earliest question of several
// that read alike was answered first.
func unanswered(questions, explanations []string) []string {
	out := append(make([]string, 0, len(questions)), questions...)
	for _, said := range explanations {
		for i := len(out) - 1; i >= 0; i-- {
			if went, _, ok := strings.Cut(out[i], ": "); ok && strings.HasPrefix(said, went+": ") {
				out = append(out[:i], out[i+1:]...)
				break
			}
		}
	}
	return out
}
