package signin

import (
	"fmt"
	"hash/maphash"
	"net/netip"
	"time"

	"roundsman/collector"
)

// rate is how many tries are allowed: so many at once, then one in each stretch.
type rate struct {
	burst int
	each  time.Duration
}

// The rates. One address alone cannot shut a name out: it runs out of tries of its own before. Guessing a password of
// twelve letters at two tries a minute takes longer than anybody has.
var (
	byAddress = rate{burst: 10, each: time.Minute}
	byName    = rate{burst: 30, each: 30 * time.Second}
)

// slots of each table. A table never grows, whoever asks: keys that fall into the same slot share it, which can only
// make the limit tighter. Its seed is not known outside, so nobody can aim at a slot.
const slots = 1 << 12

// limits count tries by name and by address in a fixed amount of memory.
type limits struct {
	seed             maphash.Seed
	names, addresses [slots]bucket
}

func newLimits() *limits { return &limits{seed: maphash.MakeSeed()} }

// bucket is a leaky one: it holds the tries of late.
type bucket struct {
	tries float64
	at    collector.Moment
}

// take notes a try, or returns how long to wait for the next.
func (l *limits) take(name, from string, now collector.Moment) time.Duration {
	n, a := l.slot(&l.names, name), l.slot(&l.addresses, network(from))
	n.leak(byName, now)
	a.leak(byAddress, now)
	if wait := max(n.wait(byName), a.wait(byAddress)); wait > 0 {
		return wait
	}
	n.tries++
	a.tries++
	return 0
}

// giveBack takes a try back that was no wrong one.
func (l *limits) giveBack(name, from string) {
	for _, b := range []*bucket{l.slot(&l.names, name), l.slot(&l.addresses, network(from))} {
		b.tries = max(0, b.tries-1)
	}
}

func (l *limits) slot(table *[slots]bucket, key string) *bucket {
	return &table[maphash.String(l.seed, key)%slots]
}

func (b *bucket) leak(r rate, now collector.Moment) {
	b.tries = max(0, b.tries-float64(max(0, now.Sub(b.at)))/float64(r.each))
	b.at = now
}

func (b *bucket) wait(r rate) time.Duration {
	return max(0, time.Duration((b.tries+1-float64(r.burst))*float64(r.each)))
}

// network is what an address is counted by: itself, or the /64 of an IPv6 one, which belongs to one customer as a whole
// (RFC 6177, section 2).
func network(from string) string {
	a, err := netip.ParseAddr(from)
	if err != nil || a.Is4() {
		return from
	}
	p, err := a.Prefix(64)
	if err != nil {
		return from
	}
	return p.String()
}

// linesEach is the least time between two lines about refusals: somebody who guesses must not fill the journal.
const linesEach = time.Minute

// refusals gathers refusals into bursts.
type refusals struct {
	untold int
	told   collector.Moment // 0: never
}

// count notes a refusal and returns the line that is due, if one is: for the first at once, then for all of a minute.
func (r *refusals) count(name, from string, now collector.Moment) (Entry, bool) {
	r.untold++
	if r.told != 0 && now.Sub(r.told) < linesEach {
		return Entry{}, false
	}
	why := "from " + from
	if name != "" {
		why = "for " + name + ", " + why
	}
	if r.untold > 1 {
		why = fmt.Sprintf("%d in %s, the last %s", r.untold, now.Sub(r.told).Round(time.Second), why)
	}
	r.untold, r.told = 0, now
	return Entry{Kind: Refused, Why: why}, true
}
