package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus/device"
	"roundsman/collector/modbus/wire"
	"roundsman/configs"
	"roundsman/exporter/record"
)

// keptSeeds once disagreed with the model, or are the first ever tried.
var keptSeeds = []uint64{1, 2}

// TestHeavySoak runs the whole chain in fake time, link, judge, rules and record, against a controller that a script of random
// faults disturbs every few minutes, restarts and outages of the box included, and one on which little plays of each trait
// of an alarm go on; then it holds the journal against models that know only the script. ROUNDSMAN_LONG=1 makes it thirty
// days of a seed of the day, about ten minutes of one core: give -timeout 1h. ROUNDSMAN_SEED names a seed.
func TestHeavySoak(t *testing.T) {
	seeds, days := keptSeeds, 0.25
	if testing.Short() {
		days = 0.05
	}
	if os.Getenv("ROUNDSMAN_LONG") == "1" {
		seeds, days = []uint64{rand.Uint64()}, 30
	}
	if text := os.Getenv("ROUNDSMAN_SEED"); text != "" {
		seed, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		seeds = []uint64{seed}
	}
	for _, seed := range seeds {
		t.Run(fmt.Sprint("seed=", seed), func(t *testing.T) {
			s := newScript(seed, time.Duration(days*24)*time.Hour)
			synctest.Test(t, func(t *testing.T) { soak(t, s) })
		})
	}
	for _, k := range keptScenes {
		t.Run(fmt.Sprintf("seed=%d,%v", k.seed, k.from), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { soak(t, k.script()) })
		})
	}
}

// scene is a part of a seed's script.
type scene struct {
	seed     uint64
	from, to time.Duration
}

// keptScenes once disagreed with the model, late in a long run.
var keptScenes = []scene{
	{1, 19*time.Hour + 40*time.Minute, 20*time.Hour + 5*time.Minute}, // a map moved while a wire was off
}

// script is the scene alone, with calm before and after.
func (k scene) script() script {
	const before, after = 3 * time.Minute, 20 * time.Minute
	s := script{seed: k.seed, length: before + k.to - k.from + after}
	for _, e := range newScript(k.seed, k.to+2*after).events {
		if e.from >= k.from && e.to <= k.to {
			e.from, e.to = e.from-k.from+before, e.to-k.from+before
			s.events = append(s.events, e)
		}
	}
	return s
}

const (
	soakPoints = 6
	soakPoll   = 2 * time.Second
	soakOn     = 40 * time.Second // of the low alarms
	soakBadOn  = 30 * time.Second // of the fault alarms
	soakOff    = 30 * time.Second
)

// kinds of trouble in a script.
type trouble uint8

const (
	lowAir   trouble = iota // a pressure is really low
	wireOff                 // a wire of a 4-20 mA signal is off: 3.4 mA
	unheard                 // the controller does not answer as it should
	slow                    // it answers late, but in time
	boxOff                  // the box is stopped and started later
	troubles                // how many kinds
)

func (k trouble) String() string {
	return [...]string{"low air", "wire off", "not heard", "slow", "box off"}[k]
}

// event is one trouble; times are since the start of the script.
type event struct {
	kind     trouble
	point    int
	from, to time.Duration
	fault    device.Fault
}

func (e event) String() string {
	return fmt.Sprintf("%v %s p%d %v (%v)", e.from, e.kind, e.point, e.to-e.from, e.fault.Kind)
}

// script is all that happens; the model knows nothing else.
type script struct {
	seed   uint64
	length time.Duration
	events []event
}

// wrongs are the ways of a controller that is not heard. None of them may pass for a reading.
var wrongs = []device.Fault{
	{Kind: device.Silent}, {Kind: device.Late, Delay: 1300 * time.Millisecond}, {Kind: device.Truncated}, {Kind: device.Garbage},
	{Kind: device.WrongUnit}, {Kind: device.WrongFunction}, {Kind: device.WrongLength}, {Kind: device.Shorter}, {Kind: device.BadCheck},
	{Kind: device.Echo}, {Kind: device.Reset}, {Kind: device.Exception, Code: 4}, {Kind: device.Exception, Code: 6}, {Kind: device.Zeros}, {Kind: device.Shifted, By: 1},
}

func newScript(seed uint64, length time.Duration) script {
	r := rand.New(rand.NewPCG(seed, 8))
	s := script{seed: seed, length: length}
	free := map[[2]int]time.Duration{} // when a kind of trouble may come to a point again
	for at := 3 * time.Minute; ; {
		at += 10*time.Second + time.Duration(r.ExpFloat64()*float64(2*time.Minute))
		e := event{kind: trouble(r.IntN(int(troubles))), point: r.IntN(soakPoints), from: at.Round(time.Millisecond)}
		if n := len(s.events); n > 0 && s.events[n-1].kind == lowAir && r.IntN(3) > 0 { // what hides a low just begun
			at = s.events[n-1].from + time.Duration(2500+r.IntN(30000))*time.Millisecond
			e = event{kind: wireOff + trouble(r.IntN(2)), point: s.events[n-1].point, from: at.Round(time.Millisecond)}
		}
		if e.kind == boxOff && (r.IntN(4) > 0 || oneLife(e.from)) {
			e.kind = lowAir
		}
		if e.kind >= unheard {
			e.point = 0 // of all
		}
		long := 45*time.Second + time.Duration(r.ExpFloat64()*float64(3*time.Minute))
		if e.kind == lowAir {
			long = 60*time.Second + time.Duration(r.ExpFloat64()*float64(30*time.Second))
		}
		e.to = e.from + long
		if r.IntN(2) == 0 {
			e.to = e.from + time.Second + time.Duration(r.IntN(5000))*time.Millisecond
		}
		e.to = e.to.Round(time.Millisecond)
		if e.kind == unheard {
			e.fault = wrongs[r.IntN(len(wrongs))]
		}
		if e.kind == slow {
			e.fault = device.Fault{Kind: device.Split, Bytes: 5, Delay: 20 * time.Millisecond}
		}
		if e.to > length-20*time.Minute { // calm at the end: all must return
			return s
		}
		place := [2]int{int(e.kind), e.point}
		if e.from < free[place] {
			continue
		}
		free[place] = e.to + 100*time.Second
		s.events = append(s.events, e)
	}
}

// oneLife tells the days in which the box is never off: two of three, and all from the eleventh on, so that what a daemon
// holds shows over days and weeks of one life.
func oneLife(at time.Duration) bool {
	day := int(at / (24 * time.Hour))
	return day%3 > 0 || day >= 10
}

const soakSite = `site: {name: Corner Wash, time-zone: Europe/Dublin}
record: {path: corner.db}
rules: [rules.yaml]
links:
  plc: {modbus: 'tcp://127.0.0.1:1', timeout: 500ms, retries: 2, marker: {holding: 7, equals: 23205}}
` + benchSite + `points:
`

// soakFiles writes the site: pressures by 4-20 mA, 0 to 16 bar, each with a low and a fault alarm.
func soakFiles(t *testing.T) string {
	t.Helper()
	site, list := soakSite, "rules:\n"
	for p := range soakPoints {
		site += fmt.Sprintf("  room.p%d: {station: room, link: plc, unit-id: 1, holding: %d, type: int16, signal: 4-20mA, raw-per-mA: 1000, scale: {from: [4 mA, 20 mA], to: [0 bar, 16 bar]}, every: %v}\n", p, p, soakPoll)
		list += fmt.Sprintf("  low-%d: {point: room.p%d, low: 5.5 bar, deadband: 0.3 bar, on-delay: %v, off-delay: %v, severity: major, time-to-respond: 2m, response: Stop loading.}\n", p, p, soakOn, soakOff)
		list += fmt.Sprintf("  lost-%d: {point: room.p%d, bad: true, on-delay: %v, off-delay: 1s, severity: minor, time-to-respond: 20m, response: Look at the wire.}\n", p, p, soakBadOn)
	}
	dir := memoryDir(t)
	write(t, dir, "site.yaml", site+benchPoints())
	write(t, dir, "rules.yaml", list+benchRules)
	return filepath.Join(dir, "site.yaml")
}

// memoryDir is a folder in memory where there is one: a month of syncs takes a real disk an hour.
func memoryDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "soak")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

// pipes is a listener without a network, so that fake time goes on while a line waits.
type pipes struct {
	conns chan net.Conn
	shut  chan struct{}
	once  sync.Once
}

func newPipes() *pipes { return &pipes{conns: make(chan net.Conn), shut: make(chan struct{})} }

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.shut:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error {
	p.once.Do(func() { close(p.shut) })
	return nil
}

func (p *pipes) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1} }

func (p *pipes) open(ctx context.Context) (wire.Conn, error) {
	near, far := net.Pipe()
	select {
	case p.conns <- far:
		return near, nil
	case <-p.shut:
		return nil, net.ErrClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// soaked is a room in fake time.
type soaked struct {
	*testing.T
	script script
	began  time.Time
	site   string
	bank   *device.Bank // of the plc
	bench  *device.Bank
	plc    *device.Server
	far    *device.Server
	lines  map[string]*pipes // by link
	d      *daemon           // while the box is on
	work   sync.WaitGroup
	low    [soakPoints]bool
	off    [soakPoints]bool
	tick   int
	mu     sync.Mutex // past
	past   []held     // what the registers held lately, the newest last

	readings, wrong, doubted int
	stop                     func()
	checked                  time.Duration // when the record was checked last
	foretold                 []foretold
	footprints               []footprint
}

func soak(t *testing.T, s script) {
	r := &soaked{T: t, script: s, began: time.Now(), site: soakFiles(t), lines: map[string]*pipes{},
		bank:  device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 7}),
		bench: device.NewBank(device.Range{Table: device.Holding, First: 0, Last: benchRegisters - 1})}
	_ = r.bank.Set(device.Holding, 7, 23205)
	for register := range uint16(benchRegisters) {
		_ = r.bench.Set(device.Holding, register, 11500)
	}
	_ = r.bench.Set(device.Holding, benchRate, 13000)
	for register, bit := range map[uint16]uint16{benchMains: 1, benchPump: 0, benchMotor: 0} {
		_ = r.bench.Set(device.Holding, register, bit)
	}
	ctx, cancel := context.WithCancel(context.Background())
	r.plc = r.serve(ctx, "plc", r.bank)
	r.serve(ctx, "bench", r.bench)
	r.far = r.serve(ctx, "far", device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 0}))
	r.live()
	cancel()
	r.work.Wait()
	r.compare()
	if n := len(r.footprints); n > 2 {
		flat(t, "the most in the first third and in the last", most(r.footprints[:n/3]), most(r.footprints[n-n/3:]))
	}
}

// most is the most of each: a line that is just down holds less.
func most(list []footprint) (f footprint) {
	for _, l := range list {
		f = footprint{max(f.heap, l.heap), max(f.resident, l.resident), max(f.goroutines, l.goroutines), max(f.files, l.files)}
	}
	return f
}

// serve starts a controller behind a link.
func (r *soaked) serve(ctx context.Context, link string, b *device.Bank) *device.Server {
	s, line := device.New(map[uint8]*device.Bank{1: b}, device.Options{}), newPipes()
	r.lines[link] = line
	r.work.Go(func() { _ = s.ServeTCP(ctx, line) })
	return s
}

// live plays the script in steps of a tick or to the next change, whichever is nearer.
func (r *soaked) live() {
	r.move()
	r.start()
	steps, want := theatre(r.script, r)
	changes := append(r.changes(), steps...)
	slices.SortStableFunc(changes, func(a, b change) int { return int(a.at - b.at) })
	r.foretold = want
	measured := max(time.Hour, min(24*time.Hour, r.script.length/6)) // a day, or an hour of a short run
	due := measured
	for next := time.Duration(0); next < r.script.length; {
		next += soakPoll
		for len(changes) > 0 && changes[0].at <= next {
			r.sleepTo(changes[0].at)
			changes[0].do()
			r.write()
			changes = changes[1:]
		}
		r.sleepTo(next)
		r.move()
		if next >= due && r.d != nil {
			due += measured
			debug.FreeOSMemory() // or what a collection may leave of the script's own memory hides the daemon's
			r.footprints = append(r.footprints, holds(r.T))
			r.Logf("after %v: %v", next, r.footprints[len(r.footprints)-1])
		}
	}
	r.stop()
}

func (r *soaked) sleepTo(at time.Duration) { time.Sleep(time.Until(r.began.Add(at))) }

type change struct {
	at time.Duration
	do func()
}

func (r *soaked) changes() (list []change) {
	for _, e := range r.script.events {
		begin, end := func() {}, func() {}
		switch e.kind {
		case lowAir:
			begin, end = func() { r.low[e.point] = true }, func() { r.low[e.point] = false }
		case wireOff:
			begin, end = func() { r.off[e.point] = true }, func() { r.off[e.point] = false }
		case unheard, slow:
			begin = func() {
				remove := r.plc.Inject(e.fault)
				end = remove
			}
		case boxOff:
			begin, end = func() { r.stop() }, r.start
		}
		list = append(list, change{e.from, begin}, change{e.to, func() { end() }})
	}
	return list
}

// held is what the registers held from a moment on.
type held struct {
	from time.Time
	raw  [soakPoints]uint16
}

// move gives each register a value of its own that it never had a while ago: a reply that belongs to another request
// or another time shows.
func (r *soaked) move() {
	r.tick++
	r.write()
}

func (r *soaked) write() {
	now := held{from: time.Now()}
	for p := range soakPoints {
		raw := 11500 + 60*p + r.tick%47 // 7.5 to 7.9 bar
		if r.low[p] {
			raw -= 2700 // 4.8 to 5.2 bar
		}
		if r.off[p] {
			raw = 3400 + p
		}
		now.raw[p] = uint16(raw)
		r.bank.Set(device.Holding, uint16(p), uint16(raw))
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.past = append(r.past[max(0, len(r.past)-9):len(r.past):len(r.past)], now)
}

// start starts the box on the record as it is.
func (r *soaked) start() {
	site, err := configs.LoadFile(r.site)
	if err != nil {
		r.Fatal(err)
	}
	for i := range site.Modbus {
		site.Modbus[i].Open = r.lines[site.Modbus[i].Name].open
	}
	d, err := newDaemon(site, settings{log: slog.New(slog.DiscardHandler), record: beside(r.site, site.Record.Path),
		boot: func() record.Boot { return record.Boot{ID: "boot", Up: time.Since(r.began) + time.Hour} }})
	if err != nil {
		r.Fatal(err)
	}
	for i := range d.parts {
		switch d.parts[i].name {
		case "record":
			d.parts[i].run = every(time.Hour, func(ctx context.Context) error { return d.upkeep.Finish(ctx, time.Now()) })
		case "figures":
			d.parts[i].run = every(12*time.Hour, func(ctx context.Context) error { d.judge.figures.compute(ctx); return nil })
		}
	}
	r.d = d
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	var look sync.WaitGroup
	look.Go(func() { r.look(ctx, d) })
	r.stop = func() {
		cancel()
		r.d = nil
		look.Wait()
		if err := <-done; err != nil {
			r.Errorf("seed %d: the daemon ended: %v", r.script.seed, err)
		}
		err := d.Close()
		if now := time.Since(r.began); now-r.checked > 6*time.Hour || now >= r.script.length {
			r.checked = now
			err = errors.Join(err, r.check())
		}
		if err != nil {
			r.Errorf("seed %d: the record: %v", r.script.seed, err)
		}
	}
}

// check holds the record against its own laws.
func (r *soaked) check() error {
	rec, err := record.Read(beside(r.site, "corner.db"))
	if err != nil {
		return err
	}
	defer rec.Close()
	return rec.Check(context.Background())
}

// every does what a part does so often, in place of what the part does in real time: a month of looking for work every few
// seconds, and of the month's figures every ten minutes, is most of what a month of the daemon costs.
func every(pause time.Duration, do func(context.Context) error) func(context.Context) error {
	return func(ctx context.Context) error {
		for {
			select {
			case <-ctx.Done():
				return nil
			case <-time.After(pause):
			}
			if err := do(ctx); err != nil && ctx.Err() == nil {
				return err
			}
		}
	}
}

// look holds what is shown against what the registers held.
func (r *soaked) look(ctx context.Context, d *daemon) {
	for ctx.Err() == nil {
		v := d.board.View()
		for _, reading := range v.Readings[:soakPoints] {
			if v.At.Sub(reading.At) > soakPoll {
				continue // was looked at before, or is bad
			}
			switch reading.Quality {
			case collector.Good:
				r.readings++
				if at := d.clock.Time(reading.At); !r.was(reading, at) {
					r.wrong++
					r.Errorf("seed %d: %v: %s reads %v, raw %v, of %v; it was %v", r.script.seed, time.Since(r.began), v.Site.Points[reading.Point].Name, reading.Value, reading.Raw, at.Sub(r.began), r.past)
				}
			case collector.Uncertain:
				r.doubted++
			}
		}
		select {
		case <-ctx.Done():
		case <-time.After(soakPoll + 7*time.Millisecond):
		}
	}
}

// was reports whether a register held the value while the request for it was under way.
func (r *soaked) was(reading collector.Reading, at time.Time) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i, then := range r.past {
		over := i+1 < len(r.past) && r.past[i+1].from.Before(at.Add(-asked))
		raw := float64(then.raw[reading.Point])
		if !over && !then.from.After(at) && reading.Raw == raw && math.Abs(reading.Value-(raw-4000)/1000) < 1e-9 {
			return true
		}
	}
	return false
}

// asked is the longest that a request is under way: its time-out.
const asked = 500 * time.Millisecond

// activation is one alarm's time as the journal has it.
type activation struct{ from, to time.Duration }

// journal returns all lines about alarms, by alarm.
func (r *soaked) journal() map[string][]record.Line {
	rec, err := record.Read(beside(r.site, "corner.db"))
	if err != nil {
		r.Fatal(err)
	}
	defer rec.Close()
	all := map[string][]record.Line{}
	for l, err := range rec.Journal(context.Background(), record.Query{}) {
		if err != nil {
			r.Fatal(err)
		}
		if l.Alarm != "" {
			all[l.Alarm] = append(all[l.Alarm], l)
		}
	}
	return all
}

func (r *soaked) activations(lines []record.Line) (list []activation) {
	for _, l := range lines {
		switch l.Kind {
		case "started":
			list = append(list, activation{l.Time.Sub(r.began), math.MaxInt64})
		case "returned":
			list[len(list)-1].to = l.Time.Sub(r.began)
		}
	}
	return list
}

// compare holds the journal against the model: no alarm missed, none false, none that stays.
func (r *soaked) compare() {
	lines, found := r.journal(), map[string][]activation{}
	r.review(lines)
	m := foresight{r.script}
	must, either, missed, wrong := 0, 0, 0, 0
	for p := range soakPoints {
		for _, of := range []struct {
			name string
			want []claim
		}{{fmt.Sprint("low-", p), m.low(p)}, {fmt.Sprint("lost-", p), m.lost(p)}} {
			found[of.name] = r.activations(lines[of.name])
			for _, c := range of.want {
				switch {
				case c.must && !slices.ContainsFunc(found[of.name], c.touches):
					missed++
					r.Errorf("seed %d: %s did not ring: %v to %v\n%s", r.script.seed, of.name, c.from, c.to, r.around(c.from, p))
				case c.must:
					must++
				case !slices.ContainsFunc(of.want, func(o claim) bool { return o.must && o.from <= c.to && o.to >= c.from }):
					either++
				}
			}
			for _, a := range found[of.name] {
				if !slices.ContainsFunc(of.want, func(c claim) bool { return a.from >= c.from && a.from <= c.to }) {
					wrong++
					r.Errorf("seed %d: %s rang at %v for nothing\n%s", r.script.seed, of.name, a.from, r.around(a.from, p))
				}
				if a.to == math.MaxInt64 {
					r.Errorf("seed %d: %s still rings since %v", r.script.seed, of.name, a.from)
				}
			}
		}
	}
	r.Logf("seed %d: %v simulated, %d troubles; %d alarms had to ring, %d might; missed %d, false %d; %d good readings looked at, %d wrong, %d doubted",
		r.script.seed, r.script.length, len(r.script.events), must, either, missed, wrong, r.readings, r.wrong, r.doubted)
	if must < len(r.script.events)/8 || either > must {
		r.Errorf("seed %d: the script says too little: %d must, %d might of %d", r.script.seed, must, either, len(r.script.events))
	}
	if r.readings < int(r.script.length/soakPoll)*soakPoints/4 {
		r.Errorf("seed %d: only %d readings were looked at", r.script.seed, r.readings)
	}
}

// around tells the troubles near a moment that touch a point, for whoever looks into a disagreement.
func (r *soaked) around(at time.Duration, point int) string {
	var b strings.Builder
	for _, e := range r.script.events {
		if e.from < at+2*time.Minute && e.to > at-6*time.Minute && (e.point == point || e.kind >= unheard) {
			fmt.Fprintf(&b, "  %v\n", e)
		}
	}
	return b.String()
}
