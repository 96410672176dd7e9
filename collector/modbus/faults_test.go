package modbus_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/modbus/wire"
	"roundsman/collector/scaling"
)

// inBubble runs f in fake time with a context that ends with it.
func inBubble(t *testing.T, f func(ctx context.Context, t *testing.T)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		f(ctx, t)
		cancel()
		time.Sleep(time.Minute) // until devices have worked off what they were asked
	})
}

// next returns the n-th of the next rounds.
func next(out <-chan collector.Batch, n int) map[collector.PointID]collector.Reading {
	for range n - 1 {
		<-out
	}
	return byPoint((<-out).Readings)
}

func refusals(l *modbus.Link) uint64 { return l.Status().Requests[collector.Exception] }

// holed is a bank with holding registers 0 to 99 except the given ones.
func holed(holes ...uint16) *device.Bank {
	var ranges []device.Range
	first := uint16(0)
	for _, h := range append(holes, 100) {
		if h > first {
			ranges = append(ranges, device.Range{Table: device.Holding, First: first, Last: h - 1})
		}
		first = h + 1
	}
	b := device.NewBank(ranges...)
	for i := range uint16(100) {
		b.Update(func(r device.Registers) { r.Set(device.Holding, i, i) })
	}
	return b
}

// One wrong address costs one point: the block is split until it is found, then left alone, and
// looked at again after ten minutes.
func TestWrongAddressCostsOnePoint(t *testing.T) {
	for _, wrong := range []uint16{0, 1, 9, 10, 13, 19} {
		inBubble(t, func(ctx context.Context, t *testing.T) {
			r := newRig(ctx, map[uint8]*device.Bank{1: holed(wrong)})
			var ids []collector.PointID
			for i := range uint16(20) {
				ids = append(ids, r.add(1, modbus.HoldingRegisters, i))
			}
			l := r.link(t)
			out := start(ctx, t, l)
			check := func(got map[collector.PointID]collector.Reading) {
				t.Helper()
				for i, id := range ids {
					if i == int(wrong) {
						wantFault(t, got[id], collector.Refused, fmt.Sprintf("holding %d: illegal data address (02)", wrong))
						continue
					}
					wantValue(t, got[id], float64(i))
				}
			}
			check(next(out, 1))
			search := refusals(l)
			if search > 10 { // both halves of 20, 10, 5, 3, 2 at most
				t.Errorf("address %d: %d refusals to find it", wrong, search)
			}
			check(next(out, 1))
			learned := refusals(l)
			check(next(out, 590))
			if got := refusals(l); got > learned {
				t.Errorf("address %d: asked again %d times within ten minutes", wrong, got-learned)
			}
			check(next(out, 20))
			if got := refusals(l); got != learned+1 {
				t.Errorf("address %d: asked again %d times after ten minutes, want once", wrong, got-learned)
			}
			if st := l.Status(); !st.Units[0].Good || !st.Up {
				t.Errorf("unit %+v, up %v: a wrong address is no fault of unit or link", st.Units[0], st.Up)
			}
		})
	}
}

// A refused address that comes to life is read again after ten minutes.
func TestRefusedAddressComesBack(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r := newRig(ctx, map[uint8]*device.Bank{1: bank()})
		a, b := r.add(1, modbus.HoldingRegisters, 1), r.add(1, modbus.HoldingRegisters, 2)
		r.server.Inject(device.Fault{Kind: device.Exception, Code: 2, Where: device.Range{Table: device.Holding, First: 2, Last: 2}})
		out := start(ctx, t, r.link(t))
		got := next(out, 1)
		wantValue(t, got[a], 1)
		wantFault(t, got[b], collector.Refused, "illegal data address")
		r.server.Heal()
		got = next(out, 602)
		wantValue(t, got[b], 2)
	})
}

// Addresses that exist on both sides of one that does not: the gap is learned, no point is lost.
func TestRefusedGapIsLearned(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r := newRig(ctx, map[uint8]*device.Bank{1: holed(5)})
		a, b := r.add(1, modbus.HoldingRegisters, 4), r.add(1, modbus.HoldingRegisters, 6)
		l := r.link(t)
		out := start(ctx, t, l)
		for range 100 {
			got := next(out, 1)
			wantValue(t, got[a], 4)
			wantValue(t, got[b], 6)
		}
		if got := refusals(l); got != 1 {
			t.Errorf("%d refusals, want the first one only", got)
		}
	})
}

// A device that gives 16 registers at most answers larger requests with illegal data value.
func TestSmallBufferIsLearned(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		b := bank()
		b.LimitRegisters(16)
		r := newRig(ctx, map[uint8]*device.Bank{1: b})
		var ids []collector.PointID
		for i := range uint16(100) {
			ids = append(ids, r.add(1, modbus.HoldingRegisters, i))
		}
		l := r.link(t)
		out := start(ctx, t, l)
		next(out, 2)
		learned := refusals(l)
		got := next(out, 100)
		for i, id := range ids {
			wantValue(t, got[id], float64(i))
		}
		if n := refusals(l); n > learned {
			t.Errorf("%d more refusals after it was learned", n-learned)
		}
	})
}

// Exception replies are answers: the points of the request are bad with the exception's name, unit
// and link are not. 0A and 0B come from a gateway: the unit is bad, the link still up.
func TestExceptionsByName(t *testing.T) {
	tests := []struct {
		code byte
		want string
		good bool // the unit
	}{
		{1, "illegal function (01)", true},
		{4, "server device failure (04)", true},
		{5, "acknowledge (05)", true},
		{6, "server device busy (06)", true},
		{8, "memory parity error (08)", true},
		{0x0A, "gateway path unavailable (0A)", false},
		{0x0B, "gateway target device failed to respond (0B)", false},
		{7, "exception 0x07 (7)", true},
		{0x37, "exception 0x37 (55)", true},
		{0xFF, "exception 0xFF (255)", true},
	}
	for _, tt := range tests {
		inBubble(t, func(ctx context.Context, t *testing.T) {
			r := newRig(ctx, map[uint8]*device.Bank{1: bank(), 2: bank()})
			spoiled, whole, other := r.add(1, modbus.HoldingRegisters, 7), r.add(1, modbus.InputRegisters, 7), r.add(2, modbus.HoldingRegisters, 9)
			r.server.Inject(device.Fault{Kind: device.Exception, Code: tt.code, Unit: 1, Where: device.Range{Table: device.Holding, First: 7, Last: 7}})
			l := r.link(t)
			got := next(start(ctx, t, l), 1)
			wantFault(t, got[spoiled], collector.Refused, "link plc: unit 1: holding 7: "+tt.want)
			wantValue(t, got[other], 9)
			if tt.good {
				wantValue(t, got[whole], 1007)
			}
			st := l.Status()
			if !st.Up || st.Units[0].Good != tt.good || !st.Units[1].Good || r.opened.Load() != 1 {
				t.Errorf("code %02X: up %v, units %+v, %d connections", tt.code, st.Up, st.Units, r.opened.Load())
			}
		})
	}
}

// A unit that does not answer costs the others its time-outs once and then a little; it is asked at
// least every few seconds and read again when it is back.
func TestSilentUnitDoesNotStarveOthers(t *testing.T) {
	for _, transport := range []modbus.Transport{modbus.TCP, modbus.RTUOverTCP, modbus.RTU} {
		inBubble(t, func(ctx context.Context, t *testing.T) {
			r := newRig(ctx, map[uint8]*device.Bank{1: bank(), 2: bank()})
			r.opts.Transport, r.opts.Timeout = transport, 300*time.Millisecond
			dead, alive := r.add(1, modbus.HoldingRegisters, 7), r.add(2, modbus.HoldingRegisters, 9)
			r.add(1, modbus.InputRegisters, 3)
			unit1 := r.status("unit 1")
			r.opts.Units = map[uint8]modbus.Unit{1: {Status: unit1}, 2: {Status: collector.NoPoint}}
			l := r.link(t)
			out := start(ctx, t, l)
			wantValue(t, next(out, 1)[dead], 7)
			remove := r.server.Inject(device.Fault{Kind: device.Silent, Unit: 1})
			got := next(out, 1)
			wantFault(t, got[dead], collector.NoAnswer, "link plc: unit 1: holding 7 in 300ms (3 tries)")
			wantValue(t, got[alive], 9)
			next(out, 2)
			late := l.Status().Late
			asked := r.server.Requests()
			for range 60 {
				got = next(out, 1)
				wantValue(t, got[alive], 9)
				wantFault(t, got[dead], collector.NoAnswer, "unit 1")
				if s := got[unit1]; s.Value != 0 || s.Quality != collector.Good || s.Fault != collector.NoAnswer {
					t.Fatalf("unit status %+v, want a good 0 with no answer", s)
				}
			}
			if n := l.Status().Late - late; n > 0 {
				t.Errorf("%v: %d late rounds", transport, n)
			}
			probes := r.server.Requests() - asked - 60
			if probes < 8 || probes > 25 {
				t.Errorf("%v: silent unit asked %d times in a minute, want one in a few seconds", transport, probes)
			}
			if st := l.Status(); !st.Up || st.Units[0].Good {
				t.Errorf("up %v, unit good %v, want up and bad", st.Up, st.Units[0].Good)
			}
			remove()
			got = next(out, 7)
			wantValue(t, got[dead], 7)
			wantValue(t, got[unit1], 1)
		})
	}
}

// Some devices are silent where others refuse. The question that is never answered must not take the
// rest of the unit with it.
func TestUnansweredQuestionCostsItsPoints(t *testing.T) {
	for _, transport := range []modbus.Transport{modbus.TCP, modbus.RTU} {
		inBubble(t, func(ctx context.Context, t *testing.T) {
			r := newRig(ctx, map[uint8]*device.Bank{1: bank()})
			r.opts.Transport, r.opts.Timeout = transport, 300*time.Millisecond
			dumb := r.add(1, modbus.HoldingRegisters, 7)
			others := []collector.PointID{r.add(1, modbus.InputRegisters, 1), r.add(1, modbus.HoldingRegisters, 150)}
			r.opts.Units = map[uint8]modbus.Unit{1: {MaxRegisters: 10, Status: collector.NoPoint}}
			r.server.Inject(device.Fault{Kind: device.Silent, Where: device.Range{Table: device.Holding, First: 7, Last: 7}})
			out := start(ctx, t, r.link(t))
			next(out, 6)
			good := 0
			for range 600 {
				got := next(out, 1)
				wantFault(t, got[dumb], collector.NoAnswer, "link plc: unit 1")
				if got[others[0]].Quality == collector.Good && got[others[1]].Quality == collector.Good {
					good++
				}
			}
			if good < 570 {
				t.Errorf("%v: the others good in %d of 600 rounds", transport, good)
			}
		})
	}
}

// Nobody listens: every point says so, tries grow rarer, and reading goes on by itself.
func TestLinkDownAndBack(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r := newRig(ctx, map[uint8]*device.Bank{1: bank()})
		p, status := r.add(1, modbus.HoldingRegisters, 7), r.status("link plc")
		r.opts.Status = status
		r.dead.Store(true)
		l := r.link(t)
		out := start(ctx, t, l)
		for range 60 {
			got := next(out, 1)
			wantFault(t, got[p], collector.LinkLost, "link plc: connection refused")
			if s := got[status]; s.Value != 0 || s.Quality != collector.Good || s.Fault != collector.LinkLost || !strings.Contains(s.Reason(), "connection refused") {
				t.Fatalf("status %+v", s)
			}
		}
		if st := l.Status(); st.Up || st.LastError == "" || st.Requests[collector.Disconnect] > 12 {
			t.Errorf("up %v, %q, %d tries in a minute; want down and at most 12", st.Up, st.LastError, st.Requests[collector.Disconnect])
		}
		r.dead.Store(false)
		got := next(out, 17) // the longest wait is 15 s
		wantValue(t, got[p], 7)
		wantValue(t, got[status], 1)
	})
}

// A server that takes the connection and closes it at once is no better than one that refuses it.
func TestServerThatHangsUp(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r := newRig(ctx, map[uint8]*device.Bank{1: bank()})
		open := r.opts.Open
		r.opts.Open = func(ctx context.Context) (wire.Conn, error) {
			c, err := open(ctx)
			if err == nil && r.opened.Load() < 30 {
				c.Close()
			}
			return c, err
		}
		p := r.add(1, modbus.HoldingRegisters, 7)
		l := r.link(t)
		out := start(ctx, t, l)
		got := next(out, 60)
		wantFault(t, got[p], collector.LinkLost, "connection closed")
		if n := r.opened.Load(); n > 15 {
			t.Errorf("%d connections in a minute, want at most 15", n)
		}
	})
}

// Every fault of the device, on every transport: while it lasts a point has its value or is bad, never
// another value; afterwards it has its value.
func TestNoFaultGivesAWrongValue(t *testing.T) {
	faults := map[string]device.Fault{
		"late":             {Kind: device.Late, Delay: 340 * time.Millisecond},
		"very late":        {Kind: device.Late, Delay: 750 * time.Millisecond},
		"truncated":        {Kind: device.Truncated},
		"one byte":         {Kind: device.Truncated, Bytes: 1},
		"split":            {Kind: device.Split, Delay: 5 * time.Millisecond},
		"split too slowly": {Kind: device.Split, Delay: 100 * time.Millisecond},
		"garbage":          {Kind: device.Garbage},
		"much garbage":     {Kind: device.Garbage, Bytes: 300},
		"wrong unit":       {Kind: device.WrongUnit},
		"wrong function":   {Kind: device.WrongFunction},
		"wrong length":     {Kind: device.WrongLength},
		"shorter":          {Kind: device.Shorter},
		"bad check":        {Kind: device.BadCheck},
		"echo":             {Kind: device.Echo},
		"silent":           {Kind: device.Silent},
		"reset":            {Kind: device.Reset},
		"illegal function": {Kind: device.Exception, Code: 1},
		"illegal address":  {Kind: device.Exception, Code: 2},
		"gateway":          {Kind: device.Exception, Code: 0x0B},
		"undefined":        {Kind: device.Exception, Code: 0x99},
	}
	for name, fault := range faults {
		for _, transport := range []modbus.Transport{modbus.TCP, modbus.RTUOverTCP, modbus.RTU} {
			t.Run(fmt.Sprintf("%s/%v", name, transport), func(t *testing.T) {
				inBubble(t, func(ctx context.Context, t *testing.T) {
					r := newRig(ctx, map[uint8]*device.Bank{1: bank(), 2: bank()})
					r.opts.Transport, r.opts.Timeout = transport, 300*time.Millisecond
					r.opts.Units = map[uint8]modbus.Unit{1: {MaxRegisters: 2, Status: collector.NoPoint}, 2: {MaxRegisters: 2, Status: collector.NoPoint}}
					want := map[collector.PointID]float64{}
					for i := range uint16(6) { // requests of one shape, for answers to swap
						want[r.add(1, modbus.HoldingRegisters, 10*i)] = float64(10 * i)
						want[r.add(2, modbus.HoldingRegisters, 10*i+1)] = float64(10*i + 1)
					}
					out := start(ctx, t, r.link(t))
					next(out, 1)
					for _, times := range []int{3, 0} {
						f := fault
						f.Times = times
						f.Unit = uint8(times % 2)
						remove := r.server.Inject(f)
						rounds := 12
						for range rounds {
							hold(t, next(out, 1), want, false)
						}
						remove()
						waits := 65 // until all waits are over
						if fault.Kind == device.Exception && fault.Code == 2 {
							waits = 11 * 60 // and refused addresses, one a round, have been asked again
						}
						next(out, waits)
						hold(t, next(out, 1), want, true)
					}
				})
			})
		}
	}
}

// hold checks that each point has its value, or is bad unless it must be good.
func hold(t *testing.T, got map[collector.PointID]collector.Reading, want map[collector.PointID]float64, good bool) {
	t.Helper()
	for id, v := range want {
		r := got[id]
		if r.Quality == collector.Good && r.Value != v || r.Quality != collector.Good && (good || r.Reason() == "") {
			t.Fatalf("point %d: %v %v (%s), want %v", id, r.Quality, r.Value, r.Reason(), v)
		}
	}
}

// While a unit's marker reads wrong, all its points are bad with that one reason.
func TestMarker(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		b := bank()
		b.Set(device.Holding, 99, 23205)
		r := newRig(ctx, map[uint8]*device.Bank{1: b, 2: bank()})
		a, c, other := r.add(1, modbus.HoldingRegisters, 7), r.add(1, modbus.InputRegisters, 9), r.add(2, modbus.HoldingRegisters, 5)
		status := r.status("unit 1")
		r.opts.Units = map[uint8]modbus.Unit{
			1: {Marker: &modbus.Marker{Table: modbus.HoldingRegisters, Start: 99, Equals: 23205}, Status: status},
			2: {Status: collector.NoPoint},
		}
		l := r.link(t)
		out := start(ctx, t, l)
		got := next(out, 1)
		wantValue(t, got[a], 7)
		wantValue(t, got[status], 1)

		for _, fault := range []struct {
			device.Fault
			reads string
		}{{device.Fault{Kind: device.Zeros, Unit: 1}, "0"}, {device.Fault{Kind: device.Shifted, Unit: 1}, "98"}} {
			remove := r.server.Inject(fault.Fault)
			got = next(out, 1)
			words := "unit 1: marker holding 99 reads " + fault.reads + " instead of 23205"
			wantFault(t, got[a], collector.MapMoved, words)
			wantFault(t, got[c], collector.MapMoved, words)
			wantValue(t, got[other], 5)
			if s := got[status]; s.Value != 0 || s.Fault != collector.MapMoved || s.Quality != collector.Good {
				t.Errorf("status %+v", s)
			}
			if st := l.Status(); st.Units[0].Good || !strings.Contains(st.Units[0].Reason, "map moved") || !st.Up {
				t.Errorf("unit %+v", st.Units[0])
			}
			remove()
			wantValue(t, next(out, 1)[a], 7)
		}
		r.server.Inject(device.Fault{Kind: device.Exception, Code: 4, Where: device.Range{Table: device.Holding, First: 99, Last: 99}})
		got = next(out, 1)
		wantFault(t, got[c], collector.Refused, "marker: link plc: unit 1")
	})
}

// What a moved map brought leaves no trace: a failed current is not judged by its neighbour's, nor a value by a zero.
func TestMovedMapLeavesNoTrace(t *testing.T) {
	for _, kind := range []device.Kind{device.Shifted, device.Zeros} {
		inBubble(t, func(ctx context.Context, t *testing.T) {
			failed, b := loopPoint(3480)
			b.Set(device.Holding, 99, 23205)
			b.Set(device.Holding, failed.Start-1, 12000)
			steady := failed
			steady.Start, steady.Scale.MaxRate = 150, 0.1
			b.Set(device.Holding, 150, 12000)
			r := newRig(ctx, map[uint8]*device.Bank{1: b})
			r.opts.Units = map[uint8]modbus.Unit{1: {Marker: &modbus.Marker{Table: modbus.HoldingRegisters, Start: 99, Equals: 23205}, Status: collector.NoPoint}}
			one, two := r.addPoint(failed), r.addPoint(steady)
			out := start(ctx, t, r.link(t))
			got := next(out, 12)
			wantFault(t, got[one], collector.SignalLow, "3.48 mA")
			wantValue(t, got[two], 8)
			r.server.Inject(device.Fault{Kind: kind})
			wantFault(t, next(out, 3)[one], collector.MapMoved, "marker")
			r.server.Heal()
			got = next(out, 1)
			wantFault(t, got[one], collector.SignalLow, "3.48 mA")
			wantValue(t, got[two], 8)
		})
	}
}

// When several signals of a unit leave their ranges in one round, the unit is named.
func TestUnitDisturbed(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		b := bank()
		r := newRig(ctx, map[uint8]*device.Bank{1: b})
		var ids []collector.PointID
		for i := range uint16(9) {
			ids = append(ids, r.addPoint(modbus.Point{
				Address: modbus.Address{Unit: 1, Table: modbus.HoldingRegisters, Start: i, Type: modbus.Uint16},
				Every:   time.Second, Scale: scaling.Spec{Low: 0, High: 100},
			}))
		}
		status := r.status("unit 1")
		r.opts.Units = map[uint8]modbus.Unit{1: {Status: status}}
		out := start(ctx, t, r.link(t))
		wantValue(t, next(out, 1)[status], 1)

		set := func(n int, v uint16) map[collector.PointID]collector.Reading {
			for i := range n {
				b.Set(device.Holding, uint16(i), v)
			}
			return next(out, 1)
		}
		got := set(2, 60000)
		wantValue(t, got[status], 1)
		wantFault(t, got[ids[0]], collector.OutOfRange, "")
		got = set(3, 60000) // one more left: three outside, but not at once
		wantValue(t, got[status], 1)
		set(3, 50)
		got = set(3, 60000)
		if s := got[status]; s.Value != 0 || s.Fault != collector.UnitDisturbed || s.Detail != "unit 1: 3 of 9 signals left their ranges at once" {
			t.Errorf("status %+v", s)
		}
		wantFault(t, got[ids[1]], collector.UnitDisturbed, "outside the instrument's range")
		wantValue(t, got[ids[8]], 8)
		wantValue(t, set(3, 50)[status], 1)
	})
}

// Points come on the grid of their intervals, each with its own period.
func TestGrid(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r := newRig(ctx, map[uint8]*device.Bank{1: bank()})
		fast, slow := r.add(1, modbus.HoldingRegisters, 1), r.add(1, modbus.HoldingRegisters, 2)
		r.opts.Points[1].Every = 3 * time.Second
		r.server.Inject(device.Fault{Kind: device.Late, Delay: 400 * time.Millisecond})
		l := r.link(t)
		out := start(ctx, t, l)
		begin := time.Now()
		for i := range 30 {
			got := next(out, 1)
			if at, want := time.Since(begin), time.Duration(i)*time.Second+400*time.Millisecond; at != want {
				t.Fatalf("round %d came at %v, want %v", i, at, want)
			}
			wantValue(t, got[fast], 1)
			if _, ok := got[slow]; ok != (i%3 == 0) {
				t.Fatalf("round %d: slow point there: %v", i, ok)
			}
		}
		if st := l.Status(); st.Late != 0 || math.Abs(st.Load-0.4) > 0.01 {
			t.Errorf("late %d, load %v, want 0 and 0.4", st.Late, st.Load)
		}
	})
}

// Rounds that take longer than the interval are counted, not made up.
func TestLateRoundsAreCounted(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r := newRig(ctx, map[uint8]*device.Bank{1: bank()})
		r.opts.Timeout = 10 * time.Second
		r.add(1, modbus.HoldingRegisters, 1)
		r.server.Inject(device.Fault{Kind: device.Late, Delay: 2500 * time.Millisecond})
		l := r.link(t)
		out := start(ctx, t, l)
		begin := time.Now()
		next(out, 10)
		if took := time.Since(begin); took > 28*time.Second {
			t.Errorf("10 rounds took %v", took)
		}
		// each round covers 2.5 s: two of three grid times are missed or late
		if st := l.Status(); st.Late < 13 || st.Late > 24 || st.Load < 0.8 {
			t.Errorf("late %d, load %v", st.Late, st.Load)
		}
	})
}

// Nobody takes the batches: reading goes on, what is lost is counted, and the newest comes when somebody does.
func TestDroppedReadingsAreCounted(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r := newRig(ctx, map[uint8]*device.Bank{1: bank()})
		r.add(1, modbus.HoldingRegisters, 1)
		l := r.link(t)
		out := start(ctx, t, l)
		time.Sleep(10500 * time.Millisecond)
		if st := l.Status(); st.Dropped != 10 || r.server.Requests() != 11 {
			t.Errorf("dropped %d of %d, want 10 of 11", st.Dropped, r.server.Requests())
		}
		if at := next(out, 1)[0].At; time.Since(time.Unix(0, int64(at))) > time.Second {
			t.Errorf("the batch at hand is from %v ago", time.Since(time.Unix(0, int64(at))))
		}
	})
}

func TestOnce(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r := newRig(ctx, map[uint8]*device.Bank{1: bank()})
		a, b := r.add(1, modbus.HoldingRegisters, 7), r.add(1, modbus.HoldingRegisters, 9)
		r.opts.Points[1].Every = time.Hour
		l := r.link(t)
		defer l.Close()
		for range 2 {
			readings, err := l.Once(ctx)
			if err != nil || len(readings) != 2 {
				t.Fatalf("got %v, %v", readings, err)
			}
			wantValue(t, byPoint(readings)[a], 7)
			wantValue(t, byPoint(readings)[b], 9)
		}
		r.dead.Store(true)
		down := r.link(t)
		readings, err := down.Once(ctx)
		if wire.ReasonOf(err) != wire.Refused {
			t.Errorf("error %v, want refused", err)
		}
		wantFault(t, byPoint(readings)[a], collector.LinkLost, "connection refused")
	})
}
