package modbus

import (
	"strings"
	"testing"
	"time"
)

// A link without a group that is due waits by the monotonic clock: by the wall clock, a step back of a year made every link
// wait for a year. Time.String shows a monotonic reading as m=.
func TestNextDueIsMonotonic(t *testing.T) {
	if next := new(Link).nextDue(); !strings.Contains(next.String(), " m=") {
		t.Errorf("due by the wall clock: %v", next)
	}
}

// A link that waits much longer than its points ask gives no sign of life, whatever made it wait: the watchdog then
// does its work.
func TestOverdueLinkGivesNoSign(t *testing.T) {
	l := &Link{groups: []group{{every: time.Minute}, {every: time.Second}}}
	if l.overdue(20*time.Second) || !l.overdue(40*time.Second) {
		t.Errorf("with a point each second, overdue after 20 s: %v, after 40 s: %v", l.overdue(20*time.Second), l.overdue(40*time.Second))
	}
	if new(Link).overdue(time.Hour) {
		t.Error("a link without points is overdue")
	}
}
