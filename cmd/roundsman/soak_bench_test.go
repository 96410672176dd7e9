package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus/device"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// The bench is a second controller of the soak, which answers always: its points and alarms are for little plays, each of
// one trait of an alarm, of which every line of the journal is foretold from the times of the play alone.
const (
	benchCourse = iota
	benchLatch
	benchMains
	benchOne
	benchTwo
	benchHours
	benchRate
	benchClamp
	benchShelf
	benchOut
	benchTotal
	benchAgain
	benchPump
	benchMotor
	benchKept
	benchRegisters
)

// eyes is how long it takes until the bench sees a change: a round.
const eyes = soakPoll + 100*time.Millisecond

const benchSite = `  bench: {modbus: 'tcp://127.0.0.1:2', timeout: 500ms, retries: 2}
  far: {modbus: 'tcp://127.0.0.1:3', timeout: 500ms, retries: 2}
`

var benchSignals = []string{
	benchCourse: "course", benchLatch: "latch", benchOne: "one", benchTwo: "two", benchHours: "hours", benchRate: "rate",
	benchClamp: "clamp", benchShelf: "shelf", benchOut: "out", benchTotal: "total", benchAgain: "again", benchKept: "kept",
}

func benchPoints() (text string) {
	for at, name := range benchSignals {
		if name != "" {
			text += fmt.Sprintf("  bench.%s: {station: bench, link: bench, unit-id: 1, holding: %d, type: int16, signal: 4-20mA, raw-per-mA: 1000, scale: {from: [4 mA, 20 mA], to: [0 bar, 16 bar]}, clamp: %v, every: %v}\n", name, at, at == benchClamp, soakPoll)
		}
	}
	for at, name := range map[int]string{benchMains: "mains", benchPump: "pump", benchMotor: "motor"} {
		text += fmt.Sprintf("  bench.%s: {station: bench, link: bench, unit-id: 1, holding: %d, type: bit, bit: 0, every: %v}\n", name, at, soakPoll)
	}
	return text + fmt.Sprintf("  bench.far: {station: bench, link: far, unit-id: 1, holding: 0, type: int16, unit: bar, every: %v}\n", soakPoll) +
		"conditions:\n  bench.open: {hours: {daily: ['01:00-02:30', '03:30-04:30', '07:00-20:00']}}\n  bench.closed: not bench.open\n"
}

// Delays of the bench's rules.
const (
	benchOn     = 10 * time.Second
	mainsOn     = 4 * time.Second
	totalOff    = 30 * time.Second
	againAfter  = 2 * time.Minute
	staleAfter  = 30 * time.Second
	runsLonger  = time.Minute
	startsOver  = 5 * time.Minute
	startsAbove = 3
)

// benchOpen are the hours in which hours-low may ring.
var benchOpen = [][2]time.Duration{{time.Hour, 150 * time.Minute}, {210 * time.Minute, 270 * time.Minute}, {7 * time.Hour, 20 * time.Hour}}

const benchRules = `  course: {point: bench.course, low: 5.5 bar, deadband: 0.3 bar, on-delay: 40s, off-delay: 30s, severity: major, time-to-respond: 2m, response: Look.}
  latch: {point: bench.latch, high: 9 bar, deadband: 0.2 bar, on-delay: 10s, off-delay: 10s, latch: true, severity: severe, time-to-respond: 5m, response: Look.}
  mains: {point: bench.mains, equals: false, on-delay: 4s, severity: severe, time-to-respond: 1m, response: Look.}
  two: {point: bench.two, low: 5.5 bar, deadband: 0.2 bar, on-delay: 10s, caused-by: [mains], severity: minor, time-to-respond: 20m, response: Look.}
  one: {point: bench.one, low: 5.5 bar, deadband: 0.2 bar, on-delay: 10s, caused-by: [mains], severity: minor, time-to-respond: 20m, response: Look.}
  hours: {point: bench.hours, low: 5.5 bar, deadband: 0.2 bar, on-delay: 10s, suppress-when: [bench.closed], severity: minor, time-to-respond: 5m, response: Look.}
  rate: {point: bench.rate, rate: -0.1 bar/s, over: 20s, severity: severe, time-to-respond: 12m, response: Look.}
  shelf: {point: bench.shelf, low: 5.5 bar, deadband: 0.2 bar, on-delay: 10s, severity: major, time-to-respond: 40m, response: Look.}
  out: {point: bench.out, low: 5.5 bar, deadband: 0.2 bar, on-delay: 10s, priority: low, response: Look.}
  total: {point: bench.total, low: 5.5 bar, deadband: 0.2 bar, on-delay: 60s, off-delay: 30s, on-total: 30s of 2m, priority: high, response: Look.}
  again: {point: bench.again, low: 5.5 bar, deadband: 0.2 bar, on-delay: 10s, realarm-after: 2m, priority: medium, response: Look.}
  kept: {point: bench.kept, low: 5.5 bar, deadband: 0.2 bar, on-delay: 40s, priority: low, response: Look.}
  stale: {point: bench.far, stale: 30s, priority: low, response: Look.}
  runs: {point: bench.pump, running-longer-than: 60s, priority: low, response: Look.}
  starts: {point: bench.motor, starts-above: {count: 3, over: 5m}, priority: low, response: Look.}
`

// benchPriorities by severity and time, as the matrix of priorities in print has them, or by their own word.
var benchPriorities = map[string]rules.Priority{
	"course": rules.HighPriority, "latch": rules.MediumPriority, "mains": rules.HighPriority, "one": rules.LowPriority, "two": rules.LowPriority,
	"hours": rules.LowPriority, "rate": rules.MediumPriority, "shelf": rules.Note, "out": rules.LowPriority,
	"total": rules.HighPriority, "again": rules.MediumPriority, "stale": rules.LowPriority, "runs": rules.LowPriority, "kept": rules.LowPriority, "starts": rules.LowPriority,
}

// foretold is a line that the journal must have, at a time within a stretch.
type foretold struct {
	alarm, kind string
	stretch
}

func (f foretold) String() string { return fmt.Sprintf("%s %s %v-%v", f.alarm, f.kind, f.from, f.to) }

// play is what happens on the bench from a time on, and what the journal must say of it.
type play struct {
	r     *rand.Rand
	at    time.Duration // its present
	steps []change
	want  []foretold
	room  *soaked
}

// pass lets between least and least+more pass.
func (p *play) pass(least, more time.Duration) time.Duration {
	p.at += least
	if more > 0 {
		p.at += time.Duration(p.r.Int64N(int64(more))).Round(time.Millisecond)
	}
	return p.at
}

func (p *play) do(f func()) { p.steps = append(p.steps, change{p.at, f}) }

func (p *play) set(register int, value uint16) {
	p.do(func() { _ = p.room.bench.Set(device.Holding, uint16(register), value) })
}

// bar sets a signal of 4-20 mA for 0-16 bar.
func (p *play) bar(register int, bar float64) { p.set(register, uint16(4000+1000*bar)) }

func (p *play) expect(alarm, kind string, from, to time.Duration) {
	p.want = append(p.want, foretold{alarm, kind, stretch{from, to}})
}

// seen expects what follows a change of now after a delay, as the bench sees it.
func (p *play) seen(alarm, kind string, delay time.Duration) {
	p.expect(alarm, kind, p.at+delay, p.at+delay+eyes)
}

// act lets a person do something now; refused says that it must not be possible.
func (p *play) act(alarm, kind string, act rules.Act, refused bool) {
	act.Who, act.Why = "N. Quill", "as the play has it"
	p.do(func() {
		if err := p.room.d.judge.Act(context.Background(), alarm, act); (err != nil) != refused {
			p.room.Errorf("seed %d: %v: %s: %v: refused %v, must be %v", p.room.script.seed, time.Since(p.room.began), alarm, act.Kind, err, refused)
		}
	})
	if !refused {
		p.now(alarm, kind)
	}
}

func (p *play) now(alarm, kind string) { p.expect(alarm, kind, p.at, p.at+100*time.Millisecond) }

func (p *play) acknowledge(alarm string) {
	p.act(alarm, "acknowledged", rules.Act{Kind: rules.ActAcknowledge}, false)
}

func (p *play) coin() bool { return p.r.IntN(2) == 0 }

// level of the course's pressure.
type level uint8

const (
	fine   level = iota
	nearly       // back over the limit but within the deadband
	tooLow
	broken // the wire is off
)

// brokenAfter is how long a failed current must stand before it is a fault (defaultHold of package scaling), to the round.
const brokenAfter = 2 * time.Second

// waited foretells the course's alarm: what counts, what stands still, what begins anew.
type waited struct {
	*play
	active, waiting, held, lost bool
	over                        stretch // when the delay is over; while held, what is left of it
}

const (
	courseOn  = 40 * time.Second
	courseOff = 30 * time.Second
)

// enter begins a level now.
func (w *waited) enter(l level) {
	seen := stretch{w.at, w.at + eyes}
	if l == broken {
		w.bar(benchCourse, -0.6) // 3.4 mA
		w.hide(stretch{seen.from + brokenAfter, seen.to + brokenAfter})
		return
	}
	w.bar(benchCourse, []float64{7.5, 5.65, 4.9}[l])
	if w.lost {
		w.lost = false
		w.expect("course", "reading found", seen.from, seen.to)
	}
	bad := l == tooLow || l == nearly && w.active
	switch {
	case bad == w.active:
		w.waiting, w.held = false, false
	case !w.waiting:
		delay := courseOn
		if w.active {
			delay = courseOff
		}
		w.waiting, w.over = true, stretch{seen.from + delay, seen.to + delay}
	case w.held:
		w.held, w.over = false, stretch{seen.from + w.over.from, seen.to + w.over.to}
	}
}

// hide begins a time in which nothing is known: a delay stands still.
func (w *waited) hide(seen stretch) {
	if w.active && !w.lost {
		w.lost = true
		w.expect("course", "reading lost", seen.from, seen.to)
	}
	if w.waiting && !w.held {
		w.held, w.over = true, stretch{max(0, w.over.from-seen.to), w.over.to - seen.from}
	}
}

// stay lets about so long pass, more where it would not be sure whether a delay was over.
func (w *waited) stay(about time.Duration) {
	w.at += about
	if !w.waiting || w.held || w.over.from > w.at+eyes+brokenAfter {
		return
	}
	if w.over.to >= w.at {
		w.at = w.over.to + time.Second
	}
	w.active, w.waiting = !w.active, false
	w.expect("course", map[bool]string{true: "started", false: "returned"}[w.active], w.over.from, w.over.to)
}

// course plays lows, returns, deadbands and broken wires of any length in any order.
func (p *play) course() {
	w := &waited{play: p}
	l := fine
	for range 4 + p.r.IntN(9) {
		next := level(p.r.IntN(4))
		if next == l {
			continue
		}
		w.enter(next)
		l = next
		w.stay(5*time.Second + time.Duration(p.r.Int64N(int64(45*time.Second))).Round(time.Millisecond))
	}
	w.enter(fine)
	w.stay(courseOff + 20*time.Second)
	if len(w.want) > 0 {
		p.acknowledge("course")
	}
}

// latch: what latches stays until it is acknowledged and reset by a person, in this order.
func (p *play) latch() {
	rises := 1 + p.r.IntN(2)
	for range rises {
		p.bar(benchLatch, 10)
		p.seen("latch", "started", benchOn)
		p.pass(20*time.Second, 40*time.Second)
		p.bar(benchLatch, 7)
		p.seen("latch", "returned", benchOn)
		p.pass(20*time.Second, 40*time.Second)
	}
	p.act("latch", "", rules.Act{Kind: rules.ActReset}, true)
	p.acknowledge("latch")
	p.pass(10*time.Second, 20*time.Second)
	p.act("latch", "reset", rules.Act{Kind: rules.ActReset}, false)
}

// mains: while the mains are off what follows from that is silent, and listed in the order in which it came.
func (p *play) mains() {
	order := []string{"one", "two"}
	registers := map[string]int{"one": benchOne, "two": benchTwo}
	if p.coin() {
		slices.Reverse(order)
	}
	p.set(benchMains, 0)
	p.seen("mains", "started", mainsOn)
	p.seen("one", "suppressed", mainsOn)
	p.seen("two", "suppressed", mainsOn)
	p.pass(8*time.Second, 5*time.Second)
	for _, name := range order {
		p.bar(registers[name], 4.9)
		p.seen(name, "condition true", benchOn)
		p.pass(4*time.Second, 4*time.Second)
	}
	p.pass(15*time.Second, 20*time.Second)
	p.do(func() { p.room.listed("mains", order) })
	p.bar(registers[order[0]], 7.5)
	p.seen(order[0], "condition false", 0)
	p.pass(6*time.Second, 10*time.Second)
	p.set(benchMains, 1)
	p.seen("mains", "returned", 0)
	p.seen("one", "unsuppressed", 0)
	p.seen("two", "unsuppressed", 0)
	p.seen(order[1], "started", benchOn)
	p.pass(20*time.Second, 20*time.Second)
	p.bar(registers[order[1]], 7.5)
	p.seen(order[1], "returned", 0)
	p.pass(5*time.Second, 5*time.Second)
	p.acknowledge(order[1])
	p.acknowledge("mains")
}

// closedAt reports whether the bench is closed, and whether that changes soon.
func closedAt(at time.Duration) (closed, soon bool) {
	closed = true
	for _, o := range benchOpen {
		from, to := o[0], o[1]
		in := at % (24 * time.Hour)
		closed = closed && (in < from || in >= to)
		soon = soon || (in-from).Abs() < 3*time.Minute || (in-to).Abs() < 3*time.Minute
	}
	return closed, soon
}

// hours: low at night is on the journal and rings by day.
func (p *play) hours() {
	closed, soon := closedAt(p.at)
	if soon {
		return
	}
	words := []string{"started", "returned"}
	if closed {
		words = []string{"condition true", "condition false"}
	}
	p.bar(benchHours, 4.9)
	p.seen("hours", words[0], benchOn)
	p.pass(15*time.Second, time.Minute)
	p.bar(benchHours, 7.5)
	p.seen("hours", words[1], 0)
	p.pass(5*time.Second, 5*time.Second)
	if !closed {
		p.acknowledge("hours")
	}
}

// rate: a fast fall rings, as fast a rise does not.
func (p *play) rate() {
	const fall = 30
	from := p.at
	for s := range time.Duration(fall / 2) {
		p.bar(benchRate, 9-0.4*float64(s+1))
		p.pass(2*time.Second, 0)
	}
	p.expect("rate", "started", from+6*time.Second, from+18*time.Second)
	p.expect("rate", "returned", p.at+4*time.Second, p.at+18*time.Second)
	p.pass(40*time.Second, 20*time.Second)
	p.acknowledge("rate")
	for s := range fall / 2 {
		p.bar(benchRate, 3+0.4*float64(s+1))
		p.pass(2*time.Second, 0)
	}
	p.pass(30*time.Second, 0)
}

// clamp: a value beyond the scale's end is kept at it.
func (p *play) clamp() {
	p.bar(benchClamp, 16.4)
	p.pass(20*time.Second, time.Minute)
	p.do(func() {
		if got, ok := p.room.reading("bench.clamp"); !ok || got.Value != 16 {
			p.room.Errorf("seed %d: %v: 16.4 bar on a scale to 16, clamped, read %v", p.room.script.seed, time.Since(p.room.began), got)
		}
	})
	p.bar(benchClamp, 7.5)
}

// shelf: nothing rings until its end, then what is still so rings anew.
func (p *play) shelf() {
	before := p.coin()
	if before {
		p.bar(benchShelf, 4.9)
		p.seen("shelf", "started", benchOn)
		p.pass(20*time.Second, 20*time.Second)
	}
	long := 2*time.Minute + time.Duration(p.r.IntN(180))*time.Second
	p.act("shelf", "shelved", rules.Act{Kind: rules.ActShelve, For: long}, false)
	end := p.at + long
	p.pass(5*time.Second, 10*time.Second)
	if !before {
		p.bar(benchShelf, 4.9)
		p.seen("shelf", "condition true", benchOn)
	}
	still := p.coin()
	if !still {
		p.pass(20*time.Second, 30*time.Second)
		p.bar(benchShelf, 7.5)
		p.seen("shelf", "condition false", 0)
	}
	p.at = end
	p.now("shelf", "unshelved")
	if still {
		p.now("shelf", "started")
		p.pass(5*time.Second, 20*time.Second)
		p.bar(benchShelf, 7.5)
		p.seen("shelf", "returned", 0)
	}
	p.pass(5*time.Second, 5*time.Second)
	if still {
		p.acknowledge("shelf")
	}
}

// out: out of service nothing rings for as long as a person likes.
func (p *play) out() {
	p.act("out", "taken out of service", rules.Act{Kind: rules.ActTakeOut}, false)
	p.pass(5*time.Second, time.Minute)
	p.bar(benchOut, 4.9)
	p.seen("out", "condition true", benchOn)
	p.pass(20*time.Second, 5*time.Minute)
	still := p.coin()
	if !still {
		p.bar(benchOut, 7.5)
		p.seen("out", "condition false", 0)
		p.pass(5*time.Second, time.Minute)
	}
	p.act("out", "put back in service", rules.Act{Kind: rules.ActPutBack}, false)
	if still {
		p.now("out", "started")
		p.pass(5*time.Second, time.Minute)
		p.bar(benchOut, 7.5)
		p.seen("out", "returned", 0)
		p.pass(5*time.Second, 0)
		p.acknowledge("out")
	}
}

// total: many short dips ring by their sum; few do not.
func (p *play) total() {
	from, rings := p.at, p.coin()
	dip, gap, dips := 4*time.Second, 28*time.Second, 3+p.r.IntN(3)
	if rings {
		dip, gap, dips = 6*time.Second, 6*time.Second, 10
	}
	for range dips {
		p.bar(benchTotal, 4.9)
		p.pass(dip, 0)
		p.bar(benchTotal, 7.5)
		p.pass(gap, 0)
	}
	if rings {
		last := p.at - gap
		p.expect("total", "started", from+3*(dip+gap), from+8*(dip+gap))
		p.expect("total", "returned", last+totalOff, last+totalOff+eyes)
		p.pass(totalOff, 10*time.Second)
		p.acknowledge("total")
	}
	p.pass(2*time.Minute, 0)
}

// again: who acknowledged is asked again while it lasts.
func (p *play) again() {
	p.bar(benchAgain, 4.9)
	p.seen("again", "started", benchOn)
	p.pass(15*time.Second, time.Minute)
	for range 1 + p.r.IntN(2) {
		p.acknowledge("again")
		p.pass(againAfter, 0)
		p.now("again", "re-alarmed")
		p.pass(time.Second, 30*time.Second)
	}
	p.acknowledge("again")
	p.pass(5*time.Second, againAfter-20*time.Second)
	p.bar(benchAgain, 7.5)
	p.seen("again", "returned", 0)
	p.pass(5*time.Second, 0)
}

// stale: a controller that is not heard for long; a short silence is none.
func (p *play) stale() {
	long := p.coin()
	quiet := 4*time.Second + time.Duration(p.r.IntN(6))*time.Second
	if long {
		quiet = 40*time.Second + time.Duration(p.r.IntN(120))*time.Second
	}
	heal := func() {}
	p.do(func() { heal = p.room.far.Inject(device.Fault{Kind: device.Silent}) })
	if long {
		p.expect("stale", "started", p.at+staleAfter-eyes, p.at+staleAfter+eyes)
	}
	p.pass(quiet, 0)
	p.do(func() { heal() })
	if long {
		p.expect("stale", "returned", p.at, p.at+backLate)
		p.pass(backLate+time.Second, 0)
		p.acknowledge("stale")
	}
	p.pass(backLate, 0)
}

// runs: a pump that runs for too long.
func (p *play) runs() {
	p.set(benchPump, 1)
	if p.coin() {
		p.pass(20*time.Second, runsLonger-25*time.Second)
		p.set(benchPump, 0)
		p.pass(5*time.Second, 0)
		return
	}
	p.seen("runs", "started", runsLonger)
	p.pass(runsLonger+5*time.Second, time.Minute)
	p.set(benchPump, 0)
	p.seen("runs", "returned", 0)
	p.pass(5*time.Second, 0)
	p.acknowledge("runs")
}

// starts: one start too many, until the first of them is long ago.
func (p *play) starts() {
	n, first := startsAbove+p.r.IntN(2), p.at
	for i := range n {
		p.set(benchMotor, 1)
		if i == startsAbove {
			p.seen("starts", "started", 0)
			p.expect("starts", "returned", first+startsOver, first+startsOver+eyes)
		}
		p.pass(5*time.Second, 5*time.Second)
		p.set(benchMotor, 0)
		p.pass(5*time.Second, 5*time.Second)
	}
	p.at = max(p.at, first+startsOver+5*time.Second)
	if n > startsAbove {
		p.acknowledge("starts")
	}
	p.pass(startsOver, 0)
}

// kept: a delay that the box's own absence cuts goes on by the clock, and what was due meanwhile rings at once.
func (p *play) kept(off event) {
	const delay = 40 * time.Second
	p.at = off.from - 15*time.Second
	due := p.at + delay
	p.bar(benchKept, 4.9)
	p.expect("kept", "started", max(due, off.to), max(due+eyes, off.to+backLate))
	p.at = max(due, off.to) + backLate + 2*time.Second
	p.bar(benchKept, 7.5)
	p.seen("kept", "returned", 0)
	p.pass(5*time.Second, 0)
	p.acknowledge("kept")
}

var benchPlays = []func(*play){(*play).course, (*play).course, (*play).latch, (*play).mains, (*play).hours, (*play).rate, (*play).clamp,
	(*play).shelf, (*play).out, (*play).total, (*play).again, (*play).stale, (*play).runs, (*play).starts}

// theatre is all plays of a script: each kind has points and alarms of its own, so that they go on side by side.
func theatre(s script, room *soaked) (steps []change, want []foretold) {
	var off []stretch
	for _, e := range s.events {
		if e.kind == boxOff {
			off = append(off, stretch{e.from - 10*time.Second, e.to + backLate})
			p := &play{room: room}
			p.kept(e)
			steps, want = append(steps, p.steps...), append(want, p.want...)
		}
	}
	hidden := func(from, to time.Duration) (time.Duration, bool) {
		for _, o := range off {
			if o.from < to && o.to > from {
				return o.to, true
			}
		}
		return 0, false
	}
	for i, write := range benchPlays[1:] {
		r := rand.New(rand.NewPCG(s.seed, 100+uint64(i)))
		for at := 3 * time.Minute; ; {
			at += 10*time.Second + time.Duration(r.ExpFloat64()*float64(4*time.Minute)).Round(time.Millisecond)
			p := &play{r: r, at: at, room: room}
			write(p)
			p.pass(5*time.Second, 0)
			if p.at > s.length-20*time.Minute {
				break
			}
			if end, no := hidden(at, p.at); no { // nobody may miss a scene
				at = end
				continue
			}
			steps, want = append(steps, p.steps...), append(want, p.want...)
			at = p.at
		}
	}
	return steps, append(want, curtains(s.length, hidden)...)
}

// curtains are the lines of opening and closing.
func curtains(length time.Duration, hidden func(from, to time.Duration) (time.Duration, bool)) (want []foretold) {
	want = append(want, foretold{"hours", "suppressed", stretch{0, eyes}})
	for day := time.Duration(0); day < length; day += 24 * time.Hour {
		for _, o := range benchOpen {
			for i, at := range o {
				late := at + day
				if late >= length {
					return want
				}
				for end, no := hidden(late, late+eyes); no; end, no = hidden(late, late+eyes) {
					late = end
				}
				want = append(want, foretold{"hours", []string{"unsuppressed", "suppressed"}[i], stretch{at + day, late + eyes}})
			}
		}
	}
	return want
}

// listed holds the consequences of a cause against the order in which they came.
func (r *soaked) listed(cause string, order []string) {
	v := r.d.board.View()
	for i := range v.Site.Rules {
		if v.Site.Rules[i].Name != cause {
			continue
		}
		var got []string
		for _, c := range v.Alarms[i].Consequences {
			got = append(got, v.Site.Rules[c].Name)
		}
		if !slices.Equal(got, order) {
			r.Errorf("seed %d: %v: %s lists %v, they came as %v", r.script.seed, time.Since(r.began), cause, got, order)
		}
	}
}

// reading is what is shown of a point.
func (r *soaked) reading(point string) (collector.Reading, bool) {
	v := r.d.board.View()
	i := slices.IndexFunc(v.Site.Points, func(p collector.Point) bool { return p.Name == point })
	if i < 0 {
		return collector.Reading{}, false
	}
	return v.Readings[i], true
}

// review holds the journal's lines about the bench against what was foretold.
func (r *soaked) review(all map[string][]record.Line) {
	want := map[string][]foretold{}
	for _, f := range r.foretold {
		want[f.alarm] = append(want[f.alarm], f)
	}
	for alarm, priority := range benchPriorities {
		list, got := want[alarm], all[alarm]
		slices.SortStableFunc(list, func(a, b foretold) int { return int(a.from - b.from) })
		for i := range max(len(list), len(got)) {
			if i < len(got) && got[i].Kind == "started" && got[i].Priority != priority {
				r.Errorf("seed %d: %s started with priority %v, must be %v", r.script.seed, alarm, got[i].Priority, priority)
			}
			if i < len(list) && i < len(got) && list[i].fits(got[i], r.began) {
				continue
			}
			r.Errorf("seed %d: line %d of %s is %s, want %s", r.script.seed, i+1, alarm, told3(got, i, r.began), list[min(i, len(list)):min(i+3, len(list))])
			break
		}
	}
	r.Logf("seed %d: %d lines of the bench were foretold", r.script.seed, len(r.foretold))
}

func (f foretold) fits(l record.Line, began time.Time) bool {
	at := l.Time.Sub(began)
	return string(l.Kind) == f.kind && at >= f.from-time.Millisecond && at <= f.to
}

// told3 tells up to three lines.
func told3(list []record.Line, i int, began time.Time) (words []string) {
	for ; i < len(list) && len(words) < 3; i++ {
		words = append(words, fmt.Sprintf("%s %v", list[i].Kind, list[i].Time.Sub(began)))
	}
	return words
}
