package model_test

import (
	"fmt"
	"time"

	"roundsman/collector/practice/model"
)

// A 500 L receiver filled by 30 L/s of free air from empty to 8.2 bar.
func ExampleReceiver() {
	r := model.Receiver{Volume: 500}
	seconds := r.Until(8.2, model.Flow{In: 30})
	r.Advance(model.Flow{In: 30}, seconds)
	fmt.Printf("%.1f bar after %.0f s\n", r.Pressure, seconds)
	// Output: 8.2 bar after 135 s
}

func ExampleModel() {
	m := model.New(model.Config{Seed: 1, Start: time.Date(2026, time.June, 13, 10, 0, 0, 0, time.UTC)})
	m.Set(model.CompressorTrip, true)
	m.Step(5 * time.Minute)
	s := m.State()
	fmt.Println(s.Air.Fault, s.Air.Running, s.Air.Header < 5.5)
	// Output: true false true
}
