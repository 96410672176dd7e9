// Package duty reviews what the pumps and compressors of a site did over a span: how long they ran, how often their motors
// started against what these may, how pairs share their work, what ran while the wash was closed, how long they run for
// each vehicle and whether that grows, the energy, and when which service is due. For each it says in plain words what
// there is to decide.
//
//	figures, err := duty.Review(ctx, source, plan, review.Span{From: monday, To: sunday}, now)
//	figures.Table(os.Stdout, zone)
//
// It is pure: run time comes from a Source, times are given. Duty is run time over seen time. That is not the cyclic
// duration factor of IEC 60034-1, clause 4.2, which is loaded time over the duration of one cycle, 10 min unless said
// otherwise (from memory).
//
// The figures help to decide on service. They protect no motor: that is the work of its overload relay, its thermal
// protection and its controls. Work on pumps and compressors is for people who are qualified for it, with the machine
// locked out and without pressure.
package duty

import (
	"context"
	"iter"
	"time"

	"roundsman/collector"
	"roundsman/collector/trendline"
	"roundsman/exporter/review/minutes"
)

// Source is where run time comes from.
type Source interface {
	minutes.Source // of the count of vehicles and of meters

	// Totals returns the sums over [from, to) of equipment by name; all zero if it is not known. It is called some forty
	// times a machine.
	Totals(ctx context.Context, equipment string, from, to time.Time) (Totals, error)
	// Runs returns the intervals that touch [from, to), whole, in order of time.
	Runs(ctx context.Context, equipment string, from, to time.Time) iter.Seq2[Run, error]
}

// Jumper is a Source that knows of meters that jumped.
type Jumper interface {
	// Jumps returns what was asked about hour meters and counters of starts that were reset or replaced in [from, to), in
	// words, the latest first.
	Jumps(ctx context.Context, equipment string, from, to time.Time) ([]string, error)
}

// Totals are sums over a span.
type Totals struct {
	Run, Still, Unseen time.Duration
	Starts, Runs       int
	Longest, Shortest  time.Duration // of runs; Shortest of whole ones, 0: none
	WorstHour          int           // most starts in any hour that ended with a start in the span
	Until              time.Time     // how far it is known; zero: nothing is
}

// Run is an interval: of a machine that ran, or of time that was not seen.
type Run struct {
	From, To time.Time
	Ran      bool
	Whole    bool // seen from its start to its stop
	Alone    bool // its meter counted it while nobody looked: how long it ran is known, not when
	BoxOff   bool // not seen because the box was off
	Starts   int
	Hour     int // starts in the hour that ended with it
}

// Hours tells opening hours.
type Hours interface {
	// At reports whether the moment is inside the hours and when that changes next.
	At(m collector.Moment) (inside bool, next collector.Moment)
}

// Plan is what the site file says.
type Plan struct {
	Zone     *time.Location
	Open     Hours          // nil: not given
	Vehicles minutes.Signal // the count
	Machines []Machine
}

// Points returns the points whose minutes a review reads.
func (p *Plan) Points() []string {
	all := []minutes.Signal{p.Vehicles}
	for i := range p.Machines {
		all = append(all, p.Machines[i].Energy)
	}
	return minutes.Names(all...)
}

// Machine is one piece of equipment.
type Machine struct {
	Name, Station, Pair string
	RatedKW             float64 // 0: not given
	Share               float64 // of it, while it runs; 0: all
	StartsPerHour       float64 // 0: by NEMA MG 10
	Poles               int     // 0: 4
	NoStarts            bool    // starts cannot be seen, as of an hour meter
	LeastRun            time.Duration
	Load                *Load
	Energy              minutes.Signal // a meter in kWh, or with Power in kW
	Power               bool
	Services            []Service
}

// Load is of a machine that runs on without load.
type Load struct {
	Name     string  // under which its cycles are counted
	PerHour  float64 // most cycles an hour; 0: not given
	Unloaded float64 // share of the rated power taken without load
}

// Service is work due after so much run time.
type Service struct {
	Name  string
	Every time.Duration
	Due   time.Duration // run time left now; below 0 it is overdue
	Last  time.Time     // zero: never, counted since the machine is watched
}

// Figures are the review.
type Figures struct {
	From     time.Time        `json:"from"`
	To       time.Time        `json:"to"`
	Machines []MachineFigures `json:"equipment"`
	Vehicles minutes.Known    `json:"vehicles"`
}

// MachineFigures are those of one machine. Durations are seconds.
type MachineFigures struct {
	Equipment string    `json:"equipment"`
	Station   string    `json:"station"`
	From      time.Time `json:"from"`
	To        time.Time `json:"to"`
	Until     time.Time `json:"until"` // how far it is on the record

	RunSeconds      float64       `json:"runSeconds"`
	StillSeconds    float64       `json:"stillSeconds"`
	UnseenSeconds   float64       `json:"unseenSeconds"`
	BoxOffSeconds   float64       `json:"boxOffSeconds"` // of them, while the box was off
	Duty            minutes.Known `json:"duty"`
	Starts          int           `json:"starts"`
	StartsSeen      bool          `json:"startsSeen"` // false: an hour meter tells none
	MeanRunSeconds  minutes.Known `json:"meanRunSeconds"`
	LongestSeconds  float64       `json:"longestRunSeconds"`
	ShortestSeconds minutes.Known `json:"shortestRunSeconds"`
	WholeRuns       int           `json:"wholeRuns"`
	ShortRuns       int           `json:"shortRuns"`
	LeastRunSeconds float64       `json:"leastRunSeconds"`

	WorstHour     int           `json:"worstHourStarts"`
	WorstHourEnds *time.Time    `json:"worstHourEnds"`
	Limit         minutes.Known `json:"startsPerHourLimit"`
	LimitFrom     string        `json:"startsPerHourLimitFrom"`
	LeastRest     minutes.Known `json:"leastSecondsBetweenStarts"`

	Load       *LoadFigures  `json:"load"`
	Pair       *PairFigures  `json:"pair"`
	Closed     *Closed       `json:"closed"`
	PerVehicle *PerVehicle   `json:"perVehicle"`
	EnergyKWh  minutes.Known `json:"energyKWh"`
	EnergyFrom string        `json:"energyFrom"`
	Services   []ServiceDue  `json:"services"`
	Jumps      []string      `json:"meterJumps"` // questions about meters that were reset or replaced, the latest first

	Findings []string `json:"findings"` // the weightiest first
	Decide   string   `json:"decide"`   // what to do about the first; never empty

	recent Totals         // of the last 28 days
	zone   *time.Location // of the dates in findings
}

// LoadFigures are the load cycles of a machine that runs on.
type LoadFigures struct {
	Cycles        int           `json:"cycles"`
	LoadedSeconds float64       `json:"loadedSeconds"`
	UnseenSeconds float64       `json:"unseenSeconds"` // in which nothing told whether it was loaded
	Factor        minutes.Known `json:"loadFactor"`    // loaded over running; not known where much of the running was not seen
	WorstHour     int           `json:"worstHourCycles"`
	Limit         minutes.Known `json:"cyclesPerHourLimit"`
}

// PairFigures are how two machines share their work.
type PairFigures struct {
	With  string        `json:"with"`
	Share minutes.Known `json:"share"` // of the run time of both
	Even  bool          `json:"even"`

	ran float64 // seconds, both of them
}

// Closed is what ran outside opening hours, as far as somebody looked.
type Closed struct {
	RunSeconds float64 `json:"runSeconds"`
	Starts     int     `json:"starts"`
}

// PerVehicle is run time for each vehicle, and how it goes from day to day over the last 28 days.
type PerVehicle struct {
	Seconds minutes.Known   `json:"seconds"`
	Days    int             `json:"days"`
	Trend   *trendline.Line `json:"trend"` // seconds a vehicle, by days; null: too few days
}

// ServiceDue is when a service is due.
type ServiceDue struct {
	Service  string     `json:"service"`
	Hours    float64    `json:"dueHours"` // run time left; below 0 overdue
	Expected *time.Time `json:"expected"` // at the pace of the last 28 days; null: it did not run
	Last     *time.Time `json:"last"`
}
