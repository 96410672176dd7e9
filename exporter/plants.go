package exporter

import (
	"context"
	"errors"
	"time"
)

// ErrNoPlan: the site file does not say which points a review looks at.
var ErrNoPlan = errors.New("the site file does not say which points to review")

// Plants tell from the record how the site's air and water did.
type Plants interface {
	// Air and Water return the figures over [from, to) as JSON, as 'roundsman air --json' and 'roundsman water --json'
	// print them. Without an end it is now, without a begin thirty days before the end. Errors wrap ErrNoPlan, ErrSpan or
	// ErrReviewing. They are called once a request, from any goroutine, may take seconds, and read aside of all writing.
	Air(ctx context.Context, from, to time.Time) ([]byte, error)
	Water(ctx context.Context, from, to time.Time) ([]byte, error)
}
