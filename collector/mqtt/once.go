package mqtt

import (
	"context"
	"fmt"
	"time"

	"golang.org/x/sync/errgroup"

	"roundsman/collector"
)

// Once connects, waits until every point has a usable reading, at most for
// wait, and returns one reading a point in the order of Options.Points, and that of the
// status point last. A point that got none is unread, with its topic in the
// detail. The error says why there was no connection; the readings are then
// there all the same.
func (l *Link) Once(parent context.Context, wait time.Duration) ([]collector.Reading, error) {
	ctx, cancel := context.WithTimeout(parent, wait)
	defer cancel()
	latest := make(map[collector.PointID]collector.Reading)
	out := make(chan collector.Batch)
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return l.Run(ctx, out) })
	g.Go(func() error {
		defer cancel()
		for !l.complete(latest) {
			select {
			case b := <-out:
				for _, r := range b.Readings {
					latest[r.Point] = r
				}
			case <-ctx.Done():
				return nil
			}
		}
		return nil
	})
	err := g.Wait()
	if err == nil {
		err = parent.Err()
	}
	if st := l.Status(); err == nil && !st.Up && st.LastError != "" {
		err = fmt.Errorf("link %s: %s", l.opts.Name, st.LastError)
	}
	return l.collect(latest, wait), err
}

// complete reports whether every point has a usable reading.
func (l *Link) complete(latest map[collector.PointID]collector.Reading) bool {
	for _, p := range l.opts.Points {
		if !latest[p.ID].Quality.Usable() {
			return false
		}
	}
	return l.opts.Status == collector.NoPoint || latest[l.opts.Status].Quality.Usable()
}

func (l *Link) collect(latest map[collector.PointID]collector.Reading, waited time.Duration) []collector.Reading {
	var readings []collector.Reading
	now := l.clock.Now()
	for _, p := range l.opts.Points {
		r, ok := latest[p.ID]
		if !ok {
			r = collector.Fail(p.ID, collector.NotRead, 0, now, silence(&p, waited))
		}
		readings = append(readings, r)
	}
	if r, ok := latest[l.opts.Status]; ok && l.opts.Status != collector.NoPoint {
		readings = append(readings, r)
	}
	return readings
}

// silence says that nothing came of a point, and whether that is a surprise.
func silence(p *Point, waited time.Duration) string {
	s := fmt.Sprintf("nothing came on %s in %v", p.Topic, waited)
	if p.StaleAfter > waited && !p.OnChange {
		s += fmt.Sprintf(", it may be silent for %v", p.StaleAfter)
	}
	return s
}
