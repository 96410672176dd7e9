package main

import (
	"context"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record"
)

// monthsSite is a room whose machines tell in five ways that they run: a contact, a current between two thresholds, the
// speed of a drive, an hour meter, and a counter of starts beside it. Opening hours are by the wall clock alone.
const monthsSite = `site: {name: Marsh Lane Wash, time-zone: Europe/London}
rules: [rules.yaml]
record: {path: corner.db}
links:
  plc: {modbus: 'tcp://127.0.0.1:1'}
points:
  air.pressure: {link: plc, unit-id: 1, holding: 10, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}, every: 1s}
  air.running: {link: plc, unit-id: 1, discrete: 0, type: bool, every: 1s}
  air.loaded: {link: plc, unit-id: 1, discrete: 1, type: bool, every: 1s}
  one.run: {link: plc, unit-id: 1, discrete: 4, type: bool, every: 1s}
  two.run: {link: plc, unit-id: 1, discrete: 5, type: bool, every: 1s}
  arch.current: {link: plc, unit-id: 1, holding: 12, type: int16, scale: 0.1 A, every: 1s}
  booster.speed: {link: plc, unit-id: 1, holding: 13, type: int16, scale: 0.1 Hz, every: 1s}
  blower.hours: {link: plc, unit-id: 1, holding: 14, type: uint32, kind: counter, scale: 0.1 h, every: 1s}
  blower.starts: {link: plc, unit-id: 1, holding: 16, type: uint32, kind: counter, unit: starts, every: 1s}
  fresh.pulses: {link: plc, unit-id: 1, holding: 20, type: uint32, kind: counter, unit: pulses, every: 1s}
  reclaim.pulses: {link: plc, unit-id: 1, holding: 22, type: uint32, kind: counter, unit: pulses, every: 1s}
  cars: {link: plc, unit-id: 1, holding: 24, type: uint32, kind: counter, unit: cars, every: 1s}
  tank.volume: {link: plc, unit-id: 1, holding: 26, unit: L, every: 1s}
  filter.dp: {link: plc, unit-id: 1, holding: 28, type: int16, scale: 0.001 bar, every: 1s}
  filter.backwash: {link: plc, unit-id: 1, discrete: 6, type: bool, every: 1s}
  arch.power: {link: plc, unit-id: 1, holding: 30, type: int16, scale: 0.01 kW, every: 1s}
  fresh: {total: fresh.pulses, per-pulse: 10 L}
  reclaim: {total: reclaim.pulses, per-pulse: 50 L}
equipment:
  compressor: {run: air.running, hold-at-most: 150s, rated: 11 kW, unloaded: 30 %, loaded: air.loaded, load-cycles-per-hour: 40, service: [{name: oil, every: 4000 h}]}
  one: {run: one.run, hold-at-most: 150s, rated: 7.5 kW, least-run: 90s, starts-per-hour: 10, pair: two, service: [{name: grease bearings, every: 100 h}]}
  two: {run: two.run, hold-at-most: 150s, rated: 7.5 kW, pair: one}
  arch: {run: arch.current, above: 8 A, below: 4 A, hold-at-most: 150s, rated: 18.5 kW, energy: arch.power}
  booster: {run: booster.speed, above: 5 Hz, hold-at-most: 150s, rated: 4 kW}
  blower: {hour-meter: blower.hours, start-counter: blower.starts, rated: 5.5 kW}
review:
  open: {monday-saturday: '08:00-18:00', sunday: '10:00-16:00', except: {2000-03-17: closed}}
  vehicles: cars
  air: {pressure: air.pressure, minimum: 5.5 bar, loaded: air.loaded, running: air.running, delivery: 30 L/s, power: 11.4 kW, energy-price: 0.28, currency: GBP}
  water: {fresh: fresh, reclaim: reclaim, tanks: {break tank: {volume: tank.volume, in: fresh}}, filters: {sand filter: {difference: filter.dp, backwash: filter.backwash, through: reclaim, due: 0.7 bar}}}
`

// The points of monthsSite by their place in the file.
const (
	pressure = iota
	airRunning
	airLoaded
	oneRun
	twoRun
	archCurrent
	boosterSpeed
	blowerHours
	blowerStarts
	freshPulses
	reclaimPulses
	carsCount
	tankVolume
	filterDP
	filterBackwash
	archPower
	monthsPoints
)

// look is what the room showed at one minute; a NaN was a reading that could not be used.
type look struct {
	at   time.Time
	v    [monthsPoints]float64
	lost bool // a kill took it from the trends: at most ten seconds of them are open
}

// monthsPlan is a room over weeks that nobody has seen before: machines that start and stop by dice, a contact that is
// lost for minutes, a link that is silent, a box that is off for a night, killed for hours, and off for two days.
type monthsPlan struct {
	begin, end time.Time
	zone       *time.Location
	looks      []look // of all minutes that were looked at
	off        []span // the box was off
}

type span struct {
	from, to time.Time
	killed   bool
}

func (s *span) holds(t time.Time) bool { return !t.Before(s.from) && t.Before(s.to) }

// openAt is the opening hours once more, by the wall clock.
func (p *monthsPlan) openAt(t time.Time) bool {
	t = t.In(p.zone)
	minute := t.Hour()*60 + t.Minute()
	if _, month, day := t.Date(); month == 3 && day == 17 {
		return false
	}
	if t.Weekday() == time.Sunday {
		return minute >= 10*60 && minute < 16*60
	}
	return minute >= 8*60 && minute < 18*60
}

// newMonthsPlan throws the dice.
func newMonthsPlan(t *testing.T, days int) *monthsPlan {
	t.Helper()
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2000, 2, 24, 4, 0, 0, 0, time.UTC)
	p := &monthsPlan{begin: begin, end: begin.AddDate(0, 0, days), zone: zone}
	at := func(day, hour, minute int) time.Time {
		return time.Date(2000, 2, 24+day, hour, minute, 0, 0, time.UTC)
	}
	p.off = []span{{at(3, 21, 7), at(4, 6, 2), false}, {at(12, 11, 31), at(12, 15, 40), true}, {at(19, 9, 3), at(21, 13, 0), false}, {at(31, 0, 40), at(31, 2, 10), true}}
	d := &monthsDice{Rand: rand.New(rand.NewPCG(7, 11)), plan: p, silent: span{begin, begin, false}, pressure: 7.4}
	for at := begin; at.Before(p.end); at = at.Add(time.Minute) {
		v := d.minute(at)
		if p.isOff(at) || d.silent.holds(at) || at.Minute()%2 == 1 && at.Hour() >= 11 { // each minute in the forenoon, every other later
			continue
		}
		p.looks = append(p.looks, look{at: at, v: v})
	}
	return p
}

func (p *monthsPlan) isOff(at time.Time) bool {
	for i := range p.off {
		if p.off[i].holds(at) {
			return true
		}
	}
	return false
}

// monthsDice is the room while it is played.
type monthsDice struct {
	*rand.Rand
	plan   *monthsPlan
	silent span
	lost   int // minutes for which the contact of pump one is still lost

	on                         [5]bool
	pressure                   float64
	hours, starts              float64
	fresh, reclaim, cars, dirt float64
	tank                       float64
}

// flip lets a machine start or stop with a chance a minute.
func (d *monthsDice) flip(i int, start, stop float64) bool {
	if d.on[i] {
		d.on[i] = d.Float64() >= stop
	} else {
		d.on[i] = d.Float64() < start
	}
	return d.on[i]
}

func (d *monthsDice) minute(at time.Time) (v [monthsPoints]float64) {
	open := d.plan.openAt(at)
	busy := func(day, night float64) float64 {
		if open {
			return day
		}
		return night
	}
	day := at.Sub(d.plan.begin).Hours() / 24
	if d.Float64() < 1/4000. {
		d.silent = span{at, at.Add(time.Duration(1+d.IntN(60)) * time.Minute), false}
	}
	if d.lost--; d.Float64() < 1/700. {
		d.lost = 1 + d.IntN(30)
	}
	running := d.flip(0, busy(0.3, 0.002), busy(0.005, 0.08))
	loaded := running && d.flip(1, 0.4, 0.5)
	one := d.flip(2, busy(0.12, 0.0015), 0.25-0.003*day) // it runs longer from day to day
	two := d.flip(3, busy(0.03, 0.0005), 0.3)
	arch := open && d.flip(4, 0.15, 0.2)
	current := 0.3
	switch {
	case arch && d.Float64() < 0.3:
		current = 6 // between the thresholds
	case arch:
		current = 20 + math.Round(40*d.Float64())/10
	}
	blower := open && at.Minute()%30 < 20
	if blower {
		d.hours += 1. / 60
		if at.Minute()%30 == 0 {
			d.starts++
		}
		d.cars += 0.3 + 0.4*d.Float64()
		d.fresh += 25 + 20*d.Float64()
		d.reclaim += 70
		d.dirt += 0.0008
	}
	d.fresh += 0.4
	if d.pressure = math.Round(1728*(5.4+2.6*d.Float64())) / 1728; d.pressure == 5.5 { // in steps of its register, never the limit itself
		d.pressure = 5.6
	}
	backwash := at.In(d.plan.zone).Hour() == 19 && at.In(d.plan.zone).Minute() < 6
	if backwash {
		d.dirt = 0
	}
	d.tank = 8000 + math.Round(500*math.Sin(float64(at.Unix())/40000))
	v = [monthsPoints]float64{d.pressure, contact(running), contact(loaded), contact(one), contact(two), current, 38 * contact(two && at.Minute()%7 != 0), math.Floor(10*d.hours) / 10, d.starts,
		math.Floor(d.fresh / 10), math.Floor(d.reclaim / 50), math.Floor(d.cars), d.tank, math.Round(1000*(0.2+d.dirt)) / 1000, contact(backwash), math.Round(100*current*0.6) / 100}
	if d.lost > 0 {
		v[oneRun] = math.NaN()
	}
	return v
}

// play makes a record of the plan.
func (p *monthsPlan) play(t *testing.T, dir string) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		w := &weeksRoom{t: t, dir: dir}
		up := p.opened(t, w)
		next, tidy := 0, p.begin // of off; when the housework was done last
		for _, l := range p.looks {
			if next < len(p.off) && l.at.After(p.off[next].from) {
				p.shut(t, w, up, p.off[next])
				next++
				up = p.opened(t, w)
			}
			time.Sleep(time.Until(l.at))
			p.show(w, &l)
			if hour := l.at.Truncate(time.Hour); hour.After(tidy) {
				tidied(t, w, up)
				tidy = hour
			}
		}
		tidied(t, w, up)
		if err := up.Close(); err != nil {
			t.Error(err)
		}
		w.close()
	})
}

func (p *monthsPlan) opened(t *testing.T, w *weeksRoom) *record.Upkeep {
	t.Helper()
	wait := p.begin
	for i := range p.off {
		if !time.Now().Before(p.off[i].from) {
			wait = p.off[i].to
		}
	}
	time.Sleep(time.Until(wait))
	w.open()
	up, err := record.NewUpkeep(w.record, record.Keep{Readings: 30 * 24 * time.Hour, Minutes: 400 * 24 * time.Hour, Zone: p.zone}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return up
}

// shut ends the box as planned, or as a kill does: then what is on the disk is all there is.
func (p *monthsPlan) shut(t *testing.T, w *weeksRoom, up *record.Upkeep, off span) {
	t.Helper()
	time.Sleep(time.Until(off.from))
	if err := up.Close(); err != nil {
		t.Error(err)
	}
	if !off.killed {
		w.close()
		return
	}
	path := filepath.Join(w.dir, "corner.db")
	copied := map[string][]byte{}
	for _, suffix := range []string{"", "-wal"} {
		text, err := os.ReadFile(path + suffix)
		if err != nil {
			t.Fatal(err)
		}
		copied[suffix] = text
	}
	if err := w.record.Close(); err != nil {
		t.Error(err)
	}
	for suffix, text := range copied {
		if err := os.WriteFile(path+suffix, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

func (p *monthsPlan) show(w *weeksRoom, l *look) {
	at := w.judge.clock.Now()
	var batch []collector.Reading
	for i, v := range l.v {
		if math.IsNaN(v) {
			batch = append(batch, collector.Fail(collector.PointID(i), collector.NoAnswer, 0, at, ""))
			continue
		}
		batch = append(batch, collector.Reading{Point: collector.PointID(i), Value: v, Quality: collector.Good, At: at})
	}
	w.feed(batch)
}

// lose marks what kills took from the trends: of each the open window at most, here the last look or none.
func (p *monthsPlan) lose(t *testing.T, path string) {
	t.Helper()
	r, err := record.Read(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	trend, err := r.Trend(t.Context(), "air.pressure")
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; i < len(p.looks); i++ {
		last := &p.looks[i-1]
		for _, off := range p.off {
			if !off.killed || !last.at.Before(off.from) || p.looks[i].at.Before(off.to) {
				continue
			}
			last.lost = true
			for _, err := range trend.Minutes(t.Context(), last.at, off.from) {
				last.lost = err != nil
			}
		}
	}
}

// tidied lets the housework do all that is due.
func tidied(t *testing.T, w *weeksRoom, up *record.Upkeep) {
	t.Helper()
	for {
		more, err := up.Step(context.Background(), w.judge.clock.Time(w.judge.clock.Now()))
		if err != nil {
			t.Fatal(err)
		}
		if !more {
			return
		}
	}
}
