package wire_test

import (
	"context"
	"fmt"
	"net"
	"time"

	gomodbus "github.com/goburrow/modbus"

	"roundsman/collector/modbus/device"
	"roundsman/collector/modbus/wire"
)

// The library's client over a transporter that only reads.
func ExampleNewTCP() {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	bank := device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 9})
	bank.Update(func(r device.Registers) { r.Set(device.Holding, 3, 0x1234) })
	server := device.New(map[uint8]*device.Bank{1: bank}, device.Options{})
	open := func(context.Context) (wire.Conn, error) {
		near, far := net.Pipe()
		go server.ServeConn(ctx, far)
		return near, nil
	}

	t := wire.NewTCP(open, time.Second)
	if err := t.Connect(ctx); err != nil {
		fmt.Println(err)
		return
	}
	defer t.Close()
	packager := gomodbus.NewTCPClientHandler("")
	packager.SlaveId = 1
	client := gomodbus.NewClient2(packager, t)

	data, err := client.ReadHoldingRegisters(3, 1)
	fmt.Printf("% X %v\n", data, err)
	_, err = client.WriteSingleRegister(3, 0)
	fmt.Println(err)
	// Output:
	// 12 34 <nil>
	// not a reading request: function 6 (0x06)
}
