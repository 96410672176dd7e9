// Package pack turns readings into few bytes and back. It is pure: no clock, no file, no state between two calls.
//
// A reading is kept as a whole number of steps of its point's resolution (Grid), its quality and fault exactly as they
// were (Mark), and its time in milliseconds. Times are told once for all points that are read together (a clock). A
// Sheet is a window of all points, as it is written live; a column alone is the chunk of one point, for instance an hour.
//
//	g := pack.GridOf(&point)
//	n, exact := g.Count(7.8125)
//	data := pack.AppendColumn(nil, pack.Column{Counts: counts, Marks: marks})
//	col, err := pack.DecodeColumn(data)
//
// # How
//
// Differences of neighbouring counts are coded bit by bit with an adaptive binary range coder: first the length of the
// difference in bits, with the lengths of the two before as context, then its sign, then its bits, each with a
// probability that follows what was seen. Noise costs about its entropy, what stands still next to nothing, a steady
// ramp too. The columns of a sheet share their probabilities in groups of GroupSize, so that ten readings a point need
// no learning of their own, and one group can be read without the others. After the range coder of G. N. N. Martin,
// 'Range encoding: an algorithm for removing redundancy from a digitised message', 1979, and the universal codes of
// P. Elias, 1975 (from memory).
//
// # What comes back
//
// A value that is at most 2^53 steps large comes back as the nearest whole number of steps from the grid's origin: within
// half a step, and to the last few bits of the float where the value was on the grid. A larger one comes back exactly.
// There is no NaN: a reading that is no measurement has a mark that says so, and no value. Every block carries a check
// sum; data that were changed are refused, never guessed at.
package pack
