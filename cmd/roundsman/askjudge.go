package main

import (
	"context"
	"errors"
	"fmt"

	"roundsman/rules"
)

// askJudge hands a request to the judge and returns how it went, or the end of ctx.
func askJudge[R any](ctx context.Context, judge chan<- R, request R, done <-chan error) error {
	select {
	case judge <- request:
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// actRequest is a person's act on its way to the judge.
type actRequest struct {
	alarm string
	act   rules.Act
	done  chan error // has room for one
}

// errNotKept: the act is in force, and lost if the box stops before the record can be written again.
var errNotKept = errors.New("done, but it is not on the record: the record cannot be written")

// Act carries out what a person asks; see exporter.Acts.
func (j *judge) Act(ctx context.Context, alarm string, act rules.Act) error {
	r := actRequest{alarm: alarm, act: act, done: make(chan error, 1)}
	return askJudge(ctx, j.acts, r, r.done)
}

// act does it, keeps it and tells it.
func (j *judge) act(ctx context.Context, a actRequest) error {
	for i := range j.site.Rules {
		if j.site.Rules[i].Name != a.alarm {
			continue
		}
		a.act.Rule = i
		now := j.clock.Now()
		var err error
		j.events, err = j.engine.Act(now, a.act, j.events[:0])
		j.deadline = j.engine.Next()
		j.settle(ctx, now)
		if err == nil && j.keep.failing {
			err = errNotKept
		}
		return err
	}
	return fmt.Errorf("%s: %w", a.alarm, rules.ErrNoAlarm)
}
