package modbus

import (
	"math/rand/v2"
	"time"

	"roundsman/collector"
)

// Waits between two tries to open the line.
const (
	redialFirst   = 500 * time.Millisecond
	redialLongest = 15 * time.Second
)

// backoff is the wait before the line is opened again: it doubles from half a
// second to 15 s, and each wait is cut by up to a half at random so that many
// links do not knock at one door together.
type backoff struct {
	wait  time.Duration
	until time.Time
}

func (b *backoff) fail(now time.Time) {
	b.wait = longer(b.wait, redialFirst, redialLongest)
	b.until = now.Add(b.wait/2 + rand.N(b.wait/2))
}

// load is the busy share of the line over the last rounds, older ones counting less.
type load struct {
	begun        time.Time
	busy         time.Duration // of the present round
	busySum, sum float64       // seconds
}

// loadMemory is the weight a round keeps when the next one comes.
const loadMemory = 0.9

// begin closes the account of the last round.
func (l *load) begin(now time.Time, m *collector.LinkMeter) {
	if !l.begun.IsZero() {
		l.busySum = loadMemory*l.busySum + l.busy.Seconds()
		l.sum = loadMemory*l.sum + now.Sub(l.begun).Seconds()
		if l.sum > 0 {
			m.SetLoad(min(1, l.busySum/l.sum))
		}
	}
	l.begun, l.busy = now, 0
}
