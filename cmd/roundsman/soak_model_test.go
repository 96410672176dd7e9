package main

import (
	"slices"
	"time"
)

// foresight says from the script alone what must ring and what may, in the words of the room and not of the engine: how long
// a pressure was low where it could be seen, how long a signal was lost. It has a margin for the rounds: when trouble
// lasts about as long as a delay, ringing and not ringing are both right.
type foresight struct{ script }

// claim is a time in which an alarm must ring, or may.
type claim struct {
	must     bool
	from, to time.Duration
}

// touches reports whether the alarm is active at some time of the claim.
func (c claim) touches(a activation) bool { return a.from <= c.to && a.to >= c.from }

const (
	// seenLate is how long it may take until a change is seen: a round, three tries of half a second, and the hold of a
	// failed current.
	seenLate = soakPoll + 3*500*time.Millisecond + 2*time.Second
	// backLate is the longest until a line that was lost is read again: the wait before it is opened, and a round.
	backLate = 15*time.Second + seenLate
	settled  = time.Second
)

// stretch is a time in the script.
type stretch struct{ from, to time.Duration }

// of returns the times of the kinds of trouble that touch a point, each longer by what it may take to be over.
func (m foresight) of(point int, late map[trouble]time.Duration) (list []stretch) {
	for _, e := range m.events {
		more, ok := late[e.kind]
		if ok && (e.kind >= unheard || e.point == point) {
			list = append(list, stretch{e.from, e.to + more})
		}
	}
	slices.SortFunc(list, func(a, b stretch) int { return int(a.from - b.from) })
	return list
}

// joined joins stretches that are less than a gap apart.
func joined(list []stretch, gap time.Duration) (out []stretch) {
	for _, s := range list {
		if n := len(out); n > 0 && s.from-out[n-1].to < gap {
			out[n-1].to = max(out[n-1].to, s.to)
			continue
		}
		out = append(out, s)
	}
	return out
}

// without returns how much of s no stretch of the list covers.
func (s stretch) without(list []stretch) time.Duration {
	left := s.to - s.from
	for _, o := range joined(list, 0) {
		if from, to := max(s.from, o.from), min(s.to, o.to); to > from {
			left -= to - from
		}
	}
	return left
}

// low claims the low alarms of a point. They must ring when the low was surely to be seen for longer than the delay, and
// may where it perhaps was: what cannot be seen neither counts nor starts anew. While the box is off time goes on.
func (m foresight) low(point int) (claims []claim) {
	hidden := m.of(point, map[trouble]time.Duration{wireOff: seenLate, unheard: backLate, boxOff: backLate})
	surely := m.of(point, map[trouble]time.Duration{wireOff: 0, unheard: 0})
	lows := m.of(point, map[trouble]time.Duration{lowAir: 0})
	sum := time.Duration(0)
	for i, s := range lows {
		// Two lows between which nothing else was seen are one to whoever looks.
		if i == 0 || (stretch{lows[i-1].to, s.from}).without(hidden) > seenLate+settled {
			sum = 0
		}
		sum += s.without(surely)
		cuts := 0
		for _, h := range hidden {
			if h.from < s.to && h.to > s.from {
				cuts++
			}
		}
		seen := s.without(hidden) - time.Duration(cuts+1)*seenLate
		switch {
		case seen > soakOn+settled:
			claims = append(claims, claim{true, s.from, s.to + seenLate})
		case sum+time.Duration(cuts+1)*seenLate >= soakOn-settled:
			claims = append(claims, claim{false, s.from, m.after(s.to, hidden)})
		}
	}
	return claims
}

// after is when it is seen that something ended: at once, or when the last of what hides it is over.
func (m foresight) after(end time.Duration, hidden []stretch) time.Duration {
	for _, h := range joined(hidden, seenLate) {
		if h.from < end+seenLate && h.to > end {
			end = h.to
		}
	}
	return end + seenLate
}

// lost claims the fault alarms of a point: they must ring when one trouble hid the signal for longer than the delay while
// the box looked on, and may where troubles one upon the other did.
func (m foresight) lost(point int) (claims []claim) {
	off := m.of(point, map[trouble]time.Duration{boxOff: backLate})
	for _, s := range m.of(point, map[trouble]time.Duration{wireOff: 0, unheard: 0}) {
		watched := slices.IndexFunc(off, func(o stretch) bool { return o.from < s.to && o.to > s.from }) < 0
		if watched && s.to-s.from > soakBadOn+seenLate+settled {
			claims = append(claims, claim{true, s.from, s.to + seenLate})
		}
	}
	may := m.of(point, map[trouble]time.Duration{wireOff: seenLate, unheard: backLate, boxOff: backLate})
	for _, s := range joined(may, seenLate) {
		if s.to-s.from >= soakBadOn-settled {
			claims = append(claims, claim{false, s.from, s.to})
		}
	}
	return claims
}
