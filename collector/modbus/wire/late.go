package wire

import (
	"bytes"
	"time"
)

// A device that answers late is expected to answer at most lateFactor
// time-outs after its request, and at least leastLate.
const (
	lateFactor = 3
	leastLate  = time.Second
)

// lateness is what one unit may still answer to.
type lateness struct {
	requests [][]byte // without an answer, or with one that may have been an earlier one's
	first    time.Time
	until    time.Time // when no more answers can come
	answered bool
}

// sameShape reports whether an answer to a could pass for an answer to b.
// An exception passes for every request with the same function.
func sameShape(a, b []byte) bool { return a[1] == b[1] }

// longest is how late an answer may come.
func (r *RTU) longest() time.Duration { return max(lateFactor*r.timing.Timeout, leastLate) }

// note remembers a request that got no answer.
func (r *RTU) note(request []byte, sent time.Time) {
	l := r.late[request[0]]
	if l == nil {
		l = &lateness{first: sent}
		r.late[request[0]] = l
	}
	if l.answered {
		l.first, l.answered = sent, false
	}
	l.until = time.Now().Add(r.longest())
	for _, q := range l.requests {
		if bytes.Equal(q, request) {
			return
		}
	}
	l.requests = append(l.requests, bytes.Clone(request))
}

// awaitLate listens until no late answer can pass for the answer to this request.
func (r *RTU) awaitLate(request []byte) {
	l := r.late[request[0]]
	if l == nil {
		return
	}
	if time.Now().After(l.until) {
		delete(r.late, request[0])
		return
	}
	if !l.confuses(request) {
		return
	}
	if r.listen(r.buf[:], l.until) > 0 {
		r.quiet = time.Now().Add(r.timing.Silence)
	}
	delete(r.late, request[0])
}

// confuses reports whether a late answer could be taken for the request's own.
// A question repeated after silence is the same question: whichever answer
// comes is an answer to it.
func (l *lateness) confuses(request []byte) bool {
	for _, q := range l.requests {
		if sameShape(q, request) && (l.answered || !bytes.Equal(q, request)) {
			return true
		}
	}
	return false
}

// settle notes that the unit answered. Devices answer in order, so an answer
// that only this request can have means that nothing is outstanding. Otherwise
// the answer may have been the first request's, and the last one's comes as
// much later again.
func (r *RTU) settle(request []byte, sent time.Time) {
	l := r.late[request[0]]
	if l == nil {
		return
	}
	if !l.holds(request) {
		delete(r.late, request[0])
		return
	}
	delay := time.Since(l.first)
	l.until = sent.Add(min(delay+delay/4, r.longest()))
	l.answered = true
	l.requests = append(l.requests[:0], bytes.Clone(request))
}

func (l *lateness) holds(request []byte) bool {
	for _, q := range l.requests {
		if sameShape(q, request) {
			return true
		}
	}
	return false
}
