package configs

import (
	_ "embed"
	"math"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/units"
	"roundsman/configs/strict"
)

//go:embed own.yaml
var ownRules []byte

// Box are the points that tell how the box itself is.
type Box struct {
	Record collector.PointID // state: the record can be written
	Disk   collector.PointID // free share of the record's disk, in %
	Clock  collector.PointID // by how many seconds the wall clock stepped of late, either way
	Files  collector.PointID // state: the files on disk are those in force; its detail names file:line

	// Of calling people; NoPoint where the contacts file has no call-outs.
	CalloutOldest    collector.PointID // age of the oldest message that is not sent yet, in s; 0: none waits
	CalloutReachable collector.PointID // state: somebody can be reached; its detail says why not
	Modems           []ModemPoints     // of each modem that sends texts
}

// ModemPoints tell how a modem is.
type ModemPoints struct {
	Channel    string            // its name in the contacts file
	Registered collector.PointID // state: it can send; its detail says why not
	Signal     collector.PointID // in dBm
}

// boxPoints adds them, after the links' own. Channels are those of the contacts file, read later: the rules want the points
// of their modems.
func (b *builder) boxPoints(channels *strict.Value) {
	percent, _ := units.Parse("%")
	seconds, _ := units.Parse("s")
	b.site.Box = Box{
		Record: b.boxPoint("box.record.writable", collector.State, units.None, 0),
		Disk:   b.boxPoint("box.disk.free", collector.Number, percent, 1),
		Clock:  b.boxPoint("box.clock.step", collector.Number, seconds, 0),
		Files:  b.boxPoint("box.files.good", collector.State, units.None, 0),

		CalloutOldest: collector.NoPoint, CalloutReachable: collector.NoPoint,
	}
	if b.calls {
		b.site.Box.CalloutOldest = b.boxPoint("box.callout.oldest", collector.Number, seconds, 0)
		b.site.Box.CalloutReachable = b.boxPoint("box.callout.reachable", collector.State, units.None, 0)
	}
	b.modemPoints(channels)
}

func (b *builder) modemPoints(channels *strict.Value) {
	dBm, _ := units.Parse("dBm")
	for _, e := range channels.Entries() {
		if !e.Has("modem") {
			continue
		}
		b.site.Box.Modems = append(b.site.Box.Modems, ModemPoints{
			Channel:    e.Key(),
			Registered: b.boxPoint("box.modem."+e.Key()+".registered", collector.State, units.None, 0),
			Signal:     b.boxPoint("box.modem."+e.Key()+".signal", collector.Number, dBm, 0),
		})
	}
}

func (b *builder) boxPoint(name string, kind collector.Kind, unit units.Unit, digits int) collector.PointID {
	p := &point{settled: true, every: time.Second, unit: unit}
	p.Point = collector.Point{ID: collector.PointID(len(b.points)), Name: name, Station: "box", Kind: kind,
		Unit: unit.String(), Digits: digits, Low: math.NaN(), High: math.NaN()}
	b.add(p)
	return p.ID
}

// addOwnRules adds what Roundsman rings about itself, but for the points that rules of the site judge.
// They go with a site that is right so far; a pattern of theirs that finds no point is no fault of the site.
func (b *builder) addOwnRules() {
	if b.log.Failed() {
		return
	}
	top := strict.Parse("roundsman's own rules", ownRules, rulesShape(), &strict.Log{})
	judged := map[collector.PointID]bool{}
	for _, e := range b.entries {
		judged[e.rule.Point] = true
	}
	for _, v := range top.Get("rules").Entries() {
		if _, taken := b.ruleIndex[v.Key()]; taken {
			continue
		}
		ref := ruleRef{v: v, first: len(b.entries)}
		own := slices.DeleteFunc(b.readRule(v), func(e *entry) bool { return judged[e.rule.Point] })
		for _, e := range own {
			e.rule.CallOut = b.ownCallOut
		}
		b.entries = append(b.entries, own...)
		ref.last = len(b.entries)
		b.ruleIndex[v.Key()] = ref
	}
}
