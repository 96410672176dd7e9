package sms

import (
	"context"
	"fmt"
	"time"
)

// loop serves requests and what comes in until the session is over.
func (s *session) loop(ctx context.Context) error {
	tick := time.NewTicker(s.m.o.Poll)
	defer tick.Stop()
	for {
		if s.skewed {
			_ = s.alignIn(ctx, patient) // if it fails the session is over
		}
		s.tidy(ctx)
		if err := s.over(ctx); err != nil {
			return err
		}
		l, r, err := s.wait(ctx, tick.C, s.m.requests)
		switch {
		case s.over(ctx) != nil:
			return s.over(ctx)
		case err != nil: // the tick
			s.poll(ctx)
		case r != nil:
			s.serve(ctx, r)
		default:
			s.unsolicited(l)
		}
	}
}

// patient is how many tries a modem gets that is silent because the network is slow to take a text.
const patient = 12

// serve does what was asked.
func (s *session) serve(ctx context.Context, r *request) {
	if err := r.ctx.Err(); err != nil {
		r.reply <- outcome{err: s.m.named(err)}
		return
	}
	receipt, err := r.do(ctx, s)
	if err != nil {
		err = s.m.named(err)
	}
	r.reply <- outcome{receipt, err}
}

// poll looks after the modem: once a minute or so.
func (s *session) poll(ctx context.Context) {
	clear(s.hollow)
	if s.m.status.Load().Ready && s.card(ctx) == SIMReady {
		s.look(ctx)
		return
	}
	_ = s.prepare(ctx) // its error is that the session is over, which the loop sees
}

// look reads signal, registration and memory, and says what is wrong.
func (s *session) look(ctx context.Context) {
	s.register(ctx)
	s.signal(ctx)
	s.operator(ctx)
	full := s.memoryFull(ctx)
	s.m.inbox.expire(time.Now())
	if s.dead != nil {
		return
	}
	s.m.update(func(st *Status) { st.Polled = time.Now() })
	switch r := s.m.status.Load().Registration; {
	case full:
		s.m.problem("SIM memory full: answers cannot arrive")
	case !r.Registered():
		s.m.problem(fmt.Sprintf("%v: %v", ErrNetwork, r))
	default:
		s.m.problem("")
	}
}

// register asks for the registration, circuit-switched and LTE; a modem may know one of them only.
func (s *session) register(ctx context.Context) {
	s.cs = s.registered(ctx, "+CREG")
	s.eps = s.registered(ctx, "+CEREG")
	s.note()
}

func (s *session) registered(ctx context.Context, name string) Registration {
	lines, err := s.command(ctx, name+"?", name+":", quick)
	if err != nil {
		return NotAsked
	}
	if stat, ok := field(fields(lines[0], name+":"), 1); ok {
		return registration(stat)
	}
	return NotKnown
}

func (s *session) note() {
	s.m.update(func(st *Status) { st.Registration = better(s.cs, s.eps) })
}

// better returns what the two registrations come to: any that can send, else the less certain, else the worse.
func better(a, b Registration) Registration {
	for _, r := range [...]Registration{Home, Roaming, HomeTextOnly, RoamingTextOnly, NotKnown, Denied, Searching, NotSearching} {
		if a == r || b == r {
			return r
		}
	}
	return NotAsked
}

// signal reads the field strength (AT+CSQ).
func (s *session) signal(ctx context.Context) {
	lines, err := s.command(ctx, "+CSQ", "+CSQ:", quick)
	var level float64
	known := false
	if err == nil {
		if rssi, ok := field(fields(lines[0], "+CSQ:"), 0); ok {
			level, known = dBm(rssi)
		}
	}
	s.m.update(func(st *Status) { st.Signal, st.SignalKnown = level, known })
}

// operator reads the network's name (AT+COPS?: mode, format, name).
func (s *session) operator(ctx context.Context) {
	lines, err := s.command(ctx, "+COPS?", "+COPS:", slow)
	name := ""
	if err == nil {
		if f := fields(lines[0], "+COPS:"); len(f) > 2 {
			name = clean(f[2])
		}
	}
	s.m.update(func(st *Status) { st.Operator = name })
}
