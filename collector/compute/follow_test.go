package compute_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
)

// followed is one room, its points numbered from a first number on.
type followed struct {
	points []collector.Point
	specs  []compute.Spec
	ids    []collector.PointID // by the place of a point in the room
}

// room lays out: a pulse counter, a level, a switch, and what is computed of them. skip puts that many other points in front.
func room(skip int, window time.Duration) followed {
	names := []string{"meter", "level", "pump", "flow", "total", "rate", "mean", "both"}
	r := followed{points: points(skip + len(names))}
	for i, n := range names {
		id := collector.PointID(i)
		if skip > 0 {
			id = collector.PointID(skip + len(names) - 1 - i) // and the other way round
		}
		r.ids = append(r.ids, id)
		r.points[id].Name = n
	}
	id := r.ids
	r.specs = []compute.Spec{
		{Point: id[3], Name: "flow", Flow: &compute.Flow{Counter: id[0], PerPulse: 10, PerTime: time.Minute, Over: time.Minute}},
		{Point: id[4], Name: "total", Total: &compute.Total{Counter: id[0], PerPulse: 10}},
		{Point: id[5], Name: "rate", Rate: &compute.Rate{Of: in(id[1]), Over: window, PerTime: time.Minute}},
		{Point: id[6], Name: "mean", Mean: &compute.Mean{Of: in(id[1]), Over: 10 * time.Minute, While: id[2]}},
		{Point: id[7], Name: "both", Formula: &compute.Formula{Source: "flow + rate", Names: map[string]collector.PointID{"flow": id[3], "rate": id[5]}}},
	}
	return r
}

func (r *followed) set(t *testing.T) *compute.Set { return newSet(t, r.points, r.specs...) }

// batch makes the readings of a second: the same for every numbering.
func (r *followed) batch(s int) []collector.Reading {
	rng := rand.New(rand.NewPCG(7, uint64(s)))
	at := float64(s)
	return []collector.Reading{
		good(r.ids[0], math.Floor(float64(s)*0.7), at),
		good(r.ids[1], 50+10*math.Sin(float64(s)/90)+rng.Float64(), at),
		good(r.ids[2], float64(s/40%2), at),
	}
}

// step returns the values of the computed points by their place in the room.
func (r *followed) step(s *compute.Set, second int) map[int]collector.Reading {
	out := map[int]collector.Reading{}
	for _, got := range s.Step(sec(float64(second)), r.batch(second), nil) {
		place := slices.Index(r.ids, got.Point)
		got.Point = 0
		out[place] = got
	}
	return out
}

// numbers returns what each point of a is in b.
func numbers(a, b *followed) []collector.PointID {
	ids := make([]collector.PointID, len(a.points))
	for i := range ids {
		ids[i] = collector.NoPoint
	}
	for i, id := range a.ids {
		ids[id] = b.ids[i]
	}
	return ids
}

// However often and however they are numbered anew, points that did not change give what they would have given.
func TestFollowGoesOn(t *testing.T) {
	never := room(0, 5*time.Minute)
	alone := never.set(t)
	now, set := never, never.set(t)
	reads := 0
	for second := range 3000 {
		if second%37 == 36 {
			next := room(second%5, 5*time.Minute)
			fresh := next.set(t)
			fresh.Follow(set, numbers(&now, &next), make([]bool, len(next.points)))
			if got, want := fresh.Latest(next.ids[4]).Value, set.Latest(now.ids[4]).Value; got != want || fresh.Latest(next.ids[4]).Point != next.ids[4] {
				t.Fatalf("second %d: the latest total is %g, was %g", second, got, want)
			}
			now, set = next, fresh
		}
		want, got := never.step(alone, second), now.step(set, second)
		for place := 3; place < 8; place++ {
			if got[place] != want[place] {
				t.Fatalf("second %d: %s is %+v, would be %+v", second, never.points[place].Name, got[place], want[place])
			}
			if want[place].Quality.Usable() {
				reads++
			}
		}
	}
	if reads < 14000 {
		t.Errorf("only %d results were compared", reads)
	}
}

// What is computed otherwise begins anew, and so does all that is made of it or of a point that changed; the rest goes on.
func TestFollowBeginsAnew(t *testing.T) {
	for _, tt := range []struct {
		name    string
		window  time.Duration
		changed int // place of a read point that changed; -1: none
		anew    []int
	}{
		{"nothing", 5 * time.Minute, -1, nil},
		{"a window", 4 * time.Minute, -1, []int{5, 7}},
		{"a counter", 5 * time.Minute, 0, []int{0, 3, 4, 7}},
		{"a switch", 5 * time.Minute, 2, []int{2, 6}},
	} {
		a, b := room(0, 5*time.Minute), room(3, tt.window)
		set := a.set(t)
		for second := range 900 {
			a.step(set, second)
		}
		changed := make([]bool, len(b.points))
		if tt.changed >= 0 {
			changed[b.ids[tt.changed]] = true
		}
		next := b.set(t)
		next.Follow(set, numbers(&a, &b), changed)
		for place, id := range b.ids {
			want := slices.Contains(tt.anew, place)
			if changed[id] != want {
				t.Errorf("%s changed: %s is marked %v, want %v", tt.name, b.points[id].Name, changed[id], want)
			}
			if unread := next.Latest(id).Quality == collector.Unread; unread != want {
				t.Errorf("%s changed: %s has no reading: %v, want %v", tt.name, b.points[id].Name, unread, want)
			}
		}
	}
}
