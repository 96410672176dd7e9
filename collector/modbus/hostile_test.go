package modbus_test

import (
	"context"
	"fmt"
	"net"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/modbus/wire"
)

// hostileRig is a TCP link to so many units, each with a point and a status point. The units of
// hang close the connection when they are asked, as some gateways do for a device they do not know.
func hostileRig(ctx context.Context, n int, hang func(unit uint8) bool) (r *rig, points, status map[uint8]collector.PointID) {
	banks := map[uint8]*device.Bank{}
	r = newRig(ctx, banks)
	r.opts.Units = map[uint8]modbus.Unit{}
	points, status = map[uint8]collector.PointID{}, map[uint8]collector.PointID{}
	for i := range n {
		u := uint8(i + 1)
		banks[u] = bank()
		points[u] = r.add(u, modbus.HoldingRegisters, uint16(u))
		status[u] = r.status(fmt.Sprint("unit ", u))
		r.opts.Units[u] = modbus.Unit{Status: status[u]}
	}
	r.server = device.New(banks, device.Options{})
	open := r.opts.Open
	r.opts.Open = func(ctx context.Context) (wire.Conn, error) {
		c, err := open(ctx)
		if err != nil {
			return nil, err
		}
		return &hangingUp{c, hang}, nil
	}
	return r, points, status
}

// hangingUp is a connection that ends when certain units are asked.
type hangingUp struct {
	wire.Conn
	hang func(unit uint8) bool
}

func (h *hangingUp) Write(b []byte) (int, error) {
	if h.hang(b[6]) {
		h.Conn.Close()
		return len(b), nil
	}
	return h.Conn.Write(b)
}

func wantStatus(t *testing.T, what string, r collector.Reading, good bool) {
	t.Helper()
	if (r.Value == 1) != good || r.Quality != collector.Good {
		t.Errorf("%s: %v (%s), want good %v", what, r.Value, r.Reason(), good)
	}
}

// A unit that hangs up, answers for another, lies about its length or stops half-way costs its own
// points and nobody else's: in the first round, while it lasts, and it gets no storm of connections.
func TestHostileUnitsCostOnlyTheirPoints(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r, points, status := hostileRig(ctx, 13, func(u uint8) bool { return u == 7 })
		r.opts.Timeout = 50 * time.Millisecond
		r.opts.Status = r.status("link plc")
		for unit, k := range map[uint8]device.Kind{3: device.WrongUnit, 4: device.WrongLength, 5: device.Truncated} {
			r.server.Inject(device.Fault{Kind: k, Unit: unit})
		}
		bad := map[uint8]struct {
			fault collector.Fault
			words string
		}{
			3: {collector.WrongReply, "unit 3: holding 3: another unit answered: unit 4 instead of 3"},
			4: {collector.WrongReply, "unit 4: holding 4: answer of another length"},
			5: {collector.NoAnswer, "unit 5: holding 5 (after 5 bytes of a frame)"},
			7: {collector.NoAnswer, "unit 7: holding 7: connection closed"},
		}
		l := r.link(t)
		out := start(ctx, t, l)
		for round := range 120 {
			if t.Failed() {
				t.Fatalf("in round %d", round)
			}
			got := next(out, 1)
			wantStatus(t, "link", got[r.opts.Status], true)
			for u, id := range points {
				why, isBad := bad[u]
				wantStatus(t, fmt.Sprint("unit ", u), got[status[u]], !isBad)
				if isBad {
					wantFault(t, got[id], why.fault, why.words)
				} else {
					wantValue(t, got[id], float64(u))
				}
			}
		}
		// Four bad units, each looked at once in 5 s in the end: a connection more for each look.
		if n := r.opened.Load(); n < 4*20 || n > 4*35 {
			t.Errorf("%d connections in two minutes", n)
		}
	})
}

// The unit that hung up is read again soon after it has been mended.
func TestUnitThatHungUpComesBack(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		var mended atomic.Bool
		r, points, status := hostileRig(ctx, 3, func(u uint8) bool { return u == 2 && !mended.Load() })
		out := start(ctx, t, r.link(t))
		next(out, 100)
		mended.Store(true)
		got := next(out, 7)
		wantValue(t, got[points[2]], 2)
		wantStatus(t, "unit 2", got[status[2]], true)
	})
}

// A server that has room for one connection refuses the next one while it clears the last away. That
// is the doing of the units that hang up: they are backed off, and neither link nor others suffer.
func TestRefusedAfterHangUp(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		var hung, asked atomic.Int64
		bad := func(u uint8) bool { return u > 1 && u < 9 } // more of them than seconds between two looks at one
		r, points, status := hostileRig(ctx, 10, bad)
		r.opts.Status = r.status("link plc")
		open := r.opts.Open
		r.opts.Open = func(ctx context.Context) (wire.Conn, error) {
			if time.Now().UnixMilli()-hung.Load() < 100 {
				return nil, syscall.ECONNREFUSED
			}
			c, err := open(ctx)
			if err != nil {
				return nil, err
			}
			return &hangingUp{c, func(u uint8) bool {
				if bad(u) {
					asked.Add(1)
					hung.Store(time.Now().UnixMilli())
				}
				return bad(u)
			}}, nil
		}
		out := start(ctx, t, r.link(t))
		got := next(out, 1)
		wantValue(t, got[points[1]], 1)
		wantStatus(t, "unit 1", got[status[1]], true)
		wantFault(t, got[points[2]], collector.NoAnswer, "unit 2: holding 2: connection closed")
		wantFault(t, got[points[9]], collector.LinkLost, "connection refused")
		next(out, 30)
		before := asked.Load()
		for round := range 100 {
			if t.Failed() {
				t.Fatalf("in round %d", round)
			}
			got := next(out, 1)
			wantStatus(t, "link", got[r.opts.Status], true)
			for u, id := range points {
				wantStatus(t, fmt.Sprint("unit ", u), got[status[u]], !bad(u))
				if bad(u) {
					wantFault(t, got[id], collector.NoAnswer, fmt.Sprintf("unit %d: holding %d: connection closed", u, u))
				} else {
					wantValue(t, got[id], float64(u))
				}
			}
		}
		if n := asked.Load() - before; n < 90 || n > 101 {
			t.Errorf("the units that hang up were asked %d times in 100 s, want one a second as the server allows", n)
		}
	})
}

// When every unit hangs up the link is down, and knocked at ever more seldom; one unit that answers
// is found, be it behind ever so many that do not, and makes it up.
func TestAllHangUp(t *testing.T) {
	for _, n := range []int{1, 5, 100} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			inBubble(t, func(ctx context.Context, t *testing.T) {
				var living atomic.Int32
				r, points, status := hostileRig(ctx, n, func(u uint8) bool { return int32(u) != living.Load() })
				r.opts.Status = r.status("link plc")
				l := r.link(t)
				out := start(ctx, t, l)
				most := int32(0)
				for range 120 {
					before := r.opened.Load()
					got := next(out, 1)
					most = max(most, r.opened.Load()-before)
					wantStatus(t, "link", got[r.opts.Status], false)
					wantFault(t, got[points[1]], collector.LinkLost, "")
				}
				// Waits of at least 1, 1, 1, 2, 4, 8, 8 s ... are 20 looks in two minutes, the first with its tries.
				if all := r.opened.Load(); most > 16 || int(all) > 22*min(n, 16) {
					t.Errorf("%d connections in two minutes, up to %d a round", all, most)
				}
				living.Store(int32(n))
				got := next(out, 150) // seven looks of 16 units each, up to 16 s apart
				wantValue(t, got[points[uint8(n)]], float64(n))
				wantStatus(t, "link", got[r.opts.Status], true)
				wantStatus(t, "unit", got[status[uint8(n)]], true)
			})
		})
	}
}

// Rounds in which only the bad unit is due say nothing of the link: a unit that is read less often is asked.
func TestBadUnitAloneIsNotTheLink(t *testing.T) {
	for name, silent := range map[string]bool{"hangs up": false, "silent": true} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(ctx context.Context, t *testing.T) {
				r, points, status := hostileRig(ctx, 2, func(u uint8) bool { return u == 2 && !silent })
				if silent {
					r.server.Inject(device.Fault{Kind: device.Silent, Unit: 2})
				}
				r.opts.Points[0].Every = time.Hour
				r.opts.Status = r.status("link plc")
				l := r.link(t)
				out := start(ctx, t, l)
				wantValue(t, next(out, 1)[points[1]], 1)
				for range 100 {
					got := next(out, 1)
					wantStatus(t, "link", got[r.opts.Status], true)
					if s, told := got[status[1]]; told {
						wantStatus(t, "unit 1", s, true)
					}
				}
			})
		})
	}
}

// Many silent units cost a round one time-out together, not one each.
func TestManySilentUnits(t *testing.T) {
	inBubble(t, func(ctx context.Context, t *testing.T) {
		r, points, _ := hostileRig(ctx, 7, func(uint8) bool { return false })
		r.opts.Timeout = 300 * time.Millisecond
		for u := range uint8(6) {
			r.server.Inject(device.Fault{Kind: device.Silent, Unit: u + 1})
		}
		l := r.link(t)
		out := start(ctx, t, l)
		next(out, 20)
		late := l.Status().Late
		for range 60 {
			wantValue(t, next(out, 1)[points[7]], 7)
		}
		if n := l.Status().Late - late; n > 0 || l.Status().Load > 0.31 {
			t.Errorf("%d late rounds, load %.2f", n, l.Status().Load)
		}
	})
}

// The same with sockets: a peer that resets the connection for one unit.
func TestHostilePeerOverSockets(t *testing.T) {
	banks := map[uint8]*device.Bank{1: bank(), 2: bank(), 3: bank()}
	server := device.New(banks, device.Options{})
	server.Inject(device.Fault{Kind: device.Reset, Unit: 2})
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); server.ServeTCP(ctx, ln) }()
	defer func() { cancel(); <-done }()
	opts := modbus.Options{Name: "plc", Address: ln.Addr().String(), Status: collector.NoPoint}
	for u := range uint8(3) {
		opts.Points = append(opts.Points, modbus.Point{ID: collector.PointID(u), Every: time.Second,
			Address: modbus.Address{Unit: u + 1, Table: modbus.HoldingRegisters, Start: 7, Type: modbus.Uint16}})
	}
	l, err := modbus.New(opts, nil, collector.NewClock())
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for range 3 {
		readings, err := l.Once(ctx)
		if err != nil {
			t.Fatal(err)
		}
		got := byPoint(readings)
		wantValue(t, got[0], 7)
		wantValue(t, got[2], 7)
		if r := got[1]; r.Fault != collector.NoAnswer || !strings.Contains(r.Reason(), "unit 2: holding 7: connection closed") {
			t.Errorf("unit 2: %v", r.Reason())
		}
	}
}
