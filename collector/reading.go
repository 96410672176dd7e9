package collector

// Quality says how far a reading can be trusted. The zero value means that
// the point has not been read yet.
type Quality uint8

// The qualities of a reading.
const (
	Unread    Quality = iota // nothing was read yet
	Good                     // measured as it should be
	Uncertain                // measured, but doubted: limit rules still judge it
	Bad                      // not a measurement: limit rules neither start nor end on it
)

var qualityWords = [...]string{"unread", "good", "uncertain", "bad"}

// String returns the quality's word.
func (q Quality) String() string { return word(qualityWords[:], q) }

// Usable reports whether limit rules may judge a reading of this quality.
func (q Quality) Usable() bool { return q == Good || q == Uncertain }

// Worse returns the worse of two qualities; unread is worst.
func (q Quality) Worse(o Quality) Quality {
	if q == Unread || o == Unread {
		return Unread
	}
	return max(q, o)
}

// Status is the status word of NAMUR NE 107, numbered as in OPC 10000-100, table 22.
type Status uint8

// The status words of NE 107.
const (
	Normal              Status = iota
	Failure                    // the signal cannot be trusted
	FunctionCheck              // being worked on
	OutOfSpecification         // outside its permitted conditions
	MaintenanceRequired        // still valid, but not for long
)

var statusWords = [...]string{"normal", "failure", "function check", "out of specification", "maintenance required"}

// String returns the status in the words of NE 107.
func (s Status) String() string { return word(statusWords[:], s) }

// Fault names what is wrong with a reading that is not plainly good.
type Fault uint8

// The faults of a reading. Each has the quality and the NE 107 status given by Fault.Quality and Fault.Status.
const (
	NoFault       Fault = iota
	NotRead             // nothing came yet
	SignalLow           // current in NE 43's low failure band: wire, supply or transmitter
	SignalHigh          // current in NE 43's high failure band
	SignalBetween       // current between NE 43's bands: no valid statement
	UnderRange          // below the range's start, still a measurement (NE 43: 3.8 to 4 mA)
	OverRange           // above the range's end, still a measurement (NE 43: 20 to 20.5 mA)
	OutOfRange          // outside what the instrument can measure
	TooFast             // changed faster than the process can; the next readings confirm or deny it
	Unmoving            // has not moved while it must
	Stale               // older than it may be
	Retained            // a retained message from before, of unknown age
	NotANumber          // NaN or an infinity
	BadDigits           // a BCD digit above nine
	BadPayload          // a message that cannot be read
	NoAnswer            // nothing came in time
	LinkLost            // the link itself is down
	Refused             // the device answered with an exception
	WrongReply          // an answer that does not fit what was asked
	DeviceOffline       // the device's will or status topic says it is gone
	MapMoved            // the unit's marker register reads wrong
	UnitDisturbed       // several points of the unit left their ranges in one round
	InputLost           // an input of the computed point is bad or unread
	NoResult            // the computation has no result for these inputs
	CounterReset        // the counter fell without rolling over; counting went on from the new value
	UnderRepair         // taken out by a person or a maintenance key
	Hinted              // good, and the device asks for maintenance
	Unsettled           // what it was made from was not steady; an estimate
)

type faultInfo struct {
	name    string
	quality Quality
	status  Status
}

var faults = [...]faultInfo{
	NoFault:       {"", Good, Normal},
	NotRead:       {"not read yet", Unread, Failure},
	SignalLow:     {"signal too low", Bad, Failure},
	SignalHigh:    {"signal too high", Bad, Failure},
	SignalBetween: {"signal between the bands", Uncertain, OutOfSpecification},
	UnderRange:    {"under range", Good, OutOfSpecification},
	OverRange:     {"over range", Good, OutOfSpecification},
	OutOfRange:    {"outside the instrument's range", Bad, Failure},
	TooFast:       {"changed faster than it can", Uncertain, OutOfSpecification},
	Unmoving:      {"does not move", Uncertain, OutOfSpecification},
	Stale:         {"stale", Bad, Failure},
	Retained:      {"retained from before", Bad, Failure},
	NotANumber:    {"not a number", Bad, Failure},
	BadDigits:     {"not a decimal digit", Bad, Failure},
	BadPayload:    {"unreadable payload", Bad, Failure},
	NoAnswer:      {"no answer", Bad, Failure},
	LinkLost:      {"link down", Bad, Failure},
	Refused:       {"refused by the device", Bad, Failure},
	WrongReply:    {"reply does not fit", Bad, Failure},
	DeviceOffline: {"device offline", Bad, Failure},
	MapMoved:      {"register map moved", Bad, Failure},
	UnitDisturbed: {"unit disturbed", Bad, Failure},
	InputLost:     {"input lost", Bad, Failure},
	NoResult:      {"no result", Bad, Failure},
	CounterReset:  {"counter was reset", Good, MaintenanceRequired},
	UnderRepair:   {"under repair", Uncertain, FunctionCheck},
	Hinted:        {"maintenance required", Good, MaintenanceRequired},
	Unsettled:     {"not settled", Uncertain, OutOfSpecification},
}

func (f Fault) info() faultInfo {
	if int(f) < len(faults) {
		return faults[f]
	}
	return faultInfo{"unknown fault", Bad, Failure}
}

// String returns the fault in a few words, "" for none.
func (f Fault) String() string { return f.info().name }

// Quality returns the quality of a reading with this fault.
func (f Fault) Quality() Quality { return f.info().quality }

// Status returns the NE 107 status of a reading with this fault.
func (f Fault) Status() Status { return f.info().status }

// Reading is one look at one point: the currency of the house.
type Reading struct {
	// Value is in the point's unit. It means nothing while Quality is Bad or Unread.
	Value float64
	// Raw is what the device sent, before scaling.
	Raw float64
	// At is when it was measured: the device's own time stamp where it sends one, else when it arrived.
	At Moment
	// Text is the value of a text point.
	Text string
	// Detail says in words what is wrong ('3.48 mA is below 3.6 mA, wire or sensor broken'); "" for no fault.
	Detail  string
	Point   PointID
	Quality Quality
	Fault   Fault
}

// Fail returns a reading of the point p with fault f, its quality, and the detail in words.
func Fail(p PointID, f Fault, raw float64, at Moment, detail string) Reading {
	return Reading{Point: p, Fault: f, Quality: f.Quality(), Raw: raw, At: at, Detail: detail}
}

// Reason returns the words for what is wrong, "" for a plainly good reading.
func (r Reading) Reason() string {
	switch {
	case r.Fault == NoFault:
		return r.Detail
	case r.Detail == "":
		return r.Fault.String()
	}
	return r.Fault.String() + ": " + r.Detail
}

// Status returns the reading's NE 107 status.
func (r Reading) Status() Status { return r.Fault.Status() }
