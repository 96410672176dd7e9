package modbus_test

import (
	"context"
	"fmt"
	"net"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/modbus/wire"
	"roundsman/collector/scaling"
)

// One look at two points of a device: a 4-20 mA pressure in counts, and a register that is not there.
func ExampleLink_Once() {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	bank := device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 15})
	bank.Update(func(r device.Registers) { r.Set(device.Holding, 10, 13824) })
	plc := device.New(map[uint8]*device.Bank{1: bank}, device.Options{})

	points := []collector.Point{{ID: 0, Name: "air.header.pressure", Unit: "bar"}, {ID: 1, Name: "air.dew-point", Unit: "degC"}}
	holding := func(start uint16) modbus.Address {
		return modbus.Address{Unit: 1, Table: modbus.HoldingRegisters, Start: start, Type: modbus.Int16}
	}
	link, err := modbus.New(modbus.Options{
		Name: "plc", Transport: modbus.TCP, Status: collector.NoPoint,
		Points: []modbus.Point{
			{ID: 0, Address: holding(10), Every: time.Second, Scale: scaling.Spec{Points: []scaling.Pair{{Raw: 0, Value: 0}, {Raw: 27648, Value: 16}}}},
			{ID: 1, Address: holding(16), Every: time.Second},
		},
		Open: func(context.Context) (wire.Conn, error) { // in place of an Address
			near, far := net.Pipe()
			go plc.ServeConn(ctx, far)
			return near, nil
		},
	}, points, collector.NewClock())
	if err != nil {
		fmt.Println(err)
		return
	}
	defer link.Close()
	readings, err := link.Once(ctx)
	for _, r := range readings {
		p := points[r.Point]
		fmt.Printf("%s: %v, %v %s %q\n", p.Name, r.Quality, r.Value, p.Unit, r.Reason())
	}
	fmt.Println(err)
	// Output:
	// air.header.pressure: good, 8 bar ""
	// air.dew-point: bad, 0 degC "refused by the device: link plc: unit 1: holding 16: illegal data address (02)"
	// <nil>
}

// Values lie in registers in many types and orders.
func ExampleDecode() {
	a := modbus.Address{Table: modbus.HoldingRegisters, Type: modbus.Float32}
	for _, a.Order = range []modbus.Order{modbus.ABCD, modbus.CDAB} {
		value, _, fault := modbus.Decode(a, []byte{0x42, 0xF6, 0xE9, 0x79})
		fmt.Printf("%.3g %v %q\n", value, a.Order, fault)
	}
	// Output:
	// 123 ABCD ""
	// -1.88e+25 CDAB ""
}
