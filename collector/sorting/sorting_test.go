package sorting_test

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"testing"

	"roundsman/collector/sorting"
)

type entry struct {
	key, place int
	name       string
}

func byKey(a, b entry) int { return cmp.Compare(a.key, b.key) }

// The library's own sorts are the reference: the same order, and for the stable one the same places among equals.
func TestAsTheLibrary(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{0, 1, 2, 12, 13, 100, 3000} {
		var list []entry
		for i := range n {
			list = append(list, entry{r.IntN(n/3 + 1), i, "x"})
		}
		want, got := slices.Clone(list), slices.Clone(list)
		slices.SortStableFunc(want, byKey)
		sorting.StableFunc(got, byKey)
		if !slices.Equal(got, want) {
			t.Errorf("%d entries: the stable order differs", n)
		}
		got = slices.Clone(list)
		sorting.Func(got, byKey)
		if !slices.IsSortedFunc(got, byKey) {
			t.Errorf("%d entries: not sorted", n)
		}
		sorting.Func(got, func(a, b entry) int { return a.place - b.place })
		if !slices.Equal(got, list) {
			t.Errorf("%d entries: some were lost", n)
		}
	}
}

func BenchmarkFunc(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	list := make([]entry, 1000)
	for i := range list {
		list[i] = entry{r.IntN(1000), i, "x"}
	}
	work := make([]entry, len(list))
	var ours, library float64
	for b.Loop() {
		copy(work, list)
		t := b.Elapsed()
		sorting.Func(work, byKey)
		ours += float64(b.Elapsed() - t)
		copy(work, list)
		t = b.Elapsed()
		slices.SortFunc(work, byKey)
		library += float64(b.Elapsed() - t)
	}
	b.ReportMetric(ours/library, "x-slices")
}
