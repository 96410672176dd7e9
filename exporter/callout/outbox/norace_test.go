//go:build !race

package outbox_test

const fewer = 1
