package modbus_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/scaling"
)

// wantUnits holds all units of a link, in the meter and by their status points, to be good or not, and why.
func wantUnits(t *testing.T, l *modbus.Link, got map[collector.PointID]collector.Reading, status []collector.PointID, good bool, words string) {
	t.Helper()
	units := l.Status().Units
	if len(units) != len(status) {
		t.Fatalf("%d units, want %d", len(units), len(status))
	}
	for _, u := range units {
		if u.Good != good || !strings.Contains(u.Reason, words) {
			t.Errorf("unit %d: good %v, %q, want %v with %q", u.Unit, u.Good, u.Reason, good, words)
		}
	}
	for _, id := range status {
		r, told := got[id]
		if told && (r.Value == 1) != good || told && !strings.Contains(r.Reason(), words) {
			t.Errorf("status point %d: %v, %q, want good %v with %q", id, r.Value, r.Reason(), good, words)
		}
	}
}

// No unit is good while its link cannot be opened, whichever of them is asked first.
func TestUnitsOfAMissingDevice(t *testing.T) {
	opts := modbus.Options{Name: "rs485", Transport: modbus.RTU, Address: "/nonexistent/adapter", Status: collector.NoPoint,
		Units: map[uint8]modbus.Unit{}}
	var points []collector.Point
	var status []collector.PointID
	for i, unit := range []uint8{5, 6, 7} {
		points = append(points, collector.Point{ID: collector.PointID(2 * i)}, collector.Point{ID: collector.PointID(2*i + 1)})
		opts.Points = append(opts.Points, modbus.Point{ID: collector.PointID(2 * i), Every: time.Second,
			Address: modbus.Address{Unit: unit, Table: modbus.InputRegisters, Type: modbus.Uint16}})
		opts.Units[unit] = modbus.Unit{Status: collector.PointID(2*i + 1)}
		status = append(status, collector.PointID(2*i+1))
	}
	l, err := modbus.New(opts, points, collector.NewClock())
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		readings, err := l.Once(t.Context())
		if err == nil || len(readings) != 6 {
			t.Fatalf("got %v, %v, want 6 readings and why the line cannot be opened", readings, err)
		}
		wantUnits(t, l, byPoint(readings), status, false, "link rs485: cannot be opened")
	}
}

// Units follow a link that goes and comes back, those that are seldom asked too. Readings that
// came before it went in the same round stay.
func TestUnitsFollowTheLink(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r := newRig(ctx, map[uint8]*device.Bank{1: bank(), 2: bank()})
		often, seldom := r.add(1, modbus.HoldingRegisters, 1), r.add(2, modbus.HoldingRegisters, 2)
		r.opts.Points[1].Every = time.Hour
		status := []collector.PointID{r.status("unit 1"), r.status("unit 2")}
		r.opts.Units = map[uint8]modbus.Unit{1: {Status: status[0]}, 2: {Status: status[1]}}
		l := r.link(t)
		out := start(ctx, t, l)
		got := next(out, 1)
		wantValue(t, got[seldom], 2)
		wantUnits(t, l, got, status, true, "")
		got = next(out, 5)
		if _, told := got[status[1]]; told {
			t.Error("unit 2 is told although it was not asked and its link is up")
		}
		r.dead.Store(true)
		r.server.Inject(device.Fault{Kind: device.Reset})
		got = next(out, 5)
		wantFault(t, got[often], collector.LinkLost, "connection refused")
		wantUnits(t, l, got, status, false, "connection refused")
		if len(got) != 3 {
			t.Errorf("%d readings, want one and two status points", len(got))
		}
		r.dead.Store(false)
		r.server.Heal()
		got = next(out, 20)
		wantValue(t, got[often], 1)
		wantUnits(t, l, got, status, true, "")
	})
}

// A point that is read each ten minutes and was due while the link was down is read soon after the link's
// return, once, and then again on its grid. Until then its unit is not good because its link is.
func TestMissedPointsAreReadOnReturn(t *testing.T) {
	for _, transport := range []modbus.Transport{modbus.TCP, modbus.RTU} {
		for name, cut := range map[string]func(*rig) (mend func()){
			"refused": func(r *rig) func() { r.dead.Store(true); return func() { r.dead.Store(false) } },
			"silent": func(r *rig) func() {
				heal := r.server.Inject(device.Fault{Kind: device.Silent}) // a wire broken behind our adapter
				return heal
			},
		} {
			t.Run(fmt.Sprintf("%v/%s", transport, name), func(t *testing.T) {
				inBubble(t, func(ctx context.Context, t *testing.T) {
					r := newRig(ctx, map[uint8]*device.Bank{1: bank(), 2: bank()})
					r.opts.Transport, r.opts.Timeout = transport, 100*time.Millisecond
					often, seldom := r.add(1, modbus.HoldingRegisters, 1), r.add(2, modbus.InputRegisters, 2)
					r.opts.Points[1].Every = 10 * time.Minute
					mend := cut(r)
					l := r.link(t)
					begin := time.Now()
					out := start(ctx, t, l)
					if got := next(out, 1)[seldom]; got.Quality != collector.Bad {
						t.Fatalf("got %v, want bad", got.Quality)
					}
					next(out, 60)
					mend()
					var back time.Time
					var reads []time.Duration
					for time.Since(begin) < 11*time.Minute {
						got := next(out, 1)
						if got[often].Quality == collector.Good && back.IsZero() {
							back = time.Now()
							if u := l.Status().Units; !u[0].Good || u[1].Good {
								t.Errorf("units %+v, want the first good and the second not yet", u)
							}
						}
						if p, read := got[seldom]; read {
							wantValue(t, p, 1002)
							reads = append(reads, time.Since(begin))
						}
					}
					if len(reads) != 2 || back.IsZero() || begin.Add(reads[0]).Sub(back) > time.Second || reads[1].Round(time.Second) != 10*time.Minute {
						t.Errorf("read at %v, the link came back after %v", reads, back.Sub(begin))
					}
					if st := l.Status(); !st.Units[1].Good || st.Dropped > 0 {
						t.Errorf("status %+v", st)
					}
				})
			})
		}
	}
}

// The silence of a unit during an outage is not held against it when its missed points are read.
func TestMissedPointsOfASilentUnit(t *testing.T) {
	for wait := range 6 {
		inBubble(t, func(ctx context.Context, t *testing.T) {
			r := newRig(ctx, map[uint8]*device.Bank{1: bank(), 2: bank()})
			r.opts.Timeout = 100 * time.Millisecond
			r.add(1, modbus.HoldingRegisters, 1)
			r.add(2, modbus.HoldingRegisters, 2)
			seldom := r.add(2, modbus.InputRegisters, 2)
			r.opts.Points[2].Every = 10 * time.Minute
			out := start(ctx, t, r.link(t))
			next(out, 596)
			r.server.Inject(device.Fault{Kind: device.Silent, Unit: 2}) // earlier than unit 1, to be out of step with it
			next(out, 3)
			r.server.Inject(device.Fault{Kind: device.Silent})
			wantFault(t, next(out, 2)[seldom], collector.NoAnswer, "unit 2")
			next(out, 8+wait)
			r.server.Heal()
			for range 12 {
				if p, read := next(out, 1)[seldom]; read {
					wantValue(t, p, 1002)
					return
				}
			}
			t.Errorf("mended after %d rounds: not read again", 8+wait)
		})
	}
}

// A link that has nothing but slow points is looked at now and then while it is down: its return is
// not left to the next hour.
func TestSlowLinkIsLookedAtWhileDown(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r := newRig(ctx, map[uint8]*device.Bank{1: bank()})
		slow := r.add(1, modbus.HoldingRegisters, 1)
		r.opts.Points[0].Every = time.Hour
		r.dead.Store(true)
		l := r.link(t)
		out := start(ctx, t, l)
		wantFault(t, next(out, 1)[slow], collector.LinkLost, "connection refused")
		begin := time.Now()
		wantFault(t, next(out, 10)[slow], collector.LinkLost, "connection refused")
		if took := time.Since(begin); took < 5*time.Minute || took > 6*time.Minute {
			t.Errorf("ten looks in %v, want one in half a minute", took)
		}
		r.dead.Store(false)
		wantValue(t, next(out, 1)[slow], 1)
		begin = time.Now()
		wantValue(t, next(out, 1)[slow], 1)
		if took := time.Since(begin); took < 50*time.Minute {
			t.Errorf("read again after %v, want on its grid", took)
		}
	})
}

// After a minute without a usable reading neither a change nor a rest over that time is judged.
func TestLongOutageBeginsAnew(t *testing.T) {
	for _, tt := range []struct {
		name   string
		outage time.Duration
		every  time.Duration
		want   collector.Fault
	}{
		{"short", 30 * time.Second, time.Second, collector.TooFast},
		{"long", 90 * time.Second, time.Second, collector.NoFault},
		{"one reading of a slow point", 90 * time.Second, time.Minute, collector.TooFast},
	} {
		t.Run(tt.name, func(t *testing.T) {
			inBubble(t, func(ctx context.Context, t *testing.T) {
				r := newRig(ctx, map[uint8]*device.Bank{1: bank()})
				id := r.addPoint(modbus.Point{
					Address: modbus.Address{Unit: 1, Table: modbus.HoldingRegisters, Start: 50, Type: modbus.Uint16},
					Every:   tt.every, Scale: scaling.Spec{MaxRate: 0.1},
				})
				out := start(ctx, t, r.link(t))
				wantValue(t, next(out, 2)[id], 50)
				refuse := device.Fault{Kind: device.Exception, Code: 4}
				r.server.Inject(refuse)
				rounds := int(tt.outage / tt.every)
				wantFault(t, next(out, rounds)[id], collector.Refused, "")
				r.server.Heal()
				r.server.Inject(device.Fault{Kind: device.Zeros}) // 50 to 0 within the time is too fast for 0.1 a second
				if got := next(out, 1)[id]; got.Fault != tt.want || got.Value != 0 {
					t.Errorf("got %v, %q, want fault %q", got.Value, got.Reason(), tt.want)
				}
			})
		})
	}
}

// loopPoint is a 4-20 mA signal in microamperes at holding register 199, and its bank.
func loopPoint(uA uint16) (modbus.Point, *device.Bank) {
	b := bank()
	b.Update(func(r device.Registers) { r.Set(device.Holding, 199, uA) })
	return modbus.Point{
		Address: modbus.Address{Unit: 1, Table: modbus.HoldingRegisters, Start: 199, Type: modbus.Uint16}, Every: time.Second,
		Scale: scaling.Spec{Points: []scaling.Pair{{Raw: 4000, Value: 0}, {Raw: 20000, Value: 16}}, Loop: true, RawPerMilliamp: 1000, High: 16, Hold: 10 * time.Second},
	}, b
}

// A failed current shows at the only look there is; a link that runs holds it until it is sure.
func TestOnceShowsAFailedCurrent(t *testing.T) {
	for _, tt := range []struct {
		uA    uint16
		fault collector.Fault // NE 43: 3.6 mA and less, 21 mA and more
	}{{3480, collector.SignalLow}, {21500, collector.SignalHigh}} {
		inBubble(t, func(ctx context.Context, t *testing.T) {
			p, b := loopPoint(tt.uA)
			r := newRig(ctx, map[uint8]*device.Bank{1: b})
			id := r.addPoint(p)
			l := r.link(t)
			readings, err := l.Once(ctx)
			if err != nil {
				t.Fatal(err)
			}
			wantFault(t, byPoint(readings)[id], tt.fault, "mA")
			l.Close()
			out := start(ctx, t, l)
			if got := next(out, 1)[id]; got.Quality != collector.Unread {
				t.Errorf("first round: %v, %q, want unread while it is held", got.Quality, got.Reason())
			}
			wantFault(t, next(out, 11)[id], tt.fault, "mA")
		})
	}
}

// A current that comes back as failed after a long outage does not revive a value of before it.
func TestLongOutageRevivesNoValue(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		p, b := loopPoint(12000)
		r := newRig(ctx, map[uint8]*device.Bank{1: b})
		id := r.addPoint(p)
		out := start(ctx, t, r.link(t))
		wantValue(t, next(out, 2)[id], 8)
		r.server.Inject(device.Fault{Kind: device.Exception, Code: 4})
		wantFault(t, next(out, 90)[id], collector.Refused, "")
		b.Update(func(r device.Registers) { r.Set(device.Holding, 199, 3480) })
		r.server.Heal()
		if got := next(out, 1)[id]; got.Quality != collector.Unread {
			t.Errorf("got %v %v (%s), want unread", got.Quality, got.Value, got.Reason())
		}
		wantFault(t, next(out, 11)[id], collector.SignalLow, "3.48 mA")
	})
}
