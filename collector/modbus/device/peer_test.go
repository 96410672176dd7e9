package device_test

import (
	"encoding/json"
	"os/exec"
	"reflect"
	"strings"
	"testing"

	"github.com/goburrow/modbus"

	"roundsman/collector/modbus/device"
	"roundsman/collector/outsidetest"
)

const foreignClient = `
import json, sys
from pymodbus.client import ModbusTcpClient
from pymodbus.mei_message import ReadDeviceInformationRequest
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer
host, port = sys.argv[1].rsplit(':', 1)
framer = {'tcp': ModbusSocketFramer, 'rtu': ModbusRtuFramer}[sys.argv[2]]
c = ModbusTcpClient(host, port=int(port), framer=framer, timeout=5)
assert c.connect()
out = {
  'coils': [int(b) for b in c.read_coils(19, 19, slave=17).bits[:19]],
  'discrete': [int(b) for b in c.read_discrete_inputs(196, 22, slave=17).bits[:22]],
  'holding': c.read_holding_registers(107, 3, slave=17).registers,
  'input': c.read_input_registers(8, 1, slave=17).registers,
  'refused': c.read_holding_registers(50, 3, slave=17).exception_code,
  'write': c.write_register(107, 1, slave=17).exception_code,
}
if sys.argv[2] == 'tcp':
  r = c.execute(ReadDeviceInformationRequest(read_code=1, object_id=0, unit=17, slave=17))
  out['vendor'] = r.information[0].decode()
c.close()
print(json.dumps(out))
`

func TestForeignClient(t *testing.T) {
	python := outsidetest.Python(t, "python3-pymodbus", "pymodbus")
	s := exampleServer(t, device.Options{Identity: exampleIdentity})
	for framing, address := range map[string]string{"tcp": serve(t, s.ServeTCP), "rtu": serve(t, s.ServeRTUOverTCP)} {
		t.Run(framing, func(t *testing.T) {
			cmd := exec.Command(python, "-c", foreignClient, address, framing)
			var complaint strings.Builder
			cmd.Stderr = &complaint
			out, err := cmd.Output()
			if err != nil {
				t.Fatalf("%v: %s", err, complaint.String())
			}
			var got map[string]any
			if err := json.Unmarshal(out, &got); err != nil {
				t.Fatalf("%s: %v", out, err)
			}
			want := map[string]any{
				"coils":    bits("1011001111010110101"),
				"discrete": bits("0011010111011011101011"),
				"holding":  []any{555.0, 0.0, 100.0},
				"input":    []any{10.0},
				"refused":  2.0,
				"write":    1.0,
			}
			if framing == "tcp" {
				want["vendor"] = "Company identification"
			}
			for name, w := range want {
				if !reflect.DeepEqual(got[name], w) {
					t.Errorf("%s: got %v, want %v", name, got[name], w)
				}
			}
		})
	}
}

func bits(text string) []any {
	var out []any
	for _, c := range text {
		out = append(out, float64(c-'0'))
	}
	return out
}

// The client library that Roundsman stands on reads the server.
func TestLibraryClient(t *testing.T) {
	s := exampleServer(t, device.Options{})
	h := modbus.NewTCPClientHandler(serve(t, s.ServeTCP))
	h.SlaveId = 0x11
	defer h.Close()
	c := modbus.NewClient(h)
	got, err := c.ReadHoldingRegisters(107, 3)
	if want := hexBytes(t, "02 2B 00 00 00 64"); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("holding 107-109: % X, %v, want % X", got, err, want)
	}
	if _, err := c.ReadHoldingRegisters(106, 1); err == nil || !strings.Contains(err.Error(), "illegal data address") {
		t.Errorf("holding 106: %v, want illegal data address", err)
	}
}
