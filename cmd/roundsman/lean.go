package main

import (
	"context"
	"log/slog"
	"os"
	"runtime/debug"
	"time"
)

// The box is small and the room needs little: what is in use is a third of what a Go program with the usual settings keeps
// resident, which lets as much garbage lie as there is in use and gives room back slowly.
const (
	// heapGrowth is how much the heap may grow over what is in use, in percent, before it is collected. At 1,000 points with
	// two rules each 8 MiB are in use and some 0.8 MiB are made anew a second: half means a collection every 5 s of some
	// 10 ms, 0.2 % of a core, and saves 4 MiB against the usual 100. The environment's GOGC overrules it.
	heapGrowth = 50
	// returnEvery is how often what a page, a review or the start needed is given back at once, for the price of one more
	// collection and of fetching a few hundred pages again.
	returnEvery = time.Minute
	// returnFirst is when the start is over and the first traces are drawn.
	returnFirst = 10 * time.Second
)

// keepLean sets how much garbage may lie. Call it before the files are read: their trees are the most that ever is.
func keepLean() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(heapGrowth)
	}
}

// giveBack returns memory that is not used to the system, until ctx ends.
func giveBack(ctx context.Context, log *slog.Logger) error {
	wait := time.NewTimer(returnFirst)
	defer wait.Stop()
	for said := false; ; {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-wait.C:
		}
		debug.FreeOSMemory()
		if err := forgetProgram(); err != nil && !said {
			said = true
			log.Info("the program's own pages stay mapped", "error", err)
		}
		wait.Reset(returnEvery)
	}
}
