package device_test

import (
	"context"
	"fmt"
	"net"

	"github.com/goburrow/modbus"

	"roundsman/collector/modbus/device"
)

func Example() {
	bank := device.NewBank(device.Range{Table: device.Holding, First: 10, Last: 16})
	if err := bank.Set(device.Holding, 10, 12200); err != nil {
		fmt.Println(err)
		return
	}
	plc := device.New(map[uint8]*device.Bank{1: bank}, device.Options{})
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		fmt.Println(err)
		return
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error)
	go func() { ended <- plc.ServeTCP(ctx, listener) }()

	handler := modbus.NewTCPClientHandler(listener.Addr().String())
	handler.SlaveId = 1
	client := modbus.NewClient(handler)
	fmt.Println(client.ReadHoldingRegisters(10, 1))
	fmt.Println(client.ReadHoldingRegisters(17, 1))
	heal := plc.Inject(device.Fault{Kind: device.Exception, Code: device.ServerDeviceBusy})
	fmt.Println(client.ReadHoldingRegisters(10, 1))
	heal()
	handler.Close()
	stop()
	fmt.Println(<-ended)
	// Output:
	// [47 168] <nil>
	// [] modbus: exception '2' (illegal data address), function '131'
	// [] modbus: exception '6' (server device busy), function '131'
	// <nil>
}
