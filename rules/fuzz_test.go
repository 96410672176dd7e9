package rules_test

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// FuzzStep drives every kind of rule with arbitrary values, qualities, faults, acts and times, forward and backward.
// Whatever comes: no panic, events in order and in chains, one start an activation, deadlines never in the past, and
// nothing that never ends.
func FuzzStep(f *testing.F) {
	f.Add([]byte("the wash is closed and the air is low; 0123456789abcdefghijklmnopqrstuvwxyz"))
	f.Add([]byte{0, 1, 2, 3, 4, 5, 6, 7, 255, 254, 253, 252, 251, 128, 127, 64, 32, 16, 8, 4, 2, 1})
	f.Fuzz(func(t *testing.T, data []byte) {
		set := everyKind()
		engine, err := rules.New(points(8), set)
		if err != nil {
			t.Fatal(err)
		}
		in := &bytesOf{data: data}
		var events []rules.Event
		now := collector.At(time.Date(2026, 4, 18, 6, 10, 0, 0, time.UTC))
		engine.Step(now, nil, nil)
		reached := now
		for step := 0; len(in.data) > 0 && step < 2000; step++ {
			now += in.time()
			reached = max(reached, now)
			events = playStep(t, engine, in, now, events, len(set.Rules))
			if next := engine.Next(); next <= reached {
				t.Fatalf("step %d at %d: next deadline %d is not ahead", step, reached, next)
			}
		}
		checkJournal(t, events, len(set.Rules), nil)
		for _, s := range engine.Status(nil) {
			if s.State == rules.Shelved && s.Until <= reached {
				t.Fatalf("%+v is shelved beyond its end", s)
			}
			if ringing := s.State == rules.Unacknowledged || s.State == rules.Acknowledged; ringing && !s.Active {
				t.Fatalf("%+v rings without its condition", s)
			}
		}
	})
}

func playStep(t *testing.T, engine *rules.Engine, in *bytesOf, now collector.Moment, events []rules.Event, n int) []rules.Event {
	if in.byte()%5 == 0 {
		events, _ = engine.Act(now, rules.Act{Kind: rules.ActKind(in.byte() % 7), Rule: int(in.byte()) % n, Who: "ann", Why: "x",
			For: time.Duration(in.byte()) * time.Second}, events)
		return events
	}
	var readings []collector.Reading
	for range in.byte() % 6 {
		r := collector.Reading{Point: collector.PointID(int8(in.byte() % 7)), Value: in.value(), Quality: collector.Quality(in.byte() % 4), At: now}
		if k := in.byte(); k%8 == 0 {
			r.Fault = collector.Fault(k / 8)
			r.At = collector.Moment(int64(int8(in.byte()))) * second // a device's clock says anything
		}
		readings = append(readings, r)
	}
	before := len(events)
	events, next := engine.Step(now, readings, events)
	if next != engine.Next() {
		t.Fatalf("Step says next is %d, Next says %d", next, engine.Next())
	}
	if len(events)-before > 10000 {
		t.Fatalf("%d events of one step", len(events)-before)
	}
	return events
}

// bytesOf reads choices from the fuzzer's bytes; zeros after their end.
type bytesOf struct{ data []byte }

func (b *bytesOf) byte() byte {
	if len(b.data) == 0 {
		return 0
	}
	v := b.data[0]
	b.data = b.data[1:]
	return v
}

// time mostly moves a little forward, sometimes far, sometimes back.
func (b *bytesOf) time() collector.Moment {
	switch k := b.byte(); {
	case k < 200:
		return collector.Moment(k) * second / 16
	case k < 230:
		return collector.Moment(k-199) * 100 * second
	case k < 250:
		return -collector.Moment(k-229) * second
	default:
		return collector.Moment(k)
	}
}

func (b *bytesOf) value() float64 {
	switch k := b.byte(); {
	case k < 200:
		return float64(k%16) / 2
	case k < 220:
		return float64(k) - 210
	case k == 250:
		return math.NaN()
	case k == 251:
		return math.Inf(1)
	case k == 252:
		return math.MaxFloat64
	case k > 252:
		var raw [8]byte
		for i := range raw {
			raw[i] = b.byte()
		}
		return math.Float64frombits(binary.LittleEndian.Uint64(raw[:]))
	default:
		return -float64(k)
	}
}
