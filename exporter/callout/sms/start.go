package sms

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"
)

// start brings the modem into step and prepares it. It fails only when the session is over: a modem that answers
// but cannot send (no SIM, no network) is kept and looked at again at each poll.
func (s *session) start(ctx context.Context) error {
	if err := s.align(ctx); err != nil {
		return err
	}
	s.try(ctx, "E0", quick)      // no echo
	s.try(ctx, "+CMEE=1", quick) // errors by number
	s.m.update(func(st *Status) { st.Open = true })
	return s.prepare(ctx)
}

// try sends a command that may be refused. It reports whether it was obeyed.
func (s *session) try(ctx context.Context, cmd string, limit time.Duration) bool {
	_, err := s.command(ctx, cmd, "", limit)
	return err == nil
}

// prepare takes the modem from an open port to where it can send. Its error is that the session is over.
func (s *session) prepare(ctx context.Context) error {
	sim, why := s.sim(ctx)
	s.m.update(func(st *Status) { st.SIM, st.Ready = sim, false })
	if sim != SIMReady {
		s.m.problem(why)
		return s.over(ctx)
	}
	if _, err := s.command(ctx, "+CMGF=0", "", quick); err != nil {
		s.m.problem(fmt.Sprintf("PDU mode: %v", err))
		return s.over(ctx)
	}
	s.try(ctx, "+CSMS=0", quick) // else each text received has to be acknowledged with AT+CNMA
	s.route(ctx)
	s.m.update(func(st *Status) { st.Ready = true })
	s.look(ctx)
	return s.over(ctx)
}

// over returns why the session cannot go on, nil if it can.
func (s *session) over(ctx context.Context) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return s.dead
}

// route asks to be told of what comes in: texts are stored and announced (mt 1), reports handed over (ds 1). Modems
// differ in the modes they know (TS 27.005, clause 3.4.1); with none, the memory is still read at each poll.
func (s *session) route(ctx context.Context) {
	for _, mode := range []string{"2,1,0,1,0", "1,1,0,1,0", "2,1,0,0,0", "1,1,0,0,0", "2,1"} {
		if s.try(ctx, "+CNMI="+mode, quick) || s.dead != nil {
			return
		}
	}
}

// busySIM is how often a SIM that is still busy is asked, once a second.
const busySIM = 30

// sim returns the state of the card, and the words for it if it is not ready. A PIN is given if it asks for one.
func (s *session) sim(ctx context.Context) (SIM, string) {
	state := s.card(ctx)
	if state == SIMReady {
		s.accepted()
	}
	if state != SIMNeedsPIN {
		return state, state.String()
	}
	return s.unlock(ctx)
}

// card asks for the state of the card, and waits while it is busy.
func (s *session) card(ctx context.Context) SIM {
	for range busySIM {
		lines, err := s.command(ctx, "+CPIN?", "+CPIN:", slow)
		if err == nil {
			return cardState(strings.TrimSpace(strings.TrimPrefix(lines[0], "+CPIN:")))
		}
		var f *Fault
		if !errors.As(err, &f) {
			return SIMFaulty
		}
		switch {
		case f.Kind == "CME" && f.Code == 14:
			_ = s.skip(ctx, time.Second, "")
		case f.Kind == "CME" && f.Code == 10, f.Kind == "CMS" && f.Code == 310:
			return SIMMissing
		case f.Kind == "CME" && f.Code == 11, f.Kind == "CMS" && f.Code == 311:
			return SIMNeedsPIN
		case f.Kind == "CME" && f.Code == 12:
			return SIMNeedsPUK
		default:
			return SIMFaulty
		}
	}
	return SIMFaulty
}

func cardState(word string) SIM {
	switch strings.Trim(word, `"`) {
	case "READY":
		return SIMReady
	case "SIM PIN":
		return SIMNeedsPIN
	case "SIM PUK":
		return SIMNeedsPUK
	}
	return SIMFaulty
}

// unlock gives the PIN, once. Three wrong ones lock the card, so it is not given again after anything but success:
// not in this run, not after a restart (Options.Guard), and not while the SIM itself counts a failure.
func (s *session) unlock(ctx context.Context) (SIM, string) {
	if s.m.pinTried {
		return SIMRefusedPIN, SIMRefusedPIN.String()
	}
	if left, ok := s.triesLeft(ctx); ok && left < 3 {
		return SIMRefusedPIN, fmt.Sprintf("%v: the SIM counts a failure, %d tries left", SIMRefusedPIN, left)
	}
	if s.m.o.Guard != nil {
		marked, err := s.m.o.Guard.Marked()
		if marked || err != nil {
			return SIMRefusedPIN, strings.TrimSuffix(fmt.Sprintf("%v: %v", SIMRefusedPIN, err), ": <nil>")
		}
	}
	pin, err := s.m.pin()
	if err != nil {
		return SIMNeedsPIN, fmt.Sprintf("%v: %v", SIMNeedsPIN, err)
	}
	if s.dead != nil || ctx.Err() != nil {
		return SIMNeedsPIN, SIMNeedsPIN.String()
	}
	return s.give(ctx, pin)
}

// give sends the PIN and looks what became of it.
func (s *session) give(ctx context.Context, pin string) (SIM, string) {
	if s.m.o.Guard != nil {
		if err := s.m.o.Guard.Mark(); err != nil {
			return SIMNeedsPIN, fmt.Sprintf("%v: it is not given: a refusal could not be remembered: %v", SIMNeedsPIN, err)
		}
	}
	s.m.pinTried = true
	s.try(ctx, `+CPIN="`+pin+`"`, slow)
	if s.card(ctx) != SIMReady {
		return SIMRefusedPIN, SIMRefusedPIN.String()
	}
	s.accepted()
	return SIMReady, ""
}

// accepted notes that the card is open: a PIN that was given was right.
func (s *session) accepted() {
	if !s.m.pinTried {
		return
	}
	s.m.pinTried = false
	if s.m.o.Guard == nil {
		return
	}
	if err := s.m.o.Guard.Clear(); err != nil {
		s.m.o.Log.Warn("mark of the SIM PIN stays", "modem", s.m.o.Name, "reason", err)
	}
}

// triesLeft asks how often a PIN may still be given (AT+CPINR, TS 27.007, clause 8.65); many modems do not know.
func (s *session) triesLeft(ctx context.Context) (int, bool) {
	lines, err := s.command(ctx, `+CPINR="SIM PIN"`, "+CPINR:", quick)
	if err != nil {
		return 0, false
	}
	return field(fields(lines[0], "+CPINR:"), 1)
}

// pin reads the PIN. Its errors do not hold it.
func (m *Modem) pin() (string, error) {
	if m.o.PIN == nil {
		return "", errors.New("none is configured")
	}
	text, err := m.o.PIN()
	if err != nil {
		return "", err
	}
	text = strings.TrimSpace(text)
	if len(text) < 4 || len(text) > 8 || strings.Trim(text, "0123456789") != "" {
		return "", errors.New("its file does not hold 4 to 8 digits") // 3GPP TS 31.101, clause 9.5.1
	}
	return text, nil
}

// MarkFile returns a guard that keeps its mark as a file at path, in a folder that exists. After a refusal a person
// corrects the PIN and deletes the file.
func MarkFile(path string) PINGuard { return markFile(path) }

type markFile string

// Marked reports whether the file exists.
func (f markFile) Marked() (bool, error) {
	_, err := os.Stat(string(f))
	switch {
	case err == nil:
		return true, fmt.Errorf("correct it, then delete %s", string(f))
	case errors.Is(err, os.ErrNotExist):
		return false, nil
	}
	return false, err
}

// Mark makes the file and sees that it is on the disk.
func (f markFile) Mark() error {
	file, err := os.OpenFile(string(f), os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = file.WriteString("The SIM's PIN was given and not accepted. Correct it, then delete this file.\n")
	return errors.Join(err, file.Sync(), file.Close())
}

// Clear removes the file.
func (f markFile) Clear() error { return os.Remove(string(f)) }
