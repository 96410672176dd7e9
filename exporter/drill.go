package exporter

import (
	"context"
	"errors"
	"time"
)

// ErrNoContact: a drill of somebody who cannot be called.
var ErrNoContact = errors.New("there is no such contact")

// DrillStep is how one person's test call is going, by times since its message was written.
type DrillStep struct {
	Contact  string
	Number   int           // what the person answers with; 0: no answer can come from them
	Way      string        // the channel that took it, or why none did; "" not yet
	Taken    time.Duration // until a channel took it; 0 not yet
	Answered time.Duration // until the answer; 0 not yet
	Done     bool          // nothing more will come
	Failed   bool          // nobody answered in time, or no channel took it
}

// Drills are marked test calls on the real way. It is safe for simultaneous use.
type Drills interface {
	// Drill calls the contacts, by their ids, all of them if none is named, for whoever asked, and returns when their
	// messages are on the record. The error may wrap ErrNoContact. Within is the time to answer; 0: 10 min.
	Drill(ctx context.Context, who string, contacts []string, within time.Duration) error
	// Drilled returns how the latest drill of each person is going, until its time to answer is over.
	Drilled() []DrillStep
}
