package main

import (
	"context"
	"os"
	"runtime/debug"
	"time"
)

// The box is small and the room needs little: what is in use is a third of what a Go program with the usual settings keeps
// resident, which lets as much garbage lie as there is in use and gives room back slowly.
const (
	// heapGrowth is how much the heap may grow over what is in use, in percent, before it is collected. At 1,000 points with
	// two rules each some 8 MiB are in use. Left alone for a minute after use on a loaded machine, the whole process took 0.4 %
	// of a core with 40, 0.5 % with 25 and 0.6 % with 20; with 20 it had 1.5 to 2.5 MiB less of its own than with 40. A limit
	// (debug.SetMemoryLimit) of 18 MiB instead took 8 % of a core in the first 20 s. The environment's GOGC overrules it.
	heapGrowth = 20
	// returnLook is how often is looked whether there is something to give back; returnLast after that long it is given back
	// however little it is.
	returnLook = 5 * time.Second
	returnLast = time.Minute
	// returnLeast bytes, and a quarter of what there was after the last time, must have come to be worth one more collection
	// and fetching a few hundred pages again: what a page, a review or the start needed, not what lies between two collections.
	returnLeast = 6 << 20
)

// keepLean sets how much garbage may lie. Call it before the files are read: their trees are the most that ever is.
func keepLean() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(heapGrowth)
	}
}

// returns decides when memory is given back.
type returns struct {
	last    time.Time // that it was given back, or the start
	settles bool      // it was given back since the last look
	kept    int64     // bytes at the look after that, when what is needed was fetched again
}

// due reports whether a process with so many bytes in RAM has enough to give back now.
func (r *returns) due(now time.Time, resident int64) bool {
	if r.settles {
		r.kept, r.settles = resident, false
	}
	if now.Sub(r.last) < returnLast && resident-r.kept < max(returnLeast, r.kept/4) {
		return false
	}
	r.last, r.settles = now, true
	return true
}

// giveBack returns memory that is not used to the system, until ctx ends.
func giveBack(ctx context.Context) error {
	look := time.NewTicker(returnLook)
	defer look.Stop()
	r := returns{last: time.Now()}
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-look.C:
		}
		if r.due(time.Now(), resident()) {
			debug.FreeOSMemory()
		}
	}
}
