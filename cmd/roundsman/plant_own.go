//go:build !plantapart

package main

import (
	"context"

	"roundsman/collector/practice"
	"roundsman/collector/practice/terms"
)

// openPlant opens a practice plant in this process: the demo needs nothing beside this program.
func openPlant(_ context.Context, speed float64, faults []terms.Fault) (practicePlant, error) {
	return practice.New(practice.Options{Speed: speed, Faults: faults})
}
