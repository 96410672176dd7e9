package modbus_test

import (
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
)

// Forty registers of twenty devices each second on 9,600 baud: by MODBUS over Serial Line V1.02, 2.5.1, two registers of one device
// take 17 characters of 11 bits and two silences of 3.5, 27.5 ms, so twenty take 550 ms; with a turnaround of 22.1 ms 992 ms.
func TestRelief(t *testing.T) {
	opts := modbus.Options{Name: "rs485", Transport: modbus.RTU, Address: "/dev/null", Baud: 9600, Status: collector.NoPoint, Units: map[uint8]modbus.Unit{}}
	for i := range uint8(40) {
		opts.Units[1+i/2] = modbus.Unit{Status: collector.NoPoint}
		opts.Points = append(opts.Points, modbus.Point{ID: collector.PointID(i), Every: time.Second,
			Address: modbus.Address{Unit: 1 + i/2, Table: modbus.InputRegisters, Start: uint16(i % 2), Type: modbus.Int16}})
	}
	relief := func(change func(*modbus.Options)) (bool, string) {
		t.Helper()
		o := opts
		o.Units = map[uint8]modbus.Unit{}
		for id, u := range opts.Units {
			o.Units[id] = u
		}
		change(&o)
		rep, err := modbus.Forecast(o)
		if err != nil {
			t.Fatal(err)
		}
		words, err := modbus.Relief(o)
		if err != nil {
			t.Fatal(err)
		}
		return rep.Carries(), strings.Join(words, "\n")
	}
	if can, words := relief(func(*modbus.Options) {}); !can || words != "" {
		t.Errorf("55 %% of the time: carries %v, relief %q", can, words)
	}
	slow := func(o *modbus.Options) {
		for id, u := range o.Units {
			u.Turnaround = 22100 * time.Microsecond
			o.Units[id] = u
		}
	}
	// with 19,200 baud 717 ms, with 38,400 (silences of 1.75 ms) 609 ms
	can, words := relief(slow)
	for _, want := range []string{"at 38400 baud it would be busy for 61 % of the time", "with the 40 points read each 1s read each 2s it would be busy for 50 % of the time", "move some of its 20 units to a second serial line"} {
		if can || !strings.Contains(words, want) {
			t.Errorf("carries %v, relief %q lacks %q", can, words, want)
		}
	}
	if can, words = relief(func(o *modbus.Options) { o.Gap = 50 * time.Millisecond }); can || !strings.Contains(words, "without the gap of 50ms between requests it would be busy for 55 %") {
		t.Errorf("carries %v, relief %q", can, words)
	}
}
