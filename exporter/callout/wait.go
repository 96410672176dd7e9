package callout

import (
	"errors"
	"time"
)

// later is an error with the time that the far side asked for.
type later struct {
	wait time.Duration
	err  error
}

func (l *later) Error() string { return l.err.Error() }
func (l *later) Unwrap() error { return l.err }

// Later marks err as temporary, with the time the far side asks to be left alone.
func Later(wait time.Duration, err error) error {
	if wait <= 0 {
		return err
	}
	return &later{wait, err}
}

// Wait returns how long the far side asked to be left alone before the next try; 0 if it did not ask.
func Wait(err error) time.Duration {
	var l *later
	if errors.As(err, &l) {
		return l.wait
	}
	return 0
}
