package outbox

import (
	"context"
	"iter"
	"regexp"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/callout"
	"roundsman/exporter/record"
)

// Kept is what Shown reads: a record, or a reader of one.
type Kept interface {
	Outbox(ctx context.Context, q record.OutboxQuery) ([]record.Sending, error)
	Journal(ctx context.Context, q record.Query) iter.Seq2[record.Line, error]
}

// Shown tells the pages of calling people, from the record and the sender, without any address, link or secret. It
// implements exporter.Callouts.
type Shown struct {
	Kept   Kept
	Sender *callout.Sender
	Clock  *collector.Clock
}

// Calls implements exporter.Callouts. A message whose document cannot be read is shown by what stands beside it.
func (s *Shown) Calls(ctx context.Context, q exporter.CallQuery) ([]exporter.Call, error) {
	kept, err := s.Kept.Outbox(ctx, record.OutboxQuery{Undone: q.Waiting, Alarm: q.Alarm, Limit: q.Limit})
	if err != nil {
		return nil, err
	}
	list := make([]exporter.Call, len(kept))
	for i := range kept {
		list[i] = s.call(&kept[i])
	}
	return list, nil
}

func (s *Shown) call(k *record.Sending) exporter.Call {
	c := exporter.Call{
		Key: k.Key, Subject: k.Subject, Alarm: k.Alarm, Contact: k.Contact, Person: k.Contact, State: k.State, Done: k.Done,
		Channel: k.Channel, Tries: k.Tries, Written: k.Time,
	}
	d, err := Dispatch(k)
	if err != nil {
		c.Error = "what was kept of it cannot be read"
		return c
	}
	c.Title, c.Number, c.Ended = d.Message.Title, d.Message.Number, d.Ended
	if d.Message.Person != "" {
		c.Person = d.Message.Person
	}
	c.Error, c.Reference = silent(&d, d.Error), silent(&d, d.Reference)
	if d.Address >= 0 && d.Address < len(d.Addresses) {
		c.To = shortNumber(d.Addresses[d.Address].To)
	}
	if !k.Done && d.Next != 0 && d.Next != collector.Never {
		c.Next = s.Clock.Time(d.Next).UTC()
	}
	return c
}

// shortNumber returns the end of a phone number, enough to know it by; "" for every other address.
func shortNumber(to string) string {
	const end = 4
	digits := strings.TrimPrefix(to, "+")
	if digits == to || len(digits) <= end || strings.Trim(digits, "0123456789 ") != "" {
		return ""
	}
	return "…" + digits[len(digits)-end:]
}

// address matches what may lead somewhere: addresses of pages and of mail, and phone numbers.
var address = regexp.MustCompile(`[a-z][a-z0-9+.-]*://[^\s"')]+|[^\s"'(<]+@[^\s"')>]+|\+[0-9][0-9 ]{5,}[0-9]`)

// silent takes the addresses out of a channel's words. Channels keep secrets out of their errors; this holds as well for
// one that some server quoted back.
func silent(d *callout.Dispatch, words string) string {
	for _, a := range d.Addresses {
		if len(a.To) > 3 {
			words = strings.ReplaceAll(words, a.To, "the address")
		}
	}
	return unaddressed(words)
}

func unaddressed(words string) string { return address.ReplaceAllString(words, "the address") }

// answersLook is how many of the latest journal lines are looked through for those about calls.
const answersLook = 3000

// Answers implements exporter.Callouts.
func (s *Shown) Answers(ctx context.Context, limit int) ([]exporter.Line, error) {
	var list []exporter.Line
	for l, err := range s.Kept.Journal(ctx, record.Query{Newest: true, Limit: answersLook}) {
		if err != nil {
			return list, err
		}
		switch l.Kind {
		case record.Answered, record.Unheeded, record.Drilled, record.Nobody:
			list = append(list, exporter.Line{Seq: int64(l.Seq), Time: l.Time, At: l.At, Kind: string(l.Kind), Who: shortWho(l.Who), Why: l.Why})
		}
		if len(list) >= limit {
			break
		}
	}
	return list, nil
}

// shortWho shortens the number of a stranger; people have names.
func shortWho(who string) string {
	if short := shortNumber(who); short != "" {
		return short
	}
	return who
}

// Reach implements exporter.Callouts.
func (s *Shown) Reach() exporter.Reach {
	st := s.Sender.Status()
	r := exporter.Reach{Waiting: st.Waiting, Oldest: max(0, st.Oldest.Round(time.Second)), Reachable: st.Reachable, Unreachable: st.Unreachable}
	r.Reason = unaddressed(st.Reason)
	for _, c := range st.Channels {
		r.Channels = append(r.Channels, exporter.Way{Name: c.Name, Kind: c.Kind, Waiting: c.Waiting, Failing: c.Failing, Error: unaddressed(c.Error)})
	}
	return r
}
