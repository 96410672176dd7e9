// Package sorting sorts slices of anything by one routine that all types share.
//
// slices.SortFunc is compiled anew for each type of element, 10 to 17 kB every
// time, which made up half a megabyte of the binary. These take the same
// arguments and stay small; they take several times as long, which does not
// matter for lists that people read:
//
//	sorting.Func(pumps, func(a, b Pump) int { return cmp.Compare(b.Starts, a.Starts) })
package sorting

import "sort"

// Func sorts s by cmp, which is negative when a comes before b. Equal elements
// may change places; see slices.SortFunc.
func Func[S ~[]E, E any](s S, cmp func(a, b E) int) {
	sort.Slice(s, func(i, j int) bool { return cmp(s[i], s[j]) < 0 })
}

// StableFunc sorts s by cmp and keeps equal elements in their order; see slices.SortStableFunc.
func StableFunc[S ~[]E, E any](s S, cmp func(a, b E) int) {
	sort.SliceStable(s, func(i, j int) bool { return cmp(s[i], s[j]) < 0 })
}
