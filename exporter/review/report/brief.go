package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"roundsman/collector/sorting"
	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
)

// Item is one thing to decide.
type Item struct {
	About  string // which machine or part
	Says   string // what was found
	Decide string // what to do; "" where Says tells it
	Weight review.Verdict
}

// Word says how urgent the item is.
func (i *Item) Word() string {
	switch i.Weight {
	case review.Poor:
		return "now"
	case review.Look:
		return "soon"
	}
	return "plan"
}

const nothing = "Nothing asks for action."

// mostActors is how many of the worst alarms are told in brief; the section tells all.
const mostActors = 3

// decide gathers what all reviews recommend, the weightiest first; of equal weight in the order of the page.
func (r *Report) decide() []Item {
	list := r.recordItems()
	list = append(list, r.dutyItems()...)
	if r.Air != nil {
		list = append(list, advised("Compressed air", r.Air.Advice, r.Air.Findings)...)
	}
	if r.Water != nil {
		list = append(list, advised("Water", r.Water.Advice, r.Water.Findings)...)
	}
	list = append(list, r.alarmItems()...)
	sorting.StableFunc(list, func(a, b Item) int { return int(b.Weight) - int(a.Weight) })
	return list
}

// blindShare is from what part of the span on unseen time is something to decide.
const blindShare = 0.01

// recordItems tells of time in which the box was off. The time before its record begins is nobody's fault.
func (r *Report) recordItems() (list []Item) {
	whole, off := r.To.Sub(r.From), time.Duration(0)
	for _, b := range r.Blind {
		switch {
		case b.Since:
			list = append(list, Item{"The box", "Nothing is watched since " + r.stamp(b.From) + ": the record ends there.", "Look at the box today: supply, plug, service. Until then nobody is called.", review.Poor})
		case !b.Before:
			off += b.To.Sub(b.From)
		}
	}
	if off.Seconds() >= blindShare*whole.Seconds() {
		list = append(list, Item{"The box", fmt.Sprintf("It was off for %s, %s of the time; all figures are of the rest.", length(minutes.Known(off.Seconds())), percent(minutes.Known(off.Seconds()/whole.Seconds()), 1)),
			"Find out why: supply, plug, or someone who switched it off.", review.Look})
	}
	return list
}

func (r *Report) dutyItems() (list []Item) {
	if r.Duty == nil {
		return nil
	}
	for i := range r.Duty.Machines {
		m := &r.Duty.Machines[i]
		if says, decide, weight := m.Weightiest(); says != "" {
			list = append(list, Item{m.Equipment, capital(says) + ".", decide, weight})
		}
	}
	return list
}

// advised makes items of a review's advice, which tells the most urgent first: the first has the weight of the worst
// finding, what follows is to be looked at.
func advised(about string, advice []string, findings []review.Finding) (list []Item) {
	worst := review.Look
	for i := range findings {
		if findings[i].Verdict == review.Poor {
			worst = review.Poor
		}
	}
	for i, a := range advice {
		if a == nothing {
			continue
		}
		weight := review.Look
		if i == 0 {
			weight = worst
		}
		says, decide := cut(a)
		list = append(list, Item{about, says, decide, weight})
	}
	return list
}

// cut parts what was found from what to do about it: the first sentence from the rest.
func cut(a string) (says, decide string) {
	if i := strings.Index(a, ". "); i > 0 {
		return a[:i+1], a[i+2:]
	}
	return a, ""
}

func (r *Report) alarmItems() (list []Item) {
	f := r.Alarms
	if f == nil {
		return nil
	}
	for _, a := range r.Worst.Actors {
		if a.Found && len(list) < mostActors {
			list = append(list, Item{a.Alarm, fmt.Sprintf("Rang %s, %s of all alarms, and chattered.", times(a.Alarms), percent(minutes.Known(a.Share), 0)), a.Words, review.Look})
		}
	}
	if n := len(f.Sliding.Episodes); n > 0 {
		weight := review.Look
		if f.Sliding.Share > 0.02 {
			weight = review.Poor
		}
		list = append(list, Item{"Alarms", fmt.Sprintf("%s: so many alarms at once that nobody can follow.", plural(n, "flood")),
			"Find in the journal which alarm came first in each, and let it suppress what follows from it (caused-by).", weight})
	}
	if n := len(f.Stale.Alarms); n > 0 {
		a := f.Stale.Alarms[0]
		list = append(list, Item{a.Alarm, fmt.Sprintf("Was in alarm for %s without a break.", length(minutes.Known(a.Seconds))), "Mend what it tells of, or shelve it with an end and a reason.", review.Look})
	}
	return list
}

// quiet names the parts about which there is nothing to decide.
func (r *Report) quiet() string {
	var names []string
	if r.Duty != nil {
		for i := range r.Duty.Machines {
			if says, _, _ := r.Duty.Machines[i].Weightiest(); says == "" {
				names = append(names, r.Duty.Machines[i].Equipment)
			}
		}
	}
	if r.Air != nil && slices.Equal(r.Air.Advice, []string{nothing}) {
		names = append(names, "compressed air")
	}
	if r.Water != nil && slices.Equal(r.Water.Advice, []string{nothing}) {
		names = append(names, "water")
	}
	if r.Alarms != nil && len(r.alarmItems()) == 0 {
		names = append(names, "alarms")
	}
	return strings.Join(names, ", ")
}

// key returns the figures that tell how the month went.
func (r *Report) key() (list []figure) {
	add := func(name, value, and string) { list = append(list, figure{name, value, and}) }
	vehicles := minutes.Unknown()
	if w := r.Water; w != nil {
		vehicles = w.Use.Vehicles
		add("Fresh water a vehicle", with(w.Use.FreshPerVehicle, 1, "L"), "reused "+percent(w.Use.Reuse, 0))
	}
	if d := r.Duty; d != nil {
		if d.Vehicles.Is() {
			vehicles = d.Vehicles
		}
		energy, known := 0.0, 0
		for i := range d.Machines {
			if e := d.Machines[i].EnergyKWh; e.Is() {
				energy, known = energy+float64(e), known+1
			}
		}
		if known > 0 && vehicles.Is() && vehicles > 0 {
			add("Energy a vehicle", with(minutes.Known(energy)/vehicles, 2, "kWh"), fmt.Sprintf("%s in all, of %d of %s", with(minutes.Known(energy), 0, "kWh"), known, plural(len(d.Machines), "machine")))
		}
	}
	if vehicles.Is() {
		list = slices.Insert(list, 0, figure{"Vehicles", number(float64(vehicles), 0), number(float64(vehicles)/(r.To.Sub(r.From).Hours()/24), 0) + " a day"})
	}
	if a := r.Air; a != nil {
		cost := "last night with a test"
		if a.Leak.Cost.Is() {
			cost = with(a.Leak.Cost, 0, a.Leak.Currency) + " a year"
		}
		add("Air leak", with(a.Leak.Latest, 2, "L/s"), cost)
	}
	if f := r.Alarms; f != nil {
		add("Alarms a day", number(f.PerDay, 1), plural(f.Alarms, "alarm")+", "+plural(f.Notes, "note"))
	}
	add("Not watched", length(minutes.Known(r.blind().Seconds())), percent(minutes.Known(r.blind().Seconds()/r.To.Sub(r.From).Seconds()), 1)+" of the time")
	return list
}

// blind is how long nothing was watched.
func (r *Report) blind() (sum time.Duration) {
	for _, b := range r.Blind {
		sum += b.To.Sub(b.From)
	}
	return sum
}

func (r *Report) unseenWords() string {
	if len(r.Blind) == 0 {
		return "The box watched all of the time."
	}
	return fmt.Sprintf("Nothing was watched for %s in all, in %s. What happened then is in no figure.", length(minutes.Known(r.blind().Seconds())), plural(len(r.Blind), "stretch"))
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func plural(n int, what string) string {
	if n != 1 {
		if strings.HasSuffix(what, "ch") {
			what += "e"
		}
		what += "s"
	}
	return number(float64(n), 0) + " " + what
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return number(float64(n), 0) + " times"
}
