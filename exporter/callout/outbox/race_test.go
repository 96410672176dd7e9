//go:build race

package outbox_test

// The race detector makes everything about ten times slower.
const fewer = 10
