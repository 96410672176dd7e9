package main

import (
	"strings"
	"testing"
	"time"

	"roundsman/collector/modbus"
	"roundsman/configs"
)

// TestPointFacts holds what the pages tell of some points against their lines in the demonstration's site file.
func TestPointFacts(t *testing.T) {
	files, name := configs.Demo()
	site, err := configs.Load(files, name)
	if err != nil {
		t.Fatal(err)
	}
	facts := pointFacts(site)
	for point, want := range map[string][]string{
		// unit-id: 1, holding: 10, type: int16, signal: 4-20mA, raw-per-mA: 1000, range: [0 bar, 16 bar], max-rate: 2 bar/s, every: 1s
		"air.header.pressure": {"Unit id: 1", "Register: holding 10, reference 40011", "Type: int16", "Signal: 4-20 mA, raw 4000 at 4 mA, 20000 at 20 mA",
			"Scaling: raw 4000 to 20000 is 0 to 16 bar", "Believed: changes of up to 2 bar a second", "Read every: 1 s"},
		// holding: 14, type: uint32, order: CDAB, kind: counter, scale: 0.1 h, every: 60s
		"air.compressor.hours":   {"Register: holding 14-15, reference 40015", "Type: uint32, order CDAB", "Read every: 1 min"},
		"air.compressor.running": {"Register: discrete 0, reference 10001", "Type: bool"},
		"hyd.pack.1.pressure":    {"Scaling: raw 0 to 27648 is 0 to 160 bar"},
	} {
		f := facts(point)
		var lines []string
		for _, one := range f.Facts {
			lines = append(lines, one.Name+": "+one.Words)
		}
		all := strings.Join(lines, "\n")
		for _, line := range want {
			if !strings.Contains("\n"+all+"\n", "\n"+line+"\n") {
				t.Errorf("%s: no %q in\n%s", point, line, all)
			}
		}
	}
	if f := facts("air.compressor.hours"); f.Every != time.Minute {
		t.Errorf("read every %v", f.Every)
	}
	for _, p := range site.Points { // each point that is read or computed has something to tell
		if f := facts(p.Name); p.Link != "" && p.Station != "box" && len(f.Facts) == 0 {
			t.Errorf("%s has no facts", p.Name)
		}
	}
	if f := facts("nothing"); len(f.Facts) != 0 {
		t.Errorf("a point that is none: %v", f)
	}
}

// TestRegisterWords holds references against the numbering of the Modbus application protocol, 4.4: item n has address n - 1.
func TestRegisterWords(t *testing.T) {
	for _, c := range []struct {
		a    modbus.Address
		want string
	}{
		{modbus.Address{Table: modbus.HoldingRegisters, Start: 0, Type: modbus.Int16}, "holding 0, reference 40001"},
		{modbus.Address{Table: modbus.InputRegisters, Start: 9998, Type: modbus.Float32}, "input 9998-9999, reference 39999"},
		{modbus.Address{Table: modbus.InputRegisters, Start: 9999, Type: modbus.Int16}, "input 9999, reference 310000"},
		{modbus.Address{Table: modbus.Coils, Start: 65535, Type: modbus.Bool}, "coil 65535, reference 065536"},
	} {
		got := registerWords(c.a)
		if got != c.want {
			t.Errorf("%v: %s, want %s", c.a, got, c.want)
			continue
		}
		_, reference, _ := strings.Cut(got, "reference ")
		if table, start, err := modbus.ParseReference(reference); err != nil || table != c.a.Table || start != c.a.Start {
			t.Errorf("%s is read as %v %d, %v", reference, table, start, err)
		}
	}
}
