package modbus_test

import (
	"context"
	"net"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/device"
	"roundsman/collector/modbus/wire"
)

// lastWords is a line on which the stop comes between an answer's last byte and whoever reads it.
type lastWords struct {
	net.Conn
	stop context.CancelFunc
}

func (c lastWords) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	c.stop()
	return n, err
}

// SetDeadline does nothing, so that the deadline of a stop does not spoil the answer that is there already.
func (c lastWords) SetDeadline(time.Time) error { return nil }

// An answer that came while the link was told to stop is an answer, of bits and of registers.
func TestStopBehindAnAnswer(t *testing.T) {
	for _, table := range []modbus.Table{modbus.DiscreteInputs, modbus.HoldingRegisters} {
		ctx, stop := context.WithCancel(t.Context())
		server, served := device.New(map[uint8]*device.Bank{1: bank()}, device.Options{}), make(chan struct{})
		opts := modbus.Options{Name: "plc", Status: collector.NoPoint, Units: map[uint8]modbus.Unit{1: {Status: collector.NoPoint}},
			Points: []modbus.Point{{ID: 0, Every: time.Second, Address: modbus.Address{Unit: 1, Table: table, Start: 0, Type: modbus.Bool}}},
			Open: func(context.Context) (wire.Conn, error) {
				near, far := net.Pipe()
				go func() {
					defer close(served)
					server.ServeConn(t.Context(), far)
				}()
				return lastWords{near, stop}, nil
			}}
		l, err := modbus.New(opts, []collector.Point{{ID: 0, Name: "p"}}, collector.NewClock())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.Once(ctx); err != nil {
			t.Logf("%v: %v", table, err)
		}
		l.Close()
		<-served
	}
}
