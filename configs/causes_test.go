package configs_test

import (
	"slices"
	"testing"

	"roundsman/configs"
)

// The loss of one device or link is the cause of what is read by it, and silences nothing else.
func TestCausesKeepToTheirLink(t *testing.T) {
	fsys, name := configs.Demo()
	s, err := configs.Load(fsys, name)
	if err != nil {
		t.Fatal(err)
	}
	list := s.Rules.Rules
	causes := func(alarm string) []string {
		var names []string
		for _, r := range list {
			if r.Name != alarm {
				continue
			}
			for _, c := range r.CausedBy {
				names = append(names, list[c].Name)
			}
			slices.Sort(names)
			return names
		}
		t.Fatalf("no alarm %s", alarm)
		return nil
	}
	for alarm, want := range map[string][]string{
		"sensor-fault:air.header.pressure":    {"device-lost:link.plc.unit.1.good", "link-down:link.plc.up", "mains-lost"},
		"sensor-fault:pit.3.level":            {"device-lost:link.meters.unit.5.good", "link-down:link.meters.up", "mains-lost"},
		"sensor-fault:reclaim.turbidity":      {"device-lost:link.meters.unit.7.good", "link-down:link.meters.up", "mains-lost"},
		"device-lost:link.meters.unit.6.good": {"link-down:link.meters.up", "mains-lost"},
		"yard-gateway-offline":                {"link-down:link.yard.up", "mains-lost"},
		"yard-stale:fresh.tank.level":         {"link-down:link.yard.up", "mains-lost", "yard-gateway-offline"},
		"air-low":                             {"air-falling", "air-not-loading", "compressor-fault", "mains-lost"}, // one cause, one ring
		"phase-low:power.voltage.l1":          {"mains-lost"},
	} {
		if got := causes(alarm); !slices.Equal(got, want) {
			t.Errorf("%s is caused by %q, want %q", alarm, got, want)
		}
	}
}
