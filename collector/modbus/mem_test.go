package modbus_test

import (
	"context"
	"encoding/binary"
	"io"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/modbus/wire"
)

// memory is a line to a device that answers within the Write, without any system call.
type memory struct{ answer []byte }

func (m *memory) Write(b []byte) (int, error) {
	n := int(binary.BigEndian.Uint16(b[10:]))
	m.answer = append(m.answer[:0], b[:8]...)
	binary.BigEndian.PutUint16(m.answer[4:], uint16(3+2*n))
	m.answer = append(m.answer, byte(2*n))
	m.answer = append(m.answer, make([]byte, 2*n)...)
	return len(b), nil
}

func (m *memory) Read(b []byte) (int, error) {
	if len(m.answer) == 0 {
		return 0, io.EOF
	}
	n := copy(b, m.answer)
	m.answer = m.answer[:0]
	return n, nil
}

func (m *memory) Close() error                { return nil }
func (m *memory) SetDeadline(time.Time) error { return nil }

// BenchmarkOverhead is a round of ten requests and a hundred readings without a line: what the
// collector itself costs.
func BenchmarkOverhead(b *testing.B) {
	opts, points := collectorOptions(modbus.TCP, "", 0, 10)
	opts.Open = func(context.Context) (wire.Conn, error) { return &memory{}, nil }
	l, err := modbus.New(opts, points, collector.NewClock())
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	once(b, l)
	b.ReportAllocs()
	for b.Loop() {
		once(b, l)
	}
}
