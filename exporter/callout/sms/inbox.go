package sms

import (
	"slices"
	"time"

	"github.com/warthog618/sms/encoding/tpdu"

	"roundsman/exporter/callout"
)

// Limits of what is kept of received messages.
const (
	mostOpen  = 16              // messages of which parts are missing
	mostParts = 16              // parts of one message; an answer is short
	mostReady = 64              // answers not taken yet
	patience  = 5 * time.Minute // for a missing part
	mostSeen  = 128             // PDUs remembered to tell duplicates
)

// slot is where a message is stored: a memory ("SM", "ME", "SR") and an index. The zero slot is none: the modem
// handed the message over without storing it.
type slot struct {
	memory string
	index  int
}

// letter is a received message, complete or not.
type letter struct {
	from  string
	at    time.Time
	ref   int
	begun time.Time // when its first part came
	parts []*tpdu.TPDU
	pdus  []string
	slots []slot
	left  int // parts that are missing
}

// inbox puts received parts together and keeps the answers until somebody takes them. Its owner is the goroutine of
// Modem.Run. A message stays stored in the SIM until its answer was taken, so that a power cut loses none; then its
// slots are in erase.
type inbox struct {
	country string
	open    []*letter
	ready   []*letter
	seen    []string // PDUs of messages that were taken, oldest first
	erase   []slot
	dropped int // answers lost because nobody took them and they were not stored
}

// take adds a received part that is stored in s. A PDU that came before is a duplicate: it counts for nothing, but
// its slot does.
func (b *inbox) take(now time.Time, pdu string, a arrived, s slot) {
	if b.duplicate(pdu, s) {
		return
	}
	l := b.letterOf(now, a)
	l.pdus = append(l.pdus, pdu)
	if s != (slot{}) {
		l.slots = append(l.slots, s)
	}
	if l.parts[a.seq-1] == nil {
		l.parts[a.seq-1] = a.part
		l.left--
	}
	if l.left == 0 {
		b.complete(l)
	}
}

func (b *inbox) duplicate(pdu string, s slot) bool {
	for _, old := range b.seen {
		if old == pdu {
			b.free(s)
			return true
		}
	}
	for _, list := range [][]*letter{b.open, b.ready} {
		for _, l := range list {
			for _, old := range l.pdus {
				if old == pdu {
					l.keep(s)
					return true
				}
			}
		}
	}
	return false
}

func (l *letter) keep(s slot) {
	for _, old := range l.slots {
		if old == s {
			return
		}
	}
	if s != (slot{}) {
		l.slots = append(l.slots, s)
	}
}

// free notes that a slot may be cleared, once: a second deletion could hit a message that came into the slot since.
func (b *inbox) free(s slot) {
	if s != (slot{}) && !slices.Contains(b.erase, s) {
		b.erase = append(b.erase, s)
	}
}

// letterOf finds the message that a part belongs to, or begins one.
func (b *inbox) letterOf(now time.Time, a arrived) *letter {
	from := sender(a.from, b.country, a.international)
	for _, l := range b.open {
		if l.from == from && l.ref == a.ref && len(l.parts) == a.total && a.total > 1 {
			return l
		}
	}
	at := a.at
	if at.IsZero() || at.After(now.Add(24*time.Hour)) {
		at = now
	}
	l := &letter{from: from, at: at, ref: a.ref, begun: now, parts: make([]*tpdu.TPDU, a.total), left: a.total}
	if len(b.open) >= mostOpen {
		b.complete(b.open[0])
	}
	b.open = append(b.open, l)
	return l
}

// complete moves a message to those that wait to be taken, with or without all its parts.
func (b *inbox) complete(l *letter) {
	for i, o := range b.open {
		if o == l {
			b.open = append(b.open[:i:i], b.open[i+1:]...)
			break
		}
	}
	if len(b.ready) >= mostReady {
		if len(l.slots) == 0 {
			b.dropped++
		} // else it is still stored and read again
		return
	}
	b.ready = append(b.ready, l)
}

// expire gives up waiting for parts: what came is handed on, an acceptance may be in it.
func (b *inbox) expire(now time.Time) {
	for _, l := range append([]*letter(nil), b.open...) {
		if now.Sub(l.begun) >= patience {
			b.complete(l)
		}
	}
}

// flush gives up waiting for any part: the memory is full.
func (b *inbox) flush() {
	for _, l := range append([]*letter(nil), b.open...) {
		b.complete(l)
	}
}

// next returns the oldest answer that nobody took yet.
func (b *inbox) next() (callout.Answer, bool) {
	if len(b.ready) == 0 {
		return callout.Answer{}, false
	}
	l := b.ready[0]
	a := callout.Answer{From: l.from, Text: wording(l.parts), At: l.at}
	a.Number, _ = ParseAnswer(a.Text)
	return a, true
}

// taken notes that the answer of next is in other hands: what is stored of it may go.
func (b *inbox) taken() {
	l := b.ready[0]
	b.ready = b.ready[1:]
	for _, s := range l.slots {
		b.free(s)
	}
	b.seen = append(b.seen, l.pdus...)
	if n := len(b.seen) - mostSeen; n > 0 {
		b.seen = append([]string(nil), b.seen[n:]...)
	}
}

// forget drops all slots: the port was opened anew, or the memory was cleared, and other messages may lie in them. What
// is still stored is read again and told for a duplicate.
func (b *inbox) forget() {
	b.erase = nil
	for _, list := range [][]*letter{b.open, b.ready} {
		for _, l := range list {
			l.slots = nil
		}
	}
}
