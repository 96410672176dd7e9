package sms

import (
	"strconv"
	"strings"
	"time"
)

// Limits of what is kept of sent texts.
const (
	mostPostings  = 128
	mostReports   = 64
	mostUnfinshed = 16
)

// posting is a text for whose parts reports are expected.
type posting struct {
	key, to string
	refs    []int // the modem's reference of each part, 0 to 255
	heard   []bool
}

func (p *posting) reference() string {
	words := make([]string, len(p.refs))
	for i, r := range p.refs {
		words[i] = strconv.Itoa(r)
	}
	return strings.Join(words, ",")
}

// ledger matches status reports to the texts they are about. Its owner is the goroutine of Modem.Run.
type ledger struct {
	postings []*posting // oldest first
	ready    []Delivery
}

func (b *ledger) post(p *posting) {
	p.heard = make([]bool, len(p.refs))
	b.postings = append(b.postings, p)
	if len(b.postings) > mostPostings {
		b.postings = b.postings[1:]
	}
}

// report takes a status report. Status 0 to 0x1F: done; 0x20 to 0x3F: the network still tries; above: it gave up
// (TS 23.040, clause 9.2.3.15). References return after 256 texts, so the newest that fits is meant.
func (b *ledger) report(now time.Time, to string, r report) {
	if r.status >= 0x20 && r.status < 0x40 {
		return
	}
	d := Delivery{To: to, Reference: strconv.Itoa(r.ref), Delivered: r.status < 0x20, Final: true, At: r.done}
	if d.At.IsZero() || d.At.Year() < 2000 {
		d.At = now
	}
	for i := len(b.postings) - 1; i >= 0; i-- {
		p := b.postings[i]
		if at := p.part(to, r.ref); at >= 0 {
			d.Key, d.To, d.Reference = p.key, p.to, p.reference()
			p.heard[at] = true
			if d.Delivered && !p.complete() {
				return // until its other parts are there
			}
			b.postings = append(b.postings[:i:i], b.postings[i+1:]...)
			break
		}
	}
	b.ready = append(b.ready, d)
	if len(b.ready) > mostReports {
		b.ready = b.ready[1:]
	}
}

// part returns which part a report for this number and reference is about, -1 none. Networks may give the number in
// its national form, so its last digits count.
func (p *posting) part(to string, ref int) int {
	const telling = 7
	digits := strings.TrimPrefix(to, "+")
	if len(digits) < telling || !strings.HasSuffix(p.to, digits[len(digits)-telling:]) {
		return -1
	}
	for i, r := range p.refs {
		if r == ref && !p.heard[i] {
			return i
		}
	}
	return -1
}

func (p *posting) complete() bool {
	for _, h := range p.heard {
		if !h {
			return false
		}
	}
	return true
}

func (b *ledger) offer(to chan Delivery) (chan<- Delivery, Delivery) {
	if len(b.ready) == 0 {
		return nil, Delivery{}
	}
	return to, b.ready[0]
}

func (b *ledger) taken() { b.ready = b.ready[1:] }

// unfinished is a text in parts of which some were taken by the network: a repeat goes on where it stopped.
type unfinished struct {
	key, to, text string
	ref           byte
	refs          []int // of the parts that are done
}
