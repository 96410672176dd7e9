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
// # Readings
//
// Take gathers a round's readings in memory, as whole numbers of steps of each point's resolution with the round's one time
// (package pack). About every ten seconds a window of all points goes to the disk with the transaction that says that the
// box is alive, so it costs no flush of its own; what a power cut or a kill takes is at most the open window, and it shows
// as a gap. Upkeep, a goroutine beside, packs the windows of each hour that is over into one chunk a point, makes the
// figures of its minutes, closes days in the site's zone, and lets go of what is older than it is kept, in steps of some
// milliseconds. Trend reads one point: Readings, Minutes, Days, Steps; Playback reads all of them round by round for a
// rehearsal. A point is known by its name, unit, kind and resolution: with another of these a new series begins, and
// what was kept is told in the latest unit. The words of text points are not kept, only the number that 'states' gives
// them. Readings of a time when the clock was not set keep the date they were given.
//
//	err = r.Follow(site.Points)
//	up, err := record.NewUpkeep(r, record.Keep{Readings: 30 * 24 * time.Hour}, log) // up.Run(ctx) beside
//	...
//	r.Take(now, readings) // then Commit or Beat
//
// Any SQLite tool reads minutes, hours, days, the journal, alarms, messages, run time and services from the views
// minute_figures, hour_figures, day_figures, journal_lines, alarm_states, outbox_messages, equipment_intervals,
// equipment_days and services_done, with times as text in UTC; deploy/RECORD.md describes them. What minute_figures tells
// comes to it when the hour is over.
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
// reserve file beside the record is given up when a stop or a pruning would otherwise fail on a full disk. Packed windows wait in
// memory too, about ten minutes of them; where there is room for lines but not for readings, the lines are kept.
package record
