//go:build !linux

package record

// ThisBoot knows nothing here: times over a restart follow the wall clock.
func ThisBoot() Boot { return Boot{} }
