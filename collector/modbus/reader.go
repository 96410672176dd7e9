package modbus

import (
	"context"
	"errors"
	"fmt"
	"net"
	"time"

	gomodbus "github.com/goburrow/modbus"

	"roundsman/collector/modbus/serial"
	"roundsman/collector/modbus/wire"
)

// transporter is a transporter of package wire.
type transporter interface {
	gomodbus.Transporter
	Connect(ctx context.Context) error
	Connected() bool
	Close() error
}

// reader asks the units of one line. It can only read. One goroutine uses it.
type reader struct {
	transporter
	kind      Transport
	packagers map[uint8]gomodbus.Packager
	clients   map[uint8]gomodbus.Client
}

// newReader returns a reader for complete options; it opens nothing.
func newReader(o Options) *reader {
	r := &reader{kind: o.Transport, packagers: map[uint8]gomodbus.Packager{}, clients: map[uint8]gomodbus.Client{}}
	open := o.Open
	if open == nil {
		open = opener(o)
	}
	switch o.Transport {
	case TCP:
		r.transporter = wire.NewTCP(open, o.Timeout)
	case RTUOverTCP:
		r.transporter = wire.NewRTUOverTCP(open, wire.Timing{Timeout: o.Timeout, Gap: o.Gap})
	default:
		m := o.mode()
		timing := wire.Timing{Timeout: o.Timeout, Char: m.Char(), Silence: m.Silence(), Gap: o.Gap}
		if o.Open == nil {
			timing.Pause = serial.Pause // a line that is given may live in a test's own time
		}
		r.transporter = wire.NewRTU(open, timing)
	}
	return r
}

// mode returns how the serial line is set.
func (o Options) mode() serial.Mode {
	return serial.Mode{Baud: o.Baud, Parity: o.Parity, StopBits: o.StopBits, RS485: o.RS485}
}

// opener opens the line that transport and address name.
func opener(o Options) wire.Opener {
	if o.Transport == RTU {
		return func(context.Context) (wire.Conn, error) {
			p, err := serial.Open(o.Address, o.mode())
			if err != nil {
				return nil, err
			}
			return p, nil
		}
	}
	d := net.Dialer{Timeout: o.Timeout}
	return func(ctx context.Context) (wire.Conn, error) { return d.DialContext(ctx, "tcp", o.Address) }
}

// packager returns the unit's own packager: the library keeps the unit id in a plain field.
func (r *reader) packager(unit uint8) gomodbus.Packager {
	if p := r.packagers[unit]; p != nil {
		return p
	}
	var p gomodbus.Packager
	if r.kind == TCP {
		h := gomodbus.NewTCPClientHandler("")
		h.SlaveId = unit
		p = h
	} else {
		h := gomodbus.NewRTUClientHandler("")
		h.SlaveId = unit
		p = h
	}
	r.packagers[unit] = p
	r.clients[unit] = gomodbus.NewClient2(p, r.transporter)
	return p
}

// client returns the unit's client of the library.
func (r *reader) client(unit uint8) gomodbus.Client {
	if c := r.clients[unit]; c != nil {
		return c
	}
	r.packager(unit)
	return r.clients[unit]
}

// read reads count items of a table. The bytes are valid until the next call.
// The error is an Exception or a *wire.Error.
func (r *reader) read(unit uint8, t Table, start, count uint16) (data []byte, err error) {
	c := r.client(unit)
	switch t {
	case Coils:
		data, err = c.ReadCoils(start, count)
	case DiscreteInputs:
		data, err = c.ReadDiscreteInputs(start, count)
	case HoldingRegisters:
		data, err = c.ReadHoldingRegisters(start, count)
	case InputRegisters:
		data, err = c.ReadInputRegisters(start, count)
	default:
		return nil, &wire.Error{Reason: wire.Forbidden, Detail: fmt.Sprintf("table %d", t)}
	}
	if err != nil {
		return nil, plainError(err)
	}
	return data, nil
}

// plainError turns the library's errors into ours.
func plainError(err error) error {
	var x *gomodbus.ModbusError
	if errors.As(err, &x) {
		return Exception(x.ExceptionCode)
	}
	if wire.ReasonOf(err) != 0 {
		return err
	}
	return &wire.Error{Reason: wire.Garbage, Err: err}
}

// complete fills in what was left out: 1 s time-out (300 ms serial), 2
// retries, and for a serial line 19,200 baud, even parity and one stop bit, the
// defaults of MODBUS over Serial Line V1.02, 2.5.1.
func (o Options) complete() Options {
	switch {
	case o.Retries == 0:
		o.Retries = 2
	case o.Retries < 0:
		o.Retries = 0
	}
	if o.Timeout <= 0 {
		o.Timeout = time.Second
		if o.Transport == RTU {
			o.Timeout = 300 * time.Millisecond
		}
	}
	if o.Transport == RTU {
		if o.Baud == 0 {
			o.Baud = 19200
		}
		if o.Parity == 0 {
			o.Parity = 'E'
		}
		if o.StopBits == 0 {
			o.StopBits = 1
		}
	}
	return o
}
