package terminal_test

import (
	"bytes"
	"context"
	"io"
	"os"
	"os/exec"
	"testing"
	"time"

	"github.com/goburrow/modbus"

	"roundsman/collector/modbus/device"
	"roundsman/collector/outsidetest"
	"roundsman/collector/practice/terminal"
)

// threeRegisters is unit 17 of the application protocol's example: 555, 0, 100 at holding 107.
func threeRegisters(t *testing.T) *device.Server {
	t.Helper()
	b := device.NewBank(device.Range{Table: device.Holding, First: 107, Last: 109})
	if err := b.Set(device.Holding, 107, 555, 0, 100); err != nil {
		t.Fatal(err)
	}
	return device.New(map[uint8]*device.Bank{17: b}, device.Options{})
}

// servePTY serves s on a pseudo terminal until the test ends.
func servePTY(tb testing.TB, s *device.Server, line device.Line) string {
	tb.Helper()
	p, err := terminal.Open()
	if err != nil {
		outsidetest.Lacking(tb, "no pseudo terminal: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.ServeSerial(ctx, p, line) }()
	tb.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			tb.Errorf("ServeSerial ended with %v, want nil after its context", err)
		}
	})
	return p.Path
}

// The client library's own serial transport reads the server, again and again
// over one terminal: the line outlives its clients.
func TestLibraryClientOnPTY(t *testing.T) {
	path := servePTY(t, threeRegisters(t), device.Line{Baud: 115200})
	for range 2 {
		h := modbus.NewRTUClientHandler(path)
		h.BaudRate, h.Parity, h.StopBits, h.SlaveId, h.Timeout = 115200, "E", 1, 0x11, 2*time.Second
		got, err := modbus.NewClient(h).ReadHoldingRegisters(107, 3)
		if want := []byte{2, 0x2B, 0, 0, 0, 100}; err != nil || !bytes.Equal(got, want) {
			t.Errorf("holding 107-109: % X, %v, want % X", got, err, want)
		}
		h.Close()
	}
}

// A pseudo terminal has no parity, and pyserial insists on what it asked for.
const foreignSerial = `
import sys
from pymodbus.client import ModbusSerialClient
c = ModbusSerialClient(sys.argv[1], baudrate=115200, parity='N', stopbits=2, timeout=2)
assert c.connect()
print(c.read_holding_registers(107, 3, slave=17).registers, c.read_holding_registers(50, 3, slave=17).exception_code)
c.close()
`

func TestForeignClientOnPTY(t *testing.T) {
	python := outsidetest.Python(t, "python3-pymodbus and python3-serial", "pymodbus", "serial")
	path := servePTY(t, threeRegisters(t), device.Line{Baud: 115200})
	out, err := exec.Command(python, "-c", foreignSerial, path).CombinedOutput()
	if want := "[555, 0, 100] 2\n"; err != nil || string(out) != want {
		t.Errorf("got %q, %v, want %q", out, err, want)
	}
}

// BenchmarkLine gives the time of a read on the paced terminal over the
// theoretical minimum of SL 2.5.1, without the client's own t3.5.
func BenchmarkLine(b *testing.B) {
	for _, bb := range []struct {
		name    string
		baud, n int
	}{{"9600x10", 9600, 10}, {"19200x10", 19200, 10}, {"19200x60", 19200, 60}, {"115200x10", 115200, 10}} {
		b.Run(bb.name, func(b *testing.B) {
			bank := device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 124})
			line := device.Line{Baud: bb.baud}
			path := servePTY(b, device.New(map[uint8]*device.Bank{0: bank}, device.Options{}), line)
			port, err := os.OpenFile(path, os.O_RDWR, 0)
			if err != nil {
				b.Fatal(err)
			}
			defer port.Close()
			request, err := modbus.NewRTUClientHandler("").Encode(&modbus.ProtocolDataUnit{FunctionCode: 3, Data: []byte{0, 0, 0, byte(bb.n)}})
			if err != nil {
				b.Fatal(err)
			}
			reply := make([]byte, 5+2*bb.n)
			for b.Loop() {
				if _, err := port.Write(request); err != nil {
					b.Fatal(err)
				}
				if _, err := io.ReadFull(port, reply); err != nil {
					b.Fatal(err)
				}
			}
			least := line.Characters(len(request)+len(reply)) + line.Silence()
			b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(least), "x/minimum")
		})
	}
}
