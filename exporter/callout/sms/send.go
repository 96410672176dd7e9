package sms

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"roundsman/exporter/callout"
)

// Texts returns the channel that sends SMS through the modem.
func (m *Modem) Texts() *Texts { return &Texts{m} }

// Texts sends a message's Short text (else its Title or Text) as an SMS.
type Texts struct{ m *Modem }

// Kind returns 'sms'.
func (*Texts) Kind() string { return "sms" }

// Send sends the message to the number in To and returns when the network took it. Characters outside the GSM
// alphabet are replaced (Plain) if the text then fits the alphabet; a text that is repeated or late says so. Receipt
// names the modem's reference of each part.
//
// The errors: ErrForGood for what is no number, no text or refused as such; ErrPerhaps if nobody knows whether the
// network took it, after 60 s without its answer for instance; all others pass, like ErrSIM, ErrNetwork, ErrBusy. It
// returns within Options.Wait and 80 s for each part.
func (t *Texts) Send(ctx context.Context, msg *callout.Message) (callout.Receipt, error) {
	to, err := Number(msg.To)
	if err != nil {
		return callout.Receipt{}, callout.ForGood(err)
	}
	text := t.m.compose(msg)
	if text == "" {
		return callout.Receipt{}, callout.ForGood(errors.New("message: no text"))
	}
	return t.m.ask(ctx, func(run context.Context, s *session) (callout.Receipt, error) {
		return s.post(run, ctx, unfinished{key: msg.Key, to: to, text: text})
	})
}

// compose returns the text as it is sent.
func (m *Modem) compose(msg *callout.Message) string {
	text := msg.Short
	for _, other := range []string{msg.Title, msg.Text} {
		if text == "" {
			text = other
		}
	}
	if text == "" {
		return ""
	}
	if msg.Late && !strings.Contains(text, "LATE") {
		text = "LATE: " + text
	}
	if msg.Repeat && !strings.Contains(text, "REPEAT") {
		text = "REPEAT: " + text
	}
	if plain := Plain(text); plain != "" {
		if _, ucs2, _ := Fit(plain); !ucs2 {
			text = plain
		}
	}
	return cut(text, m.o.MaxParts)
}

// ready returns why the modem cannot send now.
func (s *session) usable(ctx context.Context) error {
	st := s.m.status.Load()
	if st.SIM != SIMReady {
		return fmt.Errorf("%w: %v", ErrSIM, st.SIM)
	}
	if !st.Ready {
		return errors.New(orElse(st.Problem, "not ready"))
	}
	s.register(ctx) // the last look may be a minute old, and a refusal now lets another channel try at once
	if r := s.m.status.Load().Registration; r.refused() {
		return fmt.Errorf("%w: %v", ErrNetwork, r)
	}
	return s.over(ctx)
}

// post sends a text, or the rest of it if it is the repeat of one that was broken off between two parts.
func (s *session) post(run, asked context.Context, u unfinished) (callout.Receipt, error) {
	if err := s.usable(run); err != nil {
		return callout.Receipt{}, err
	}
	s.m.ref++
	u.ref = s.m.ref
	u = s.m.resume(u)
	parts, err := submits(order{u.to, u.text, s.m.o.Validity, s.m.o.Receipts, u.ref})
	if err != nil {
		return callout.Receipt{}, callout.ForGood(err)
	}
	for _, part := range parts[len(u.refs):] {
		ref, err := s.submit(run, asked, part)
		if err != nil {
			if len(u.refs) > 0 {
				s.m.stuck = append(s.m.stuck, u)
			}
			return callout.Receipt{}, err
		}
		u.refs = append(u.refs, ref)
		s.m.update(func(st *Status) { st.Sent++ })
	}
	p := &posting{key: u.key, to: u.to, refs: u.refs}
	if s.m.o.Receipts {
		s.m.sent.post(p)
	}
	return callout.Receipt{Reference: p.reference()}, nil
}

// resume returns what is known of an earlier try with the same text, and forgets it.
func (m *Modem) resume(u unfinished) unfinished {
	if n := len(m.stuck) - mostUnfinshed; n > 0 {
		m.stuck = m.stuck[n:]
	}
	for i, old := range m.stuck {
		if old.key == u.key && old.to == u.to && old.text == u.text {
			m.stuck = append(m.stuck[:i:i], m.stuck[i+1:]...)
			return old
		}
	}
	return u
}

// submit sends one part: AT+CMGS, the prompt, the PDU, and the network's answer with the reference.
func (s *session) submit(run, asked context.Context, part submit) (int, error) {
	const command = "AT+CMGS"
	if err := s.await(run, fmt.Sprintf("+CMGS=%d", part.length)); err != nil {
		return 0, err
	}
	if asked.Err() != nil {
		_ = s.align(run) // abandons it
		return 0, asked.Err()
	}
	if err := s.write(part.hex + ctrlZ); err != nil {
		return 0, callout.Perhaps(err)
	}
	t := time.NewTimer(posted)
	defer t.Stop()
	ref := -1
	for {
		l, err := s.next(run, t.C)
		if err != nil {
			s.skewed = errors.Is(err, errSilent) // the caller is told first, then the loop waits on
			return 0, callout.Perhaps(wrap(command, err))
		}
		if n, ok := field(fields(l.text, "+CMGS:"), 0); ok && strings.HasPrefix(l.text, "+CMGS:") {
			ref = n
			continue
		}
		switch done, err := final(command, l.text); {
		case err != nil:
			return 0, classed(err)
		case done && ref >= 0:
			return ref & 0xFF, nil
		}
	}
}

// await sends a command and waits for its prompt. Without one nothing was sent.
func (s *session) await(ctx context.Context, cmd string) error {
	if err := s.write("AT" + cmd + "\r"); err != nil {
		return err
	}
	t := time.NewTimer(prompt)
	defer t.Stop()
	for {
		l, err := s.next(ctx, t.C)
		if errors.Is(err, errSilent) {
			_ = s.align(ctx)
			return fmt.Errorf("%s: no prompt for the text", verb(cmd))
		}
		if err != nil {
			return wrap(verb(cmd), err)
		}
		if l.prompt {
			return nil
		}
		if _, err := final(verb(cmd), l.text); err != nil {
			return classed(err)
		}
	}
}
