package wire

import (
	"bytes"
	"time"
)

// A request is taken to be unanswerable lateFactor time-outs after its time-out,
// and not before leastLate. A slow device works off its queue, so each further
// request that waits in it adds as much again, up to mostQueued of them.
const (
	lateFactor = 3
	leastLate  = time.Second
	mostQueued = 8
)

// A question repeated this soon after it stayed unanswered is a further try of
// the same one; later it is a new question, which an old answer must not meet.
const retrySoon = 50 * time.Millisecond

// lateness is what one unit may still answer to.
type lateness struct {
	requests [][]byte // without an answer, or with one that may have been an earlier one's
	sends    int      // how many times they were sent
	first    time.Time
	failed   time.Time // when the last one was given up
	until    time.Time // when no more answers can come
	answered bool
}

// sameShape reports whether an answer with data to a could pass for one to b.
// Exceptions have one shape for all; see lateness.doubts.
func sameShape(a, b []byte) bool { return a[1] == b[1] && dataLength(a[1:]) == dataLength(b[1:]) }

// queued counts the requests that may wait for an answer somewhere behind the
// line: a gateway or a controller with several unit ids has one queue for all.
func (r *RTU) queued(now time.Time) int {
	n := 0
	for _, l := range r.late {
		if now.Before(l.until) {
			n += l.sends
		}
	}
	return n
}

// longest is how late answers to n requests may come.
func (r *RTU) longest(n int) time.Duration {
	return time.Duration(min(n, mostQueued)) * max(lateFactor*r.timing.Timeout, leastLate)
}

// note remembers a request that got no answer.
func (r *RTU) note(request []byte, sent time.Time) {
	l := r.late[request[0]]
	if l == nil {
		l = &lateness{first: sent}
		r.late[request[0]] = l
	}
	l.answered = false
	l.sends++
	l.failed = time.Now()
	l.until = l.failed.Add(r.longest(max(r.queued(l.failed), l.sends)))
	for _, q := range l.requests {
		if bytes.Equal(q, request) {
			return
		}
	}
	l.requests = append(l.requests, bytes.Clone(request))
}

// awaitLate listens until no late answer can pass for the answer to this
// request. It does not hold up the line for longer than leastLate: a unit that
// needs more is not asked now.
func (r *RTU) awaitLate(request []byte) *Error {
	l := r.late[request[0]]
	if l == nil {
		return nil
	}
	wait := time.Until(l.until)
	switch {
	case wait <= 0:
		delete(r.late, request[0])
	case !l.confuses(request):
	case wait > max(leastLate, r.timing.Timeout):
		return &Error{Reason: Waiting}
	default:
		if r.listen(r.buf[:], l.until) > 0 {
			r.quiet = time.Now().Add(r.timing.Silence)
		}
		delete(r.late, request[0])
	}
	return nil
}

// confuses reports whether a late answer could be taken for the request's own.
// To a further try of the same question whichever answer comes is an answer.
func (l *lateness) confuses(request []byte) bool {
	retry := !l.answered && time.Since(l.failed) <= retrySoon
	for _, q := range l.requests {
		if sameShape(q, request) && !(retry && bytes.Equal(q, request)) {
			return true
		}
	}
	return false
}

// doubts reports whether an exception could be the answer to another request with the same function.
func (r *RTU) doubts(request []byte) bool {
	l := r.late[request[0]]
	if l == nil {
		return false
	}
	for _, q := range l.requests {
		if q[1] == request[1] && !bytes.Equal(q, request) {
			return true
		}
	}
	return false
}

// settle notes that the unit answered. Devices answer in order, so an answer
// that only this request can have means that nothing is outstanding. Otherwise
// it may have been the answer to the first time the question was sent, and
// those to the other times come at the same pace.
func (r *RTU) settle(request []byte) {
	l := r.late[request[0]]
	if l == nil {
		return
	}
	if !l.holds(request) {
		delete(r.late, request[0])
		return
	}
	if !l.answered {
		now := time.Now()
		n := max(r.queued(now), l.sends)
		pace := now.Sub(l.first) * time.Duration(n+1)
		l.until = now.Add(min(max(l.first.Add(pace+pace/4).Sub(now), 0), r.longest(n)))
		l.answered = true
	}
}

func (l *lateness) holds(request []byte) bool {
	for _, q := range l.requests {
		if sameShape(q, request) {
			return true
		}
	}
	return false
}
