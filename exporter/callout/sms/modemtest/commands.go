package modemtest

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
)

func itoa(n int) string { return strconv.Itoa(n) }

// state is what a connection is doing. It is guarded by the modem's lock.
type state struct {
	m      *Modem
	w      *wire
	held   strings.Builder // the command line or text so far
	text   bool            // a text is being given
	length int             // announced for it
	busy   bool            // the network is asked: input is thrown away (V.250 allows to abort; this one does not)
}

// Serve speaks on a port until it fails.
func (m *Modem) Serve(rw io.ReadWriteCloser) error {
	w := newWire(rw)
	s := &state{m: m, w: w}
	m.mu.Lock()
	if m.line != nil {
		m.line.close() // it is the same modem
	}
	m.line, m.opened = w, m.opened+1
	m.mu.Unlock()
	m.wg.Go(func() { w.send(m.split) })
	defer w.close()
	buf := make([]byte, 256)
	for {
		n, err := rw.Read(buf)
		m.mu.Lock()
		for _, c := range buf[:n] {
			s.take(c)
		}
		m.mu.Unlock()
		if err != nil {
			m.mu.Lock()
			if m.line == w {
				m.line = nil
			}
			m.mu.Unlock()
			return err
		}
	}
}

func (m *Modem) split() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.f.Split
}

// take takes one character.
func (s *state) take(c byte) {
	if s.m.echo && !s.busy && !s.m.f.Mute {
		s.w.put(string([]byte{c}))
	}
	switch {
	case s.busy, s.m.f.Mute:
		return
	case s.m.f.LateOK && s.last() != nil: // any character ends a call that is being set up (V.250, clause 5.6.1)
		s.last().Ended = time.Now()
		s.answer("NO CARRIER")
	case s.text && c == 0x1B:
		s.text = false
		s.held.Reset()
		s.w.lines("OK")
	case s.text && c == 0x1A:
		s.text = false
		pdu := s.held.String()
		s.held.Reset()
		s.send(pdu)
	case s.text:
		s.held.WriteByte(c)
	case c == '\r':
		cmd := s.held.String()
		s.held.Reset()
		if len(cmd) >= 2 && strings.EqualFold(cmd[:2], "AT") {
			s.obey(cmd[2:])
		} // anything else is passed over (V.250, clause 5.2.1)
	case c == 0x1B, c == '\n':
		s.held.Reset()
	default:
		s.held.WriteByte(c)
	}
}

// answer sends lines and the final result, with what the faults put between.
func (s *state) answer(result string, lines ...string) {
	for _, l := range lines {
		s.w.lines(l)
		s.noise()
	}
	for _, l := range s.m.f.Midway {
		s.w.lines(l)
		s.noise()
	}
	if result != "" {
		s.w.lines(result)
		s.noise()
	}
}

func (s *state) noise() {
	if g := s.m.f.Garbage; g != "" {
		s.w.put(g)
	}
}

// cme gives an equipment error in the form that AT+CMEE has set.
func (s *state) cme(code int) {
	if s.m.errors == 0 {
		s.answer("ERROR")
		return
	}
	s.answer("+CME ERROR: " + itoa(code))
}

func (s *state) cms(code int) { s.answer("+CMS ERROR: " + itoa(code)) }

// obey does a command line without its AT. Commands are not concatenated by us, so they are not here.
func (s *state) obey(cmd string) {
	if s.m.f.Babble {
		s.w.put("\x81\x13~~\r\nx#\r\n")
		return
	}
	name, args, set := strings.Cut(cmd, "=")
	name = strings.ToUpper(name)
	if slices.Contains(s.m.f.Refused, strings.TrimSuffix(name, "?")) {
		s.answer("ERROR")
		return
	}
	switch {
	case name == "":
		s.answer("OK")
	case strings.HasPrefix(name, "D"):
		s.dial(cmd[1:])
	case set && s.set(name, args):
	case !set && s.ask(name):
	default:
		s.answer("ERROR")
	}
}

// set does the commands with values.
func (s *state) set(name, args string) bool {
	switch name {
	case "+CMEE":
		s.flag(args, 2, func(n int) { s.m.errors = n })
	case "+CPIN":
		s.pin(args)
	case "+CPINR":
		s.counter(args)
	case "+CMGF":
		s.card(func() { s.flag(args, 1, func(n int) { s.m.pduMode = n == 0 }) })
	case "+CSMS":
		s.flag(args, 0, func(int) {})
	case "+CNMI":
		s.card(func() { s.route(args) })
	case "+CPMS":
		s.card(func() { s.memory(args) })
	case "+CMGL":
		s.card(func() { s.list(args) })
	case "+CMGR":
		s.card(func() { s.read(args) })
	case "+CMGD":
		s.card(func() { s.erase(args) })
	case "+CMGS":
		s.card(func() { s.begin(args) })
	default:
		return false
	}
	return true
}

func (s *state) flag(args string, most int, do func(int)) {
	n, err := strconv.Atoi(args)
	if err != nil || n < 0 || n > most {
		s.cme(50)
		return
	}
	do(n)
	s.answer("OK")
}

// ask does the commands without values and the questions.
func (s *state) ask(name string) bool {
	f := &s.m.f
	switch name {
	case "E0":
		if f.EchoStays {
			return false
		}
		s.m.echo = false
		s.answer("OK")
	case "+CMEE?":
		s.answer("OK", "+CMEE: "+itoa(s.m.errors))
	case "+CPIN?":
		s.simState()
	case "+CREG?":
		return s.registration("+CREG", f.CREG)
	case "+CEREG?":
		return s.registration("+CEREG", f.CEREG)
	case "+CSQ":
		s.answer("OK", fmt.Sprintf("+CSQ: %d,99", f.RSSI))
	case "+COPS?":
		s.answer("OK", `+COPS: 0,0,"Testnet",7`)
	case "+CPMS?":
		one := fmt.Sprintf(`"%s",%d,%d`, s.m.current, len(s.m.store), f.Room)
		s.card(func() { s.answer("OK", "+CPMS: "+one+","+one+","+one) })
	case "+CLCC":
		s.callState()
	case "+CHUP", "H":
		s.hangUp()
	default:
		return false
	}
	return true
}

// card does what needs an open card.
func (s *state) card(do func()) {
	switch s.m.f.SIM {
	case "READY":
		do()
	case "SIM PIN":
		s.cms(311)
	case "SIM PUK":
		s.cms(312)
	default:
		s.cms(310)
	}
}

func (s *state) simState() {
	f := &s.m.f
	switch {
	case f.SIM == "":
		s.cme(10)
	case f.SIMBusy > 0:
		f.SIMBusy--
		s.cme(14)
	default:
		s.answer("OK", "+CPIN: "+f.SIM)
	}
}

// pin takes a PIN; strings stand in quotes (TS 27.007, clause 8.3).
func (s *state) pin(args string) {
	f := &s.m.f
	pin, quoted := strings.CutPrefix(strings.TrimSuffix(args, `"`), `"`)
	if !quoted || f.SIM != "SIM PIN" {
		s.cme(3)
		return
	}
	s.m.pins = append(s.m.pins, pin)
	if pin == f.PIN {
		f.SIM, f.Tries = "READY", 3
		s.answer("OK")
		return
	}
	if f.Tries--; f.Tries <= 0 {
		f.SIM = "SIM PUK"
		s.cme(12)
		return
	}
	s.cme(16)
}

func (s *state) counter(args string) {
	if s.m.f.NoCounter || args != `"SIM PIN"` {
		s.answer("ERROR")
		return
	}
	s.answer("OK", fmt.Sprintf(`+CPINR: SIM PIN,%d,3`, s.m.f.Tries))
}

func (s *state) registration(name string, stat int) bool {
	if stat < 0 {
		return false
	}
	s.answer("OK", fmt.Sprintf("%s: 0,%d", name, stat))
	return true
}

// begin takes AT+CMGS=length and gives the prompt: CR LF > space (TS 27.005, clause 4.3).
func (s *state) begin(args string) {
	n, err := strconv.Atoi(args)
	switch f := &s.m.f; {
	case !s.m.pduMode:
		s.cms(302)
	case err != nil || n < 8 || n > 164:
		s.cms(304)
	case f.HangUpAt == "prompt":
		s.w.close()
	case f.NoPrompt:
		s.text = true // it waits for a text all the same
	default:
		s.text, s.length = true, n
		s.w.put("\r\n> ")
	}
}

// send takes the text and gives it to the network.
func (s *state) send(pdu string) {
	t, err := ParseSubmit(pdu, s.length)
	if err != nil {
		s.cms(304)
		return
	}
	f := &s.m.f
	code := 0
	if len(f.SendErrors) > 0 {
		code, f.SendErrors = f.SendErrors[0], f.SendErrors[1:]
	}
	if code == 0 && f.CREG != 1 && f.CREG != 5 && f.CEREG != 1 && f.CEREG != 5 {
		code = 331
	}
	s.after(f.SendDelay, func() { s.sent(t, code) })
}

func (s *state) sent(t Text, code int) {
	if code != 0 {
		s.cms(code)
		return
	}
	s.m.mr = (s.m.mr + 1) & 0xFF
	t.Reference, t.At = s.m.mr, time.Now()
	s.m.texts = append(s.m.texts, t)
	switch f := &s.m.f; {
	case f.HangUpAt == "pdu":
		s.w.close()
	case f.NoResult:
	default:
		s.answer("OK", "+CMGS: "+itoa(s.m.mr))
	}
}

// after does something when the network has answered.
func (s *state) after(d time.Duration, do func()) {
	if d <= 0 {
		do()
		return
	}
	s.busy = true
	time.AfterFunc(d, func() {
		s.m.mu.Lock()
		defer s.m.mu.Unlock()
		s.busy = false
		do()
	})
}
