package sms

import (
	"context"
	"errors"
	"fmt"
	"time"

	"roundsman/exporter/callout"
)

// Voice returns the channel that lets a telephone ring through the modem.
func (m *Modem) Voice() *Voice { return &Voice{m} }

// Voice rings the telephone of a person, to wake them before they read the text. Nothing is said.
type Voice struct{ m *Modem }

// Kind returns 'voice'.
func (*Voice) Kind() string { return "voice" }

// Send dials the number in To, lets it ring for Options.Ring and hangs up. A nil error: it rang, or the modem cannot
// tell; Receipt says Delivered if it surely rang, also if the person declined or answered. Errors are temporary (busy,
// no carrier, it did not ring) but for what is no number, which is ErrForGood. The end of ctx hangs up. It returns
// within Options.Wait, Options.Ring and a minute and a half.
func (v *Voice) Send(ctx context.Context, msg *callout.Message) (callout.Receipt, error) {
	to, err := Number(msg.To)
	if err != nil {
		return callout.Receipt{}, callout.ForGood(err)
	}
	return v.m.ask(ctx, func(run context.Context, s *session) (callout.Receipt, error) {
		if err := s.usable(run); err != nil {
			return callout.Receipt{}, err
		}
		c := call{s: s}
		err := c.make(run, ctx, to)
		return callout.Receipt{Delivered: c.rang}, err
	})
}

// setup is how long a call may take until the other side rings.
const setup = 30 * time.Second

// greeting is how long a call that was answered is held: not so short that it is taken for a fault.
const greeting = 2 * time.Second

// call is an outgoing call in progress.
type call struct {
	s     *session
	rang  bool // the other side was alerted
	taken bool // somebody answered
	blind bool // the modem does not tell the state of calls
}

// make dials, waits until it rang long enough or ended by itself, and hangs up. The end of either context ends it.
func (c *call) make(run, asked context.Context, to string) error {
	ctx, cancel := context.WithCancel(run)
	defer cancel()
	defer context.AfterFunc(asked, cancel)()
	c.s.call = new(string)
	defer func() { c.s.call = nil }()
	err := c.dial(ctx, to)
	if err == nil {
		err = c.follow(ctx)
	}
	if c.s.dead == nil && *c.s.call == "" {
		c.s.hangUp(context.WithoutCancel(run)) // a call is not left standing, not even by a daemon that stops
	}
	if c.rang {
		return nil
	}
	return err
}

// dial sends ATD and waits for the modem's OK, which says that the call is under way, or for the call's end.
func (c *call) dial(ctx context.Context, to string) error {
	if err := c.s.write("ATD" + to + ";\r"); err != nil {
		return err
	}
	t := time.NewTimer(setup + c.s.m.o.Ring)
	defer t.Stop()
	for {
		l, _, err := c.s.wait(ctx, t.C, nil)
		switch {
		case errors.Is(err, errSilent):
			c.blind = true // this modem says OK only when somebody answers
			return nil
		case err != nil:
			return wrap("ATD", err)
		case c.s.unsolicited(l):
			if *c.s.call != "" {
				return c.ended()
			}
			continue
		}
		if done, err := final("ATD", l.text); done {
			return err
		}
	}
}

// follow watches the call until it rang for long enough.
func (c *call) follow(ctx context.Context) error {
	if c.blind {
		return nil
	}
	end := time.Now().Add(setup)
	for time.Now().Before(end) {
		alerted, taken := c.rang, c.taken
		c.look(ctx)
		switch {
		case c.s.over(ctx) != nil:
			return c.s.over(ctx)
		case *c.s.call != "":
			return c.ended()
		case c.blind:
			return c.listen(ctx, c.s.m.o.Ring)
		case c.taken && !taken:
			end = time.Now().Add(greeting)
		case c.rang && !alerted:
			end = time.Now().Add(c.s.m.o.Ring)
		}
		if err := c.listen(ctx, min(time.Second, time.Until(end))); err != nil {
			return err
		}
	}
	return errors.New("ATD: it did not ring")
}

// listen waits a while for the call's end.
func (c *call) listen(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	for {
		l, _, err := c.s.wait(ctx, t.C, nil)
		switch {
		case errors.Is(err, errSilent):
			return nil
		case err != nil:
			return err
		}
		if c.s.unsolicited(l); *c.s.call != "" {
			return c.ended()
		}
	}
}

// look asks for the state of calls: AT+CLCC gives number, direction (0 ours) and state (0 active, 2 dialling,
// 3 alerting) of each (TS 27.007, clause 7.18).
func (c *call) look(ctx context.Context) {
	lines, err := c.s.ask(ctx, query{cmd: "+CLCC", prefix: "+CLCC:", bare: true, limit: quick})
	if err != nil {
		c.blind = true
		return
	}
	ours := false
	for _, l := range lines {
		f := fields(l, "+CLCC:")
		direction, ok := field(f, 1)
		state, ok2 := field(f, 2)
		if ok && ok2 && direction == 0 {
			ours = true
			c.taken = c.taken || state == 0
			c.rang = c.rang || state == 3 || c.taken
		}
	}
	if c.rang && !ours && *c.s.call == "" {
		*c.s.call = "NO CARRIER" // declined or ended, and the result was lost
	}
}

// ended says how the call ended by itself.
func (c *call) ended() error {
	switch *c.s.call {
	case "NO ANSWER":
		c.rang = true // the result says that it rang (ITU-T V.250, clause 6.3.1)
		return nil
	case "BUSY":
		return errors.New("ATD: the number is busy")
	case "NO CARRIER":
		return errors.New("ATD: no connection: switched off, out of reach or refused")
	}
	return fmt.Errorf("ATD: %q", *c.s.call)
}

// hangUp ends all calls: AT+CHUP, and ATH for modems that lack it. ATH alone may be acknowledged and ignored
// (AT+CVHU, TS 27.007, clause 6.20).
func (s *session) hangUp(ctx context.Context) {
	if s.write("\r") == nil { // a character ends a call that is still being set up, and is lost on the way
		_ = s.skip(ctx, settle, "")
	}
	hung := s.try(ctx, "+CHUP", slow)
	if !s.try(ctx, "H", slow) && !hung && s.dead == nil {
		s.m.o.Log.Warn("modem did not hang up", "modem", s.m.o.Name)
	}
}
