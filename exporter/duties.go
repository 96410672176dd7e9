package exporter

import (
	"context"
	"errors"
	"iter"
	"time"
)

// ErrNoEquipment: the site has no equipment of that name.
var ErrNoEquipment = errors.New("there is no such equipment")

// Duties tells from the record what equipment did.
type Duties interface {
	// Duty returns the figures of one machine over [from, to) as JSON, as 'roundsman duty --json' prints them. Without an
	// end it is now, without a begin seven days before the end. Errors wrap ErrNoEquipment, ErrSpan or ErrReviewing. It is
	// called once a request, from any goroutine, and reads aside of all writing.
	Duty(ctx context.Context, equipment string, from, to time.Time) ([]byte, error)
	// All is Duty of all machines.
	All(ctx context.Context, from, to time.Time) ([]byte, error)
	// Runs returns the intervals of one machine that touch [from, to), whole, in order of time; none for a machine that is
	// not on the record. An error ends the sequence.
	Runs(ctx context.Context, equipment string, from, to time.Time) iter.Seq2[MachineRun, error]
	// Closed returns when the wash is closed by its opening hours, within [from, to); none where it has none.
	Closed(from, to time.Time) []Period
}

// MachineRun is an interval in which a machine ran, or in which nothing told whether it did.
type MachineRun struct {
	Period
	Ran    bool
	Starts int // of the motor that it began with
	Hour   int // starts in the hour that ended with its begin
}

// Period is a piece of time, From <= t < To.
type Period struct{ From, To time.Time }

// ErrNoService: the equipment has no service of that name in the site file.
var ErrNoService = errors.New("there is no such service")

// Services keeps what people did on equipment.
type Services interface {
	// Serviced notes that a service was done now: the next is counted from the run time of now. It returns when that is on
	// the record. Errors wrap ErrNoEquipment or ErrNoService. It is called once a request, from any goroutine, and waits
	// for the judging goroutine.
	Serviced(ctx context.Context, equipment, service, who, why string) error
}
