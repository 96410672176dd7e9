package exporter

import (
	"context"
	"time"

	"roundsman/collector/duty"
)

// MeterQuestion is a jump of an hour meter or a counter of starts that waits for somebody to explain it.
type MeterQuestion struct {
	Hours    bool // of the hour meter; else of the counter of starts
	Time     time.Time
	From, To float64 // in the register's unit
	Looks    duty.JumpKind
}

// Meters takes what people say of meters that jumped.
type Meters interface {
	// Explained takes an explanation of the oldest question about the hour meter, or the counter of starts, of equipment, and
	// returns what followed from it when that is on the record. Errors wrap ErrNoEquipment, duty.ErrNotAsked or
	// duty.ErrUnlikely. It is called once a request, from any goroutine, and waits for the judging goroutine.
	Explained(ctx context.Context, equipment string, hours bool, e duty.Explanation, who, why string) (duty.Explained, error)
}
