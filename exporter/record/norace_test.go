//go:build !race

package record_test

const fewer = 1
