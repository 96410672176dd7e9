package panel

import (
	"math/rand/v2"
	"testing"
)

// TestHalves: whatever stations there are, all stand in their order, none twice, and no other cut in two makes the longer
// column shorter.
func TestHalves(t *testing.T) {
	random := rand.New(rand.NewPCG(6, 40))
	for range 500 {
		var list []station
		for range random.IntN(14) {
			list = append(list, station{Name: string(rune('a' + len(list))), Rows: make([]row, 1+random.IntN(30))})
		}
		machines := make([]machineRow, random.IntN(4))
		var got []station
		var heights []int
		for _, half := range halves(list, machines) {
			n := 0
			for _, quarter := range half {
				if len(quarter) == 0 {
					t.Fatal("a column is empty")
				}
				for _, s := range quarter {
					got, n = append(got, s), n+height(&s)
				}
			}
			heights = append(heights, n)
		}
		if len(machines) > 0 {
			if last := got[len(got)-1]; len(last.Machines) != len(machines) {
				t.Fatalf("the machines do not come last: %+v", last)
			}
			list = append(list, station{Machines: machines})
		}
		if len(got) != len(list) || len(heights) > 2 {
			t.Fatalf("%d of %d stations in %d halves", len(got), len(list), len(heights))
		}
		all, first := 0, 0
		for i := range list {
			if got[i].Name != list[i].Name {
				t.Fatalf("station %d is %q, want %q", i, got[i].Name, list[i].Name)
			}
			all += height(&list[i])
		}
		for i := range list {
			if first += height(&list[i]); max(first, all-first) < max(heights[0], all-heights[0]) {
				t.Fatalf("halves of %v lines; cut after %d the longer one has %d", heights, i+1, max(first, all-first))
			}
		}
	}
}
