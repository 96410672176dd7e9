// Package record keeps what must survive: the journal of alarm and operator events, the states of alarms and the
// delays in progress, run and pulse counters, and when the box was alive. It is the only writer to disk.
//
//	r, err := record.Open("roundsman.db", record.Options{Clock: clock})
//	kept, err := r.Restore()
//	engine.Restore(clock.Now(), kept.Memory)
//	engine.Track()
//	...
//	events, next = engine.Step(now, readings, events[:0])
//	change := record.Change{At: now, Lines: lines}
//	engine.Changed(change.KeepAlarm, change.KeepCondition)
//	err = r.Commit(&change) // before anyone is told
//	...
//	r.Close()
//
// The file is an SQLite database in WAL mode with synchronous FULL: what Commit returned nil for survives a kill at
// any instant, and a power cut as far as the card honours a flush. One Change is one transaction: all of it is kept or
// nothing.
//
// # Time
//
// The record has a steady time scale of its own that goes on through restarts. Within one boot of the machine it follows
// the machine's running time, whatever the wall clock does; over a reboot it can only follow the wall clock, and stands
// still where that is not set or went back. All moments are kept on that scale, so delays and shelves go on by the real
// time that passed and the order of lines is provable. Moments given to and returned by a Record are those of its Clock.
//
// # When it cannot write
//
// The daemon goes on. Commit returns the reason; lines wait in memory, the latest memory of each alarm too, and the next
// Commit or Beat after RetryEvery writes all of it in the right order. When more lines wait than Options.Queue the oldest
// are dropped and counted; a line 'lines lost' with their number then stands in their place. Status tells all of this. A
// reserve file beside the record is given up when a stop or a pruning would otherwise fail on a full disk.
package record
