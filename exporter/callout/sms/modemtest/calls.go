package modemtest

import (
	"fmt"
	"strings"
	"time"
)

// dial takes ATD<number>; (V.250, clause 6.3.1; the semicolon makes it a voice call, TS 27.007, clause 6.2).
func (s *state) dial(number string) {
	number, voice := strings.CutSuffix(number, ";")
	f := s.m.f
	switch {
	case !voice:
		s.answer("NO CARRIER")
		return
	case f.SIM != "READY":
		s.cme(11)
		return
	case f.DialError != "":
		s.answer(f.DialError)
		return
	}
	s.m.calls = append(s.m.calls, Call{To: number, Begun: time.Now()})
	id := len(s.m.calls) - 1
	if !f.LateOK {
		s.answer("OK")
	}
	if f.LateOK && f.Answered > 0 {
		time.AfterFunc(f.Answered, func() {
			s.m.mu.Lock()
			defer s.m.mu.Unlock()
			if s.m.calls[id].Ended.IsZero() {
				s.answer("OK")
			}
		})
	}
	if f.CallEnds > 0 {
		time.AfterFunc(f.CallEnds, func() {
			s.m.mu.Lock()
			defer s.m.mu.Unlock()
			if c := &s.m.calls[id]; c.Ended.IsZero() {
				c.Ended = time.Now()
				s.w.lines(f.CallEnd)
			}
		})
	}
}

// callState gives AT+CLCC: index, direction, state (0 active, 2 dialling, 3 alerting), mode, multiparty.
func (s *state) callState() {
	c := s.last()
	if c == nil {
		s.answer("OK")
		return
	}
	f, state, gone := s.m.f, 2, time.Since(c.Begun)
	if f.Alert > 0 && gone >= f.Alert {
		state = 3
	}
	if f.Answered > 0 && gone >= f.Answered {
		state = 0
	}
	s.answer("OK", fmt.Sprintf(`+CLCC: 1,0,%d,0,0,"%s",145`, state, c.To))
}

// last returns the call that goes on.
func (s *state) last() *Call {
	if n := len(s.m.calls); n > 0 && s.m.calls[n-1].Ended.IsZero() {
		return &s.m.calls[n-1]
	}
	return nil
}

func (s *state) hangUp() {
	if c := s.last(); c != nil {
		c.Ended, c.HungUp = time.Now(), true
	}
	s.answer("OK")
}
