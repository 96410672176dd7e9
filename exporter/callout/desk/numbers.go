package desk

import (
	"slices"

	"roundsman/collector"
)

// number is what people answer with: 'ok 7'. It stands for all alarms of a message, or for a drill.
type number struct {
	Alarms []string         `json:"alarms,omitempty"`
	Drill  string           `json:"drill,omitzero"` // the person it tries
	Used   collector.Moment `json:"used"`           // in a message, last
}

// numbers are two digits as long as they can be: nobody types three with wet gloves.
const smallNumbers = 99

// numberFor returns the number of these alarms, a new one if they have none.
func (d *Desk) numberFor(alarms []string) int {
	alarms = slices.Sorted(slices.Values(alarms))
	for _, n := range sorted(d.numbers) {
		if k := d.numbers[n]; k.Drill == "" && slices.Equal(k.Alarms, alarms) {
			k.Used = d.now
			return n
		}
	}
	return d.newNumber(number{Alarms: alarms, Used: d.now})
}

// newNumber gives the next number in turn that stands for nothing, so that a late answer meets no other alarm.
func (d *Desk) newNumber(k number) int {
	n := d.last
	for i := 0; ; i++ {
		n++
		if n > smallNumbers && i < smallNumbers {
			n = 1
		}
		if d.numbers[n] == nil {
			d.numbers[n], d.last = &k, n
			return n
		}
	}
}

// forget lets go of numbers that nobody will answer with any more.
func (d *Desk) forget() {
	for _, n := range sorted(d.numbers) {
		k := d.numbers[n]
		end := k.Used.Add(numberKept)
		if slices.ContainsFunc(k.Alarms, func(name string) bool { return d.calls[d.ruleOf(name)] != nil }) {
			continue
		}
		if d.now >= end {
			delete(d.numbers, n)
			d.changed = true
		} else {
			d.at(end)
		}
	}
}
