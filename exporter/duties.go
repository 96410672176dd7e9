package exporter

import (
	"context"
	"errors"
	"time"
)

// ErrNoEquipment: the site has no equipment of that name.
var ErrNoEquipment = errors.New("there is no such equipment")

// Duties tells from the record what equipment did.
type Duties interface {
	// Duty returns the figures of one machine over [from, to) as JSON, as 'roundsman duty --json' prints them. Without an
	// end it is now, without a begin seven days before the end. Errors wrap ErrNoEquipment or ErrSpan. It is called once a
	// request, from any goroutine, and reads aside of all writing.
	Duty(ctx context.Context, equipment string, from, to time.Time) ([]byte, error)
}

// ErrNoService: the equipment has no service of that name in the site file.
var ErrNoService = errors.New("there is no such service")

// Services keeps what people did on equipment.
type Services interface {
	// Serviced notes that a service was done now: the next is counted from the run time of now. It returns when that is on
	// the record. Errors wrap ErrNoEquipment or ErrNoService. It is called once a request, from any goroutine, and waits
	// for the judging goroutine.
	Serviced(ctx context.Context, equipment, service, who, why string) error
}
