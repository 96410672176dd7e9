package compute_test

import (
	"maps"
	"slices"
	"testing"

	"roundsman/collector"
	"roundsman/collector/compute"
)

// A difference of a difference needs its three inputs, and not what others take.
func TestNeeds(t *testing.T) {
	points := make([]collector.Point, 7)
	for i := range points {
		points[i] = collector.Point{ID: collector.PointID(i), Name: string(rune('a' + i)), Unit: "bar"}
	}
	in := func(p collector.PointID) compute.Input { return compute.Input{Point: p} }
	set, err := compute.New(points, []compute.Spec{
		{Point: 5, Name: "f", Difference: &compute.Difference{A: in(4), B: in(2)}},
		{Point: 4, Name: "e", Difference: &compute.Difference{A: in(0), B: in(1)}},
		{Point: 6, Name: "g", Difference: &compute.Difference{A: in(3), B: in(0)}},
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ want, of []collector.PointID }{
		{[]collector.PointID{0, 1, 2, 4, 5}, []collector.PointID{5}},
		{[]collector.PointID{0, 1, 4}, []collector.PointID{4}},
		{[]collector.PointID{3}, []collector.PointID{3}},
		{nil, nil},
	} {
		if got := slices.Sorted(maps.Keys(set.Needs(tt.of))); !slices.Equal(got, tt.want) {
			t.Errorf("%v needs %v, want %v", tt.of, got, tt.want)
		}
	}
}
