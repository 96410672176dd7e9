package mqtt

import (
	"fmt"
	"time"

	"roundsman/collector"
	"roundsman/collector/mqtt/payload"
)

// age is what a message says of its own time.
type age struct {
	stamp   time.Time     // as sent; zero: none that can be read
	old     time.Duration // since stamp; negative: the device's clock is ahead
	trusted bool          // stamp is believed; else the arrival counts
	doubt   string        // why not, "" where no stamp was asked for
}

// age reads a time stamp and decides whether to believe it.
func (p *point) age(v payload.Value, now instant) age {
	if p.time.String() == "" {
		return age{}
	}
	if !v.Found() {
		return age{doubt: fmt.Sprintf("no time stamp at %s, time of arrival used", p.time)}
	}
	stamp, err := payload.Stamp(v)
	if err != nil {
		return age{doubt: fmt.Sprintf("time stamp %s: %v, time of arrival used", payload.Quote(v.Raw()), err)}
	}
	a := age{stamp: stamp, old: now.wall.Sub(stamp)}
	a.trusted = a.old >= -mostAhead && a.old <= mostBehind
	if !a.trusted {
		a.doubt = fmt.Sprintf("time stamp %s is far off, set the device's clock, time of arrival used", stamp.Format(time.RFC3339))
	}
	return a
}

// tooOld says why a retained message cannot be taken for the present value, "" if it can.
func (p *point) tooOld(a age, m *message) string {
	if !m.retained || p.spec.OnChange {
		return ""
	}
	most := p.spec.StaleAfter
	if most <= 0 {
		most = retainedFor
	}
	switch {
	case !a.trusted:
		return "kept by the broker, and nothing says how old it is"
	case a.old > most:
		return fmt.Sprintf("kept by the broker, %v old, at most %v", a.old.Round(time.Second), most)
	}
	return ""
}

// kept returns the reading of a retained message that is too old. A value that
// came live and is still fresh, or would be but for the link, stands against it.
func (p *point) kept(m *message, why string) (collector.Reading, bool) {
	if p.fresh || p.holds(m.at) {
		return collector.Reading{}, false
	}
	p.shown = collector.Retained
	return collector.Fail(p.spec.ID, collector.Retained, p.raw, m.at, why), true
}

// repeats reports whether a value is one already taken, or older than that: a
// message sent twice, history sent late, or a gateway that repeats the last
// value of a dead sensor. It makes nothing younger. Where a time stamp is not believed, the
// same stamp with another value is another measurement. A device clock that is
// set back is silent until it has caught up, and goes stale.
func (p *point) repeats(a age, n float64) bool {
	switch {
	case a.stamp.IsZero() || p.stamp.IsZero() || a.trusted != p.trusted:
		return false
	case a.trusted && a.stamp.Before(p.stamp):
		return true
	case !a.stamp.Equal(p.stamp) || n != p.raw:
		return false
	}
	// The same again restores a point that only a bad message took away, as long as it is not too old.
	return p.fresh || p.shown == collector.Stale
}
