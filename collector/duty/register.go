package duty

import (
	"math"
	"time"

	"roundsman/collector"
)

// Register describes a register that only rises: an hour meter's, or a counter of starts.
type Register struct {
	Point   collector.PointID
	Unit    time.Duration // run time that a value of 1 means; of a counter of starts 0
	Step    float64       // the smallest rise, in the register's own unit; 0: 1 for starts, 0.1 for hours
	Modulus float64       // value at which it begins again at 0; 0: not known
	PerHour float64       // of a counter of starts the most an hour that can be believed; 0: 1800
}

// RegisterKept is what is known of a register.
type RegisterKept struct {
	Known   bool
	Last    float64          // the last value believed
	At      collector.Moment // when it was seen last
	Stepped collector.Moment // when it rose last, or was seen first
	Owed    float64          // counted by it, but not yet credited: less than one step
	Doubt   bool             // Next does not follow from Last and waits to be confirmed
	Next    float64
	NextAt  collector.Moment
	Doubts  int // looks in a row that fit nothing
}

func (k *RegisterKept) move(by time.Duration) {
	for _, m := range []*collector.Moment{&k.At, &k.Stepped, &k.NextAt} {
		if *m != 0 {
			*m = m.Add(by)
		}
	}
}

// JumpKind is what a jump of a register looks like.
type JumpKind uint8

// The kinds of jump.
const (
	RolledOver JumpKind = iota // past its modulus: counted on, nobody need explain it
	Reset                      // to a value that it can have reached since
	Replaced                   // to a value that it cannot have reached
	Misread                    // it made none: somebody says that it was read wrongly
)

var jumpWords = [...]string{"rolled over", "reset", "replaced", "misread"}

// String returns the kind's word.
func (k JumpKind) String() string {
	if int(k) < len(jumpWords) {
		return jumpWords[k]
	}
	return "unknown"
}

// Jump is a step of a register that is no counting. What ran while it happened is not known, and not guessed.
type Jump struct {
	Kind     JumpKind
	Hours    bool // of the hour meter; else of the counter of starts
	At       collector.Moment
	From, To float64       // the values before and after, in the register's unit
	Gap      time.Duration // from the look before it: what it may have counted is of that time
}

// mostAsked is how many jumps wait to be explained; older ones are on the journal.
const mostAsked = 8

// confirm is how many looks in a row must contradict each other before the newest is believed.
const confirm = 3

// clocksDiffer is by how much an hour meter's clock may be faster than ours. Common practice, no source.
const clocksDiffer = 0.01

// register follows one register.
type register struct{ Register }

func newRegister(r *Register) *register {
	if r == nil {
		return nil
	}
	out := &register{*r}
	switch {
	case out.Step > 0:
	case out.Unit > 0:
		out.Step = 0.1
	default:
		out.Step = 1
	}
	if out.PerHour <= 0 {
		out.PerHour = 1800
	}
	return out
}

// most is the most that it can rise in a time: an hour meter not faster than time, one step more for what it had gathered.
func (r *register) most(in time.Duration) float64 {
	if r.Unit > 0 {
		return in.Seconds()/r.Unit.Seconds()*(1+clocksDiffer) + 1.5*r.Step
	}
	return in.Hours()*r.PerHour + r.Step
}

// see takes a value and returns by how much the register counted on, and a jump if it made one. Sure is false while a
// value waits to be confirmed.
func (r *register) see(k *RegisterKept, at collector.Moment, v float64) (rise float64, jump *Jump, sure bool) {
	if !k.Known {
		*k = RegisterKept{Known: true, Last: v, At: at, Stepped: at}
		return 0, nil, true
	}
	if rise, rolled, ok := r.rise(k.Last, v, at.Sub(k.Stepped)); ok {
		if rolled {
			jump = &Jump{Kind: RolledOver, Hours: r.Unit > 0, At: at, From: k.Last, To: v, Gap: at.Sub(k.At)}
		}
		if rise == 0 {
			v = k.Last // small rises add up to a step
		}
		r.accept(k, at, v, rise > 0)
		return rise, jump, true
	}
	if k.Doubt {
		if _, _, ok := r.rise(k.Next, v, at.Sub(k.NextAt)); ok || k.Doubts+1 >= confirm {
			jump = &Jump{Kind: r.kindOf(k, at, v), Hours: r.Unit > 0, At: at, From: k.Last, To: v, Gap: at.Sub(k.At)}
			r.accept(k, at, v, true)
			k.Owed = 0
			return 0, jump, true
		}
	}
	k.Doubt, k.Next, k.NextAt, k.Doubts = true, v, at, k.Doubts+1
	return 0, nil, false
}

func (r *register) accept(k *RegisterKept, at collector.Moment, v float64, stepped bool) {
	k.Last, k.At, k.Doubt, k.Next, k.NextAt, k.Doubts = v, at, false, 0, 0, 0
	if stepped {
		k.Stepped = at
	}
}

// rise returns by how much a register went on from one value to another, if it can have.
func (r *register) rise(from, to float64, in time.Duration) (d float64, rolled, ok bool) {
	d = to - from
	if math.Abs(d) < r.Step/2 { // not yet a step, or the noise of scaling
		return 0, false, true
	}
	if d < 0 && r.Modulus > 0 {
		d, rolled = d+r.Modulus, true
	}
	return d, rolled, d > 0 && d <= r.most(in)
}

// kindOf tells a reset, after which it can have counted up to v since it was seen last, from a replacement.
func (r *register) kindOf(k *RegisterKept, at collector.Moment, v float64) JumpKind {
	if v < k.Last && v <= r.most(at.Sub(k.At)) {
		return Reset
	}
	return Replaced
}

// meter takes a look at an hour meter. Run time is what it rises by. It counts while nobody looks, so a pause is no loss;
// but when in the time between two steps the equipment ran is not known: it is taken to have run just before the step.
func (m *Meter) meter(at collector.Moment, r *collector.Reading, usable bool) {
	k := &m.k
	if !usable {
		k.Sighted, m.restored = false, false
		m.lose(k.At, whyUnsure(r, usable)) // whether it ran since the last look, the next one will tell
		return
	}
	first := !k.Hours.Known
	before := k.Hours.At
	rise, jump, sure := m.register.see(&k.Hours, at, r.Value)
	if !sure {
		m.lose(k.At, "hour meter reads oddly")
		k.Sighted = false
		return
	}
	k.Sighted, m.restored = true, false
	switch {
	case first && k.Blind: // what it read before is not known
		k.Unseen += at.Sub(k.Lost)
		m.regain(at)
	case jump != nil && jump.Kind != RolledOver:
		m.jumpedOver(at, before)
	default:
		k.Blind, k.Lost, k.LostWhy = false, 0, ""
		k.Seen += at.Sub(k.At)
		m.credit(at, rise)
	}
	k.At = at
	m.told(jump)
}

// jumpedOver makes the time in which a meter was reset or replaced unseen.
func (m *Meter) jumpedOver(at, before collector.Moment) {
	k := &m.k
	m.end(true, "hour meter stands")
	k.State = Unknown
	k.Blind, k.Lost, k.LostWhy = true, max(before, k.Told), "hour meter was reset or replaced"
	k.Seen += max(k.Lost.Sub(k.At), 0)
	k.Unseen += at.Sub(max(k.Lost, k.At))
	m.regain(at)
}

// told hands a jump on, and keeps it to be asked about.
func (m *Meter) told(j *Jump) {
	if j == nil {
		return
	}
	m.moved = true
	if j.Kind != RolledOver {
		m.k.Asked = append(m.k.Asked, *j)
		m.k.Asked = m.k.Asked[max(0, len(m.k.Asked)-mostAsked):]
	}
	if m.jumped != nil {
		m.jumped(*j)
	}
}

// OnJump has f called when a register jumped, from within Observe and ObserveStarts.
func (m *Meter) OnJump(f func(Jump)) { m.jumped = f }

// credit adds what an hour meter rose by as run time that ends now.
func (m *Meter) credit(at collector.Moment, rise float64) {
	k := &m.k
	step := time.Duration(m.register.Step * float64(m.register.Unit))
	length := time.Duration((rise + k.Hours.Owed) * float64(m.register.Unit)).Round(time.Millisecond) // not the noise of scaling
	if rise == 0 {
		if k.Open && at.Sub(k.To) >= step+step/2+m.hold {
			m.stand()
		}
		if k.State == Unknown {
			k.State, k.Since = Still, at
		}
		return
	}
	alone := at.Sub(k.At) > step+m.hold // nobody looked for longer than the meter leaves open anyway
	goesOn := k.Open && at.Sub(k.To)-length < step && !alone
	if k.Open && !goesOn {
		m.stand()
	}
	room := at.Sub(k.Told)
	if goesOn {
		room = at.Sub(k.To)
	}
	credited := min(length, room) // what it gathered before it was seen is not ours
	k.Hours.Owed = min((length-credited).Seconds()/m.register.Unit.Seconds(), m.register.Step)
	if !goesOn {
		if credited == 0 {
			return
		}
		k.Runs++
		m.open(at.Add(-credited), false, true)
	}
	k.To = k.To.Add(credited)
	k.Run += credited
	k.State = Running
	if alone {
		m.end(false, whyAlone)
	}
}

// stand ends the run of an hour meter that rises no more.
func (m *Meter) stand() {
	m.end(true, "hour meter stands")
	m.k.State, m.k.Since = Still, m.k.To
}

// ObserveStarts takes a reading of the counter of starts, which then are the starts that count.
func (m *Meter) ObserveStarts(now collector.Moment, r *collector.Reading) {
	if m.starts == nil || !r.Quality.Usable() || math.IsNaN(r.Value) {
		return
	}
	k := &m.k
	at := now
	if r.At != 0 {
		at = min(r.At, now)
	}
	if k.Counter.Known && at < k.Counter.At {
		return
	}
	before := k.Counter.At
	rise, jump, _ := m.starts.see(&k.Counter, at, r.Value)
	m.told(jump)
	n := int(math.Round(rise))
	if n <= 0 {
		return
	}
	k.Starts += uint64(n)
	each := at.Sub(before) / time.Duration(n) // when they were nobody saw: evenly since the look before, as few in an hour as can be
	for i := min(n, maxHourStarts) - 1; i >= 0; i-- {
		m.started(at.Add(-time.Duration(i) * each))
	}
	m.moved = true
	m.emit(Interval{Kind: Counted, From: at, To: at, Starts: n, Hour: len(k.HourStarts)})
}
