// Package water reviews the water of a site over a span: what a vehicle takes and what comes back, where tanks lose what
// no meter saw, what runs at night, and how the filters do.
//
//	figures, err := water.Review(ctx, source, plan, span)
//	figures.Table(os.Stdout, zone)
//
// It is pure: it takes one-minute figures from a Source and returns figures. Volumes are litres. The reuse ratio is
// reclaimed over reclaimed and fresh water, the closing error of a balance is in - out - change over in: both ours.
package water

import (
	"slices"
	"time"

	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
)

// Plan says which points are what. What is not named is left out of the review.
type Plan struct {
	Fresh    []minutes.Signal // totals, L: what comes from outside
	Reclaim  []minutes.Signal // totals, L: what was used again
	Vehicles minutes.Signal   // a total
	Open     minutes.Signal   // a state: the wash takes cars
	// Hours tells whether the wash is open by its opening hours, where no state does; nil: always.
	Hours   func(time.Time) bool
	Tanks   []Tank
	Filters []Filter
	Zone    *time.Location // of the days; nil: UTC
	// Settle is how long after closing a night begins: tanks are filled up. 0: half an hour.
	Settle time.Duration
}

// Points returns the points whose minutes a review reads.
func (p *Plan) Points() []string {
	all := slices.Concat(p.Fresh, p.Reclaim, []minutes.Signal{p.Vehicles, p.Open})
	for i := range p.Tanks {
		t := &p.Tanks[i]
		all = append(slices.Concat(all, t.In, t.Out), t.Volume)
	}
	for i := range p.Filters {
		f := &p.Filters[i]
		all = append(all, f.Difference, f.Flowing, f.Backwash, f.Through, f.Before, f.After)
	}
	return minutes.Names(all...)
}

// Tank is a vessel with a level.
type Tank struct {
	Name   string
	Volume minutes.Signal // L
	// In and Out are totals, L, of all that runs in and out. Empty: it is not metered, and the balance tells it instead.
	In, Out []minutes.Signal
	Unused  float64 // L that no pump reaches
}

// Filter is one filter.
type Filter struct {
	Name          string
	Difference    minutes.Signal // bar
	Flowing       minutes.Signal // a state: water goes through it; without, it counts when there is a difference of 10 mbar
	Backwash      minutes.Signal // a state
	Through       minutes.Signal // a total, L
	Before, After minutes.Signal // turbidity, FNU or NTU
	Due           float64        // bar: a backwash is due; 0: not given
}

// Figures are what a span tells. Numbers that are not known are null.
type Figures struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	// SeenSeconds is for how long all meters and the count of vehicles were seen, the one least seen; null: none is named.
	SeenSeconds minutes.Known `json:"seenSeconds"`

	Use     Use             `json:"use"`
	Days    []Day           `json:"days"`
	Night   Night           `json:"night"`
	Tanks   []TankFigures   `json:"tanks"`
	Filters []FilterFigures `json:"filters"`

	Findings []review.Finding `json:"findings"` // worst first
	Advice   []string         `json:"advice"`   // in plain words
}

// Use is the water of the span, L.
type Use struct {
	Fresh    minutes.Known `json:"fresh"`
	Reclaim  minutes.Known `json:"reclaim"`
	Vehicles minutes.Known `json:"vehicles"`

	FreshPerVehicle minutes.Known `json:"freshPerVehicle"`
	TotalPerVehicle minutes.Known `json:"totalPerVehicle"`
	Reuse           minutes.Known `json:"reuse"` // 0 to 1
	// GonePerVehicle is the fresh water that neither stayed in the tanks nor came back: carried out, evaporated, to the
	// sewer. Known where there are tanks; water in pits that are not among them counts as gone.
	GonePerVehicle minutes.Known `json:"gonePerVehicle"`
	// Trend is the change of fresh water a vehicle in 30 days, by the days with at least 50 vehicles; with its 95 %
	// interval, unknown with fewer than three such days.
	Trend     minutes.Known `json:"freshPerVehiclePerMonth"`
	TrendLow  minutes.Known `json:"freshPerVehiclePerMonthLow"`
	TrendHigh minutes.Known `json:"freshPerVehiclePerMonthHigh"`
	// Resets counts falls of a total, where water went uncounted.
	Resets int `json:"resets"`
}

// Day is one day of the site's zone.
type Day struct {
	Day      string  `json:"day"`
	Fresh    float64 `json:"fresh"`
	Reclaim  float64 `json:"reclaim"`
	Vehicles float64 `json:"vehicles"`
}

// Night is all time closed, from half an hour after closing, in stretches of at least two hours.
type Night struct {
	Hours        float64       `json:"hours"`
	Nights       int           `json:"nights"`
	Fresh        minutes.Known `json:"fresh"` // L
	FreshPerHour minutes.Known `json:"freshPerHour"`
	WorstPerHour minutes.Known `json:"worstPerHour"` // of the worst night
	WorstNight   *time.Time    `json:"worstNight"`   // its begin; null: none
}

// TankFigures are those of one tank, L.
type TankFigures struct {
	Name   string        `json:"name"`
	Begin  minutes.Known `json:"begin"`
	End    minutes.Known `json:"end"`
	Least  minutes.Known `json:"least"`
	Change minutes.Known `json:"change"`
	In     minutes.Known `json:"in"`  // unknown: not metered
	Out    minutes.Known `json:"out"` // unknown: not metered
	// Missing is in - out - change where both are metered, and Error its share of in. Where one is not, the other and the
	// change tell it: Unmetered.
	Missing   minutes.Known `json:"missing"`
	Error     minutes.Known `json:"closingError"`
	Unmetered minutes.Known `json:"unmetered"`
	// NightLossPerHour is what it lost at night beyond its meters: in - out - change, L an hour.
	NightLossPerHour minutes.Known `json:"nightLossPerHour"`
	// UsePerHour is what was drawn in the last hour open, and HoursToEmpty how long what is in it lasts so if nothing
	// runs in.
	UsePerHour   minutes.Known `json:"usePerHour"`
	HoursToEmpty minutes.Known `json:"hoursToEmpty"`
}

// FilterFigures are those of one filter.
type FilterFigures struct {
	Name       string        `json:"name"`
	Difference minutes.Known `json:"difference"` // bar, mean while water flows
	Most       minutes.Known `json:"mostDifference"`
	Clean      minutes.Known `json:"cleanDifference"` // mean of the first ten minutes of flow after a backwash
	Dirty      minutes.Known `json:"dirtyDifference"` // and of the last ten before
	Backwashes int           `json:"backwashes"`
	// BackwashHours is the mean time from one backwash to the next, and OpenHours the part of it the wash was open.
	BackwashHours   minutes.Known `json:"backwashHours"`
	OpenHours       minutes.Known `json:"backwashOpenHours"`
	BackwashLitres  minutes.Known `json:"backwashLitres"`  // through the filter from one to the next
	SinceBackwash   minutes.Known `json:"sinceBackwash"`   // hours at the span's end
	TurbidityBefore minutes.Known `json:"turbidityBefore"` // mean while water flows
	TurbidityAfter  minutes.Known `json:"turbidityAfter"`
	Passed          minutes.Known `json:"passed"` // after over before, 0 to 1
	// DirtyTurbidity and CleanTurbidity are those behind the filter in the ten minutes before a backwash, and in ten from
	// three minutes after it on: bubbles read as turbidity until then.
	DirtyTurbidity minutes.Known `json:"dirtyTurbidity"`
	CleanTurbidity minutes.Known `json:"cleanTurbidity"`
}
