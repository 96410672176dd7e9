package sms

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// unsolicited takes a line that is no part of an answer, and reports whether it was one.
func (s *session) unsolicited(l line) bool {
	if s.awaits != "" && s.awaited(l) {
		return true
	}
	name, _, _ := strings.Cut(l.text, ":")
	switch name {
	case "BUSY", "NO CARRIER", "NO ANSWER", "NO DIALTONE", "NO DIAL TONE":
		if s.call != nil {
			*s.call = name
		}
		return true
	case "+CMTI", "+CDSI": // stored: memory, index
		f := fields(l.text, name+":")
		if i, ok := field(f, 1); ok {
			s.announced(slot{f[0], i})
		}
		return true
	case "+CMT": // [name,] length, and the PDU in the next line
		f := fields(l.text, "+CMT:")
		s.expect(name, f, len(f)-1)
		return true
	case "+CDS": // length
		s.expect(name, fields(l.text, "+CDS:"), 0)
		return true
	case "+CREG", "+CEREG":
		return s.moved(name, l.text)
	case "RING", "+CRING", "+CLIP", "+CGREG":
		return true
	}
	return false
}

// mostHollow is how often an announced message may turn out not to be there until the next poll: a modem that
// announces one with every answer would keep us reading for ever.
const mostHollow = 3

// announced notes a stored message that is to be read. What is left out is found when the memory is read.
func (s *session) announced(at slot) {
	if len(s.fetch) < 256 && s.hollow[at] < mostHollow && !slices.Contains(s.fetch, at) {
		s.fetch = append(s.fetch, at)
	}
}

func (s *session) expect(name string, values []string, at int) {
	s.awaits, s.length = name, -1
	if n, ok := field(values, at); ok {
		s.length = n
	}
}

// awaited takes the line with the PDU of an unsolicited message. Garbage before it is passed over; a line that is
// something of its own ends the waiting.
func (s *session) awaited(l line) bool {
	if done, _ := final("", l.text); done || l.prompt || strings.HasPrefix(l.text, "+") {
		s.awaits = ""
		return false
	}
	if !hexadecimal(l.text) {
		s.garbage()
		return true
	}
	s.awaits = ""
	s.arrive(l.text, s.length, slot{})
	return true
}

// moved takes '+CREG: stat' or '+CREG: stat,"area","cell"'; '+CREG: mode,stat' is the answer to a question.
func (s *session) moved(name, text string) bool {
	_, rest, more := strings.Cut(text, ",")
	if more && !strings.HasPrefix(strings.TrimSpace(rest), `"`) {
		return false
	}
	stat, ok := field(fields(text, name+":"), 0)
	if !ok {
		return true
	}
	if name == "+CREG" {
		s.cs = registration(stat)
	} else {
		s.eps = registration(stat)
	}
	s.note()
	return true
}

func (s *session) garbage() { s.m.update(func(st *Status) { st.Unreadable++ }) }

// arrive takes a PDU that came in. It reports whether it could be read.
func (s *session) arrive(pdu string, length int, at slot) bool {
	a, err := incoming(pdu, length)
	if err != nil {
		s.garbage()
		return false
	}
	if a.report != nil {
		s.m.sent.report(time.Now(), a.from, *a.report)
		s.m.inbox.free(at)
		return true
	}
	if a.total > mostParts {
		s.m.inbox.free(at)
		s.garbage()
		return true
	}
	before := s.m.inbox.dropped
	s.m.inbox.take(time.Now(), strings.ToUpper(pdu), a, at)
	if lost := s.m.inbox.dropped - before; lost > 0 {
		s.m.update(func(st *Status) { st.Dropped += lost })
	}
	return true
}

// tidy reads what was announced and deletes what was taken, also what comes up meanwhile.
func (s *session) tidy(ctx context.Context) {
	for s.over(ctx) == nil && !s.skewed {
		switch b := &s.m.inbox; {
		case len(s.fetch) > 0:
			at := s.fetch[0]
			s.fetch = s.fetch[1:]
			s.readOne(ctx, at)
		case len(b.erase) > 0:
			at := b.erase[0]
			b.erase = b.erase[1:]
			s.eraseOne(ctx, at)
		default:
			return
		}
	}
}

// eraseOne deletes a stored message. If that is refused it is found again when the memory is read, and told for a
// duplicate.
func (s *session) eraseOne(ctx context.Context, at slot) {
	if s.choose(ctx, at.memory) {
		s.try(ctx, fmt.Sprintf("+CMGD=%d", at.index), slow)
		delete(s.poor, at)
	}
}

// present names the memory of a modem that does not tell which it uses.
const present = "-"

// choose selects the memory that messages are read from and deleted in.
func (s *session) choose(ctx context.Context, memory string) bool {
	if memory == present || memory == s.memory {
		return true
	}
	_, err := s.command(ctx, `+CPMS="`+memory+`"`, "+CPMS:", slow)
	if err != nil {
		s.memory = ""
		return false
	}
	s.memory = memory
	return true
}

// readOne reads the message stored at a slot; there may be none any more.
func (s *session) readOne(ctx context.Context, at slot) {
	if !s.choose(ctx, at.memory) {
		return
	}
	lines, err := s.ask(ctx, query{cmd: fmt.Sprintf("+CMGR=%d", at.index), prefix: "+CMGR:", pdus: true, bare: true, limit: slow})
	if err != nil || len(lines) < 2 {
		s.hollow[at]++
		return // the memory is read at each poll
	}
	f := fields(lines[0], "+CMGR:") // stat, [name], length
	length, ok := field(f, len(f)-1)
	if !ok {
		length = -1
	}
	s.stored(lines[1], length, at)
}

// stored takes a message that lies in a memory. One that cannot be read twice is deleted: it would lie there for ever.
func (s *session) stored(pdu string, length int, at slot) {
	if s.arrive(pdu, length, at) {
		return
	}
	if s.poor[at]++; s.poor[at] >= 2 {
		s.m.inbox.free(at)
	} else {
		s.announced(at)
	}
}

// memoryFull reads the memory if there is anything in it and reports whether it is full even so. Messages that
// arrived while the box was off, or whose announcement was lost, are found here.
func (s *session) memoryFull(ctx context.Context) bool {
	used, room, ok := s.usage(ctx)
	if ok && used == 0 {
		return false
	}
	s.readAll(ctx)
	s.tidy(ctx)
	if !ok || used < room {
		return false
	}
	s.m.inbox.flush() // parts wait for others that cannot arrive
	s.tidy(ctx)
	if used, room, ok = s.usage(ctx); !ok || used < room {
		return false
	}
	s.try(ctx, "+CMGD=1,2", slow) // all that was read, and all that was sent; what nobody took yet is in our memory
	s.m.inbox.forget()
	used, room, ok = s.usage(ctx)
	return ok && used >= room
}

// usage reads how full the memory is that receives messages, and selects it: AT+CPMS? gives name, used and total of
// the memories to read from, to write to, and to receive into (TS 27.005, clause 3.2.2).
func (s *session) usage(ctx context.Context) (used, room int, ok bool) {
	lines, err := s.command(ctx, "+CPMS?", "+CPMS:", slow)
	if err != nil {
		return 0, 0, false
	}
	f := fields(lines[0], "+CPMS:")
	at := len(f) - 3 // the last of one, two or three
	used, gotUsed := field(f, at+1)
	room, gotRoom := field(f, at+2)
	if at < 0 || !gotUsed || !gotRoom {
		return 0, 0, false
	}
	s.memory = f[0]
	s.m.update(func(st *Status) { st.Stored, st.Room = used, room })
	return used, room, s.choose(ctx, f[at])
}

// readAll reads every stored message (4: all). Those that were written or sent by somebody (2, 3) are not ours.
func (s *session) readAll(ctx context.Context) {
	memory := orElse(s.memory, present)
	lines, err := s.ask(ctx, query{cmd: "+CMGL=4", prefix: "+CMGL:", pdus: true, bare: true, limit: slow})
	var f *Fault
	if err != nil && !errors.As(err, &f) {
		return
	}
	for i := 0; i+1 < len(lines); i += 2 {
		f := fields(lines[i], "+CMGL:") // index, stat, [name], length
		index, ok1 := field(f, 0)
		stat, ok2 := field(f, 1)
		length, ok3 := field(f, len(f)-1)
		if ok1 && ok2 && ok3 && stat < 2 {
			s.stored(lines[i+1], length, slot{memory, index})
		}
	}
}
