package main

import (
	"context"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/configs"
)

// While nobody looks there is a view each second; whoever looks gets the next within a quarter of one.
func TestViewsAreMadeForThoseWhoLook(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		fsys, file := configs.Demo()
		site, err := configs.Load(fsys, file)
		if err != nil {
			t.Fatal(err)
		}
		clock := collector.NewClock()
		j, err := newJudge(site, nil, clock, nil, settings{log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- j.run(ctx) }()
		point := site.Points[0].ID
		views := func(look func()) int {
			before := j.board.Peek().Round
			for range 100 { // ten seconds
				time.Sleep(100 * time.Millisecond)
				j.in <- collector.Batch{Readings: []collector.Reading{{Point: point, Quality: collector.Good, At: clock.Now()}}}
				look()
			}
			synctest.Wait()
			return int(j.board.Peek().Round - before)
		}
		if n := views(func() {}); n < 8 || n > 14 {
			t.Errorf("%d views in ten seconds while nobody looks, want about ten", n)
		}
		if n := views(func() { j.board.View() }); n < 36 || n > 44 {
			t.Errorf("%d views in ten seconds while somebody looks, want about forty", n)
		}
		cancel()
		<-ended
	})
}
