package exporter

import (
	"context"
	"errors"
	"time"
)

// ErrReviewing means that others wait for reviews already; ask again later.
var ErrReviewing = errors.New("other reviews are being computed")

// Reviews tell from the record what a span was worth.
type Reviews interface {
	// Alarms returns the figures of the alarm system over [from, to) as 'roundsman alarms --json' prints them. Without an
	// end it is now, without a begin thirty days before the end; a span that is empty then is an error that wraps
	// ErrSpan. It is called once a request, from any goroutine, may take seconds, and reads aside of all writing;
	// ErrReviewing says that too many wait.
	Alarms(ctx context.Context, from, to time.Time) ([]byte, error)
}

// Suggestions rehearse what rang most.
type Suggestions interface {
	// Suggest returns the ten most frequent alarms of [from, to) with what rehearsal over the readings of its last days
	// suggests for each, as the 'worst' of 'roundsman alarms --suggest --json'. Without an end it is now, without a begin
	// seven days before the end. Errors wrap ErrSpan or ErrReviewing. It is called once a request, from any goroutine, takes
	// seconds of a core, one at a time, and ends with ctx; nothing else waits for it.
	Suggest(ctx context.Context, from, to time.Time) ([]byte, error)
}

// ErrSpan is of a span of time that holds nothing.
var ErrSpan = errors.New("no span of time")
