// Package duty counts run time and starts of equipment from what can be seen
// of it, and keeps apart what was not seen.
//
//	m := duty.New(spec)
//	m.Observe(now, reading)            // each reading of spec.Run, good or bad
//	f := m.Figures(now)                // f.Run, f.Starts, f.Duty() ...
//
// What is counted:
//
//   - A reading stands until the next one, but for HoldAtMost at most. The rest
//     of a longer pause, and the time after a bad reading, is unseen: it counts
//     neither as running nor as standing still.
//   - A start is a usable reading of 'off' followed, perhaps after unusable
//     ones, by one of 'on'. Equipment that runs when it is first seen has not
//     started, and starts between two looks are not guessed at: a count of
//     starts is the least there were.
//   - A stop shorter than Join, seen throughout, is contact bounce: the run goes
//     on through it.
//   - An hour meter gives run time without starts, to a step of it. Roll-over, reset
//     and replacement are told apart; what ran meanwhile is unseen, never negative.
//   - Each finished run, and each finished time that was not seen, is an Interval.
//     With Kept.Rest they add up exactly to what is counted.
//   - Duty is run time over seen time. That is not the cyclic duration factor of
//     IEC 60034-1, clause 4.2, which is loaded time over the duration of one
//     cycle, 10 min unless said otherwise (from memory): a motor for S3 40 % may
//     run 4 min in each 10 min, not 4 h in each 10 h.
//
// AllowedStarts has the starts an hour that a motor may make, and LeastVolume
// and Cycle how often a pump starts that empties or fills a tank between two levels.
//
// Figures here help to decide on service. They protect no motor: that is the
// work of its overload relay, its thermal protection and its controls.
package duty

import (
	"time"

	"roundsman/collector"
)

// Spec is one piece of equipment as the site file describes it.
type Spec struct {
	Name          string
	Station       string
	Run           collector.PointID // a running contact, or a current or speed with Above; NoPoint with Hours
	Above         float64           // runs when the value of Run is over this; for a state 0.5
	Below         float64           // and until it is at or below this, of a current or speed; 0: Above
	Hours         *Register         // an hour meter instead of Run
	Starts        *Register         // a counter of starts; nil: starts are those seen at Run
	Join          time.Duration     // a stop shorter than this is contact bounce; 0: 2 s; below 0: none is
	HoldAtMost    time.Duration     // a reading stands for at most so long; the rest is unseen; 3 times the poll; 0: 30 s
	RatedKW       float64
	StartsPerHour float64 // most of its motor; 0: not given, then by AllowedStarts
	Poles         int     // of its motor; 0: 4
	Pair          string
	LeastRun      time.Duration     // a run shorter than this is a short cycle; 0: DefaultLeastRun
	Share         float64           // of the rated power, taken while it runs; 0: all
	Energy        collector.PointID // a meter of its energy or power; NoPoint: none
	Load          *Load
	Service       []Service
}

// Load is when a machine that runs on without load, such as a compressor, is loaded. Its cycles are no starts of the motor.
type Load struct {
	Run          collector.PointID // a contact, or a current with Above
	Above, Below float64
	HoldAtMost   time.Duration
	PerHour      float64 // most load cycles an hour; 0: not given
	Unloaded     float64 // share of the rated power taken without load
}

// Spec returns how the load is followed, as if it were a machine of its own; its name is LoadName of the machine's.
func (l *Load) Spec(of *Spec) Spec {
	return Spec{Name: LoadName(of.Name), Station: of.Station, Run: l.Run, Above: l.Above, Below: l.Below, Join: of.Join,
		HoldAtMost: l.HoldAtMost, StartsPerHour: l.PerHour, LeastRun: of.LeastRun, Energy: collector.NoPoint}
}

// LoadName returns under which name the load of a machine is counted.
func LoadName(machine string) string { return machine + "/load" }

// DefaultLeastRun is the run below which a run counts as short. Common practice, no source.
const DefaultLeastRun = time.Minute

// DefaultPoles is what most pumps have.
const DefaultPoles = 4

// Service is work due after so many hours of running.
type Service struct {
	Name  string
	Every time.Duration
}
