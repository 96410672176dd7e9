package modbus

import (
	"strings"
	"testing"
)

// A link without a group that is due waits by the monotonic clock: by the wall clock, a step back of a year made every link
// wait for a year. Time.String shows a monotonic reading as m=.
func TestNextDueIsMonotonic(t *testing.T) {
	if next := new(Link).nextDue(); !strings.Contains(next.String(), " m=") {
		t.Errorf("due by the wall clock: %v", next)
	}
}
