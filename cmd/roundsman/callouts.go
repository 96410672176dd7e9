package main

import (
	"context"
	"slices"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/callout/outbox"
	"roundsman/exporter/record"
)

// callouts shows what is known of calling people; see exporter.Callouts.
type callouts struct {
	record *record.Record
	judge  *judge
}

// Calls returns messages, newest first.
func (c callouts) Calls(ctx context.Context, q exporter.CallQuery) ([]exporter.Call, error) {
	list, err := c.record.Outbox(ctx, record.OutboxQuery{Undone: q.Waiting, Alarm: q.Alarm, Limit: q.Limit})
	if err != nil {
		return nil, err
	}
	out := make([]exporter.Call, 0, len(list))
	for i := range list {
		call, err := c.call(&list[i])
		if err != nil {
			return nil, err
		}
		out = append(out, call)
	}
	return out, nil
}

// call shows a message without its text, its addresses and its link.
func (c callouts) call(s *record.Sending) (exporter.Call, error) {
	d, err := outbox.Dispatch(s)
	if err != nil {
		return exporter.Call{}, err
	}
	m := &d.Message
	out := exporter.Call{
		Key: s.Key, Subject: s.Subject, Alarm: s.Alarm, Contact: s.Contact, Person: m.Person, Title: m.Title, Number: m.Number,
		State: s.State, Done: s.Done, Channel: s.Channel, Tries: s.Tries, Error: d.Error, Reference: d.Reference, Written: s.Time, Ended: d.Ended,
	}
	for _, a := range d.Addresses {
		if a.Channel == s.Channel {
			out.To = endOf(a.To)
			break
		}
	}
	if !s.Done && d.Next > d.Made {
		out.Next = c.judge.clock.Time(d.Next)
	}
	return out, nil
}

// endOf shows a telephone number by its end: enough for its owner. Other addresses may be secrets.
func endOf(address string) string {
	if len(address) < 8 || address[0] != '+' {
		return ""
	}
	return "…" + address[len(address)-4:]
}

// Answers returns the latest journal lines about calls, newest first.
func (c callouts) Answers(ctx context.Context, limit int) ([]exporter.Line, error) {
	var out []exporter.Line
	kinds := []record.Kind{record.Answered, record.Unheeded, record.Drilled, record.Nobody}
	from := c.judge.clock.Time(c.judge.clock.Now()).Add(-answersBack)
	for l, err := range c.record.Journal(ctx, record.Query{From: from, Newest: true}) {
		if err != nil {
			return nil, err
		}
		if len(out) >= limit {
			break
		}
		if slices.Contains(kinds, l.Kind) {
			out = append(out, shownLine(&l))
		}
	}
	return out, nil
}

// answersBack is how far back answers are looked for.
const answersBack = 7 * 24 * time.Hour

// Reach tells whether people can be called now.
func (c callouts) Reach() exporter.Reach {
	st := c.judge.calls.sender.Status()
	out := exporter.Reach{Waiting: st.Waiting, Oldest: st.Oldest, Reachable: st.Reachable, Reason: st.Reason, Unreachable: st.Unreachable}
	for _, ch := range st.Channels {
		out.Channels = append(out.Channels, exporter.Way{Name: ch.Name, Kind: ch.Kind, Waiting: ch.Waiting, Failing: ch.Failing, Error: ch.Error})
	}
	return out
}
