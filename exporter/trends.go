package exporter

import (
	"context"
	"errors"
	"iter"
	"time"
)

// TrendStep is the smallest, mean and largest value of a span of time.
type TrendStep struct {
	Milli          int64 // when it begins: UTC, in milliseconds since 1970
	Min, Mean, Max float64
}

// ErrNoTrend: no reading of that point was kept.
var ErrNoTrend = errors.New("no readings are kept of this point")

// MostTrendSteps is how many steps may be asked for at once.
const MostTrendSteps = 20_000

// Trends is what was kept of readings.
type Trends interface {
	// Steps returns what was kept of a point in [from, to) in steps that begin at from, and its unit; steps without a
	// value that could be used are left out. The error wraps ErrNoTrend if there is nothing. It reads aside of all writing.
	Steps(ctx context.Context, point string, from, to time.Time, step time.Duration) (unit string, steps []TrendStep, err error)
	// Each gives the same of many points one after the other, in their order, leaving out those of which nothing is kept. It
	// takes far less than as many calls of Steps. An error ends it.
	Each(ctx context.Context, points []string, from, to time.Time, step time.Duration) iter.Seq2[PointSteps, error]
}

// PointSteps is what was kept of one point.
type PointSteps struct {
	Point, Unit string
	Steps       []TrendStep
}
