//go:build race

package record_test

// fewer is by how much there is less of everything under the race detector, which slows SQLite in Go twentyfold.
const fewer = 4
