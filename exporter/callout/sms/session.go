package sms

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
)

// Time limits of commands. TS 27.005 and 27.007 name none; these are usual ones (common practice, no source).
const (
	quick  = 5 * time.Second  // answered by the modem itself
	slow   = 20 * time.Second // answered by the SIM or after asking the network
	prompt = 10 * time.Second // '> ' after AT+CMGS
	posted = 60 * time.Second // the network's acknowledgement of a text
	stall  = 10 * time.Second // for the port to take what is written
)

const (
	esc   = "\x1b" // abandons a text
	ctrlZ = "\x1a" // ends it
)

// session is the modem while its port is open. It belongs to the goroutine of Run, except read.
//
// The AT loop is our own. github.com/warthog618/modem/at does not tell 'no prompt came' (surely not sent) from 'no
// result came' (perhaps sent), takes a late result of one command for the next one's, and starts goroutines for
// indications that nobody waits for.
type session struct {
	m      *Modem
	port   io.ReadWriteCloser
	lines  chan line
	closed chan struct{}
	why    error // why lines was closed; read after that only

	dead   error        // set once the session is over
	skewed bool         // a result may still come that belongs to nothing any more
	awaits string       // the unsolicited line whose second line, a PDU, comes next
	length int          // announced with it
	fetch  []slot       // stored messages that are to be read
	memory string       // that AT+CPMS has selected; "" not known
	poor   map[slot]int // stored messages that could not be read, and how often
	hollow map[slot]int // announced messages that were not there, since the last poll
	call   *string      // nil: no call is in progress; else the result that ended it, "" while it lasts
	cs     Registration // circuit-switched
	eps    Registration // LTE
}

func newSession(m *Modem, port io.ReadWriteCloser) *session {
	m.inbox.forget()
	return &session{m: m, port: port, lines: make(chan line, 64), closed: make(chan struct{}), poor: map[slot]int{}, hollow: map[slot]int{}}
}

// close ends the session and the reading goroutine.
func (s *session) close() {
	close(s.closed)
	s.port.Close()
}

// line is what the modem sent: a line without its end, or the prompt for a text.
type line struct {
	text   string
	prompt bool
}

// read splits what the modem sends into lines until the port fails. It runs in a goroutine of its own.
func (s *session) read() {
	defer close(s.lines)
	var sp splitter
	buf := make([]byte, 512)
	for idle := 0; ; {
		n, err := s.port.Read(buf)
		for _, l := range sp.add(buf[:n]) {
			select {
			case s.lines <- l:
			case <-s.closed:
				return
			}
		}
		if idle++; n > 0 {
			idle = 0
		}
		if err == nil && idle > 100 {
			err = io.ErrNoProgress
		}
		if err != nil {
			s.why = err
			return
		}
	}
}

// splitter cuts a stream into lines, however it is split over reads.
type splitter struct{ held []byte }

// longestLine is over that of the longest PDU, 2 x (12 + 164) characters.
const longestLine = 1024

// add returns the lines that the bytes complete. CR and LF both end a line, empty ones are left out; '> ' at the
// beginning of a line is the prompt. What is longer than any line, and bytes that no line holds, are thrown away.
func (sp *splitter) add(b []byte) []line {
	var out []line
	for _, c := range b {
		switch {
		case c == '\r' || c == '\n':
			if text := strings.TrimSpace(string(sp.held)); text != "" {
				out = append(out, line{text: text})
			}
			sp.held = sp.held[:0]
		case c == 0 || c == 0xFF: // a line that floats
		case len(sp.held) < longestLine:
			sp.held = append(sp.held, c)
			if string(sp.held) == "> " {
				out = append(out, line{prompt: true})
				sp.held = sp.held[:0]
			}
		}
	}
	return out
}

// next returns the next line that belongs to the command in progress. Unsolicited ones are taken on the way, and
// answers handed on.
func (s *session) next(ctx context.Context, limit <-chan time.Time) (line, error) {
	for {
		l, _, err := s.wait(ctx, limit, nil)
		if err != nil || !s.unsolicited(l) {
			return l, err
		}
	}
}

// wait returns the next line or the next request, errSilent after the limit.
func (s *session) wait(ctx context.Context, limit <-chan time.Time, requests <-chan *request) (line, *request, error) {
	for {
		answers, a := s.m.offer()
		reports, d := s.m.sent.offer(s.m.delivered)
		select {
		case <-ctx.Done():
			return line{}, nil, ctx.Err()
		case <-limit:
			return line{}, nil, errSilent
		case r := <-requests:
			return line{}, r, nil
		case answers <- a:
			s.m.handed()
			if requests != nil {
				return line{}, nil, nil // the loop deletes it
			}
		case reports <- d:
			s.m.sent.taken()
		case l, ok := <-s.lines:
			if !ok {
				s.dead = fmt.Errorf("%w: %w", errLost, s.why)
				return line{}, nil, s.dead
			}
			return l, nil, nil
		}
	}
}

// write sends text to the modem. A port that does not take it is closed.
func (s *session) write(text string) error {
	if s.dead != nil {
		return s.dead
	}
	guard := time.AfterFunc(stall, func() { s.port.Close() })
	defer guard.Stop()
	if _, err := io.WriteString(s.port, text); err != nil {
		s.dead = fmt.Errorf("%w: write: %w", errLost, err)
		return s.dead
	}
	return nil
}

// query is a command and what its answer looks like.
type query struct {
	cmd    string // without 'AT'
	prefix string // of the lines of its answer; "" it has none
	pdus   bool   // each such line is followed by one with a PDU
	bare   bool   // there may be no such line
	limit  time.Duration
}

// command sends AT and cmd and returns the lines of the answer that begin with prefix.
func (s *session) command(ctx context.Context, cmd, prefix string, limit time.Duration) ([]string, error) {
	return s.ask(ctx, query{cmd: cmd, prefix: prefix, limit: limit})
}

// ask sends the query and returns the lines of its answer. A result that comes before such a line is not this
// command's, unless there may be none. After a time-out the two sides are brought into step again. Errors name the
// command without its arguments.
func (s *session) ask(ctx context.Context, q query) ([]string, error) {
	lines, err := s.exchange(ctx, q)
	if errors.Is(err, errSilent) {
		if err := s.align(ctx); err != nil {
			return nil, err
		}
	}
	return lines, err
}

func (s *session) exchange(ctx context.Context, q query) ([]string, error) {
	if err := s.write("AT" + q.cmd + "\r"); err != nil {
		return nil, err
	}
	t := time.NewTimer(q.limit)
	defer t.Stop()
	var a reply
	for {
		l, err := s.next(ctx, t.C)
		if err != nil {
			return nil, wrap(verb(q.cmd), err)
		}
		if done, err := a.add(q, l.text); done {
			return a.lines, err
		}
	}
}

// reply collects the lines of an answer.
type reply struct {
	lines []string
	pdu   bool // the next one is a PDU
}

// add takes a line and reports whether the answer is complete, and with which error.
func (a *reply) add(q query, text string) (done bool, err error) {
	switch {
	case q.prefix != "" && strings.HasPrefix(text, q.prefix):
		if a.pdu { // the last one's PDU was lost
			a.lines = a.lines[:len(a.lines)-1]
		}
		a.lines, a.pdu = append(a.lines, text), q.pdus
		return false, nil
	case a.pdu && hexadecimal(text):
		a.lines, a.pdu = append(a.lines, text), false
		return false, nil
	}
	done, err = final(verb(q.cmd), text)
	if done && err == nil && q.prefix != "" && !q.bare && len(a.lines) == 0 {
		return false, nil
	}
	if done && a.pdu {
		a.lines = a.lines[:len(a.lines)-1]
	}
	return done, err
}

func hexadecimal(text string) bool {
	return len(text)%2 == 0 && len(text) > 0 && strings.Trim(text, "0123456789ABCDEFabcdef") == ""
}

// wrap says which command an error is of.
func wrap(command string, err error) error {
	if errors.Is(err, errLost) {
		return err
	}
	return fmt.Errorf("%s: %w", command, err)
}

// verb returns the command without its arguments: 'AT+CPIN=1234' is 'AT+CPIN'.
func verb(cmd string) string {
	if i := strings.IndexAny(cmd, "=?"); i >= 0 {
		cmd = cmd[:i]
	}
	if strings.HasPrefix(cmd, "D") {
		cmd = "D"
	}
	return "AT" + cmd
}

// settle is how long a modem is left alone after ESC before it gets a command.
const settle = 100 * time.Millisecond

// align brings both sides into step: whatever the modem was doing, the answer to this question can only come after
// all earlier ones. A modem that gives none in three tries is lost.
func (s *session) align(ctx context.Context) error { return s.alignIn(ctx, 3) }

// alignIn gives the modem more or fewer tries of five seconds.
func (s *session) alignIn(ctx context.Context, tries int) error {
	s.skewed = false
	for range tries {
		if err := s.write(esc + "\r"); err != nil {
			return err
		}
		if err := s.skip(ctx, settle, ""); err != nil && !errors.Is(err, errSilent) {
			return err
		}
		if err := s.write("AT+CMEE?\r"); err != nil {
			return err
		}
		err := s.skip(ctx, quick, "+CMEE:")
		if err == nil {
			err = s.skip(ctx, quick, "OK")
		}
		if !errors.Is(err, errSilent) {
			return err
		}
	}
	s.dead = fmt.Errorf("%w: the modem does not answer", errLost)
	return s.dead
}

// skip reads over lines to one that begins with the prefix ("" none does), errSilent if it does not come in time.
func (s *session) skip(ctx context.Context, limit time.Duration, prefix string) error {
	t := time.NewTimer(limit)
	defer t.Stop()
	for {
		l, err := s.next(ctx, t.C)
		if err != nil || prefix != "" && strings.HasPrefix(l.text, prefix) {
			return err
		}
	}
}
