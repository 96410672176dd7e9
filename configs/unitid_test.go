package configs_test

import "testing"

// Serial lines have 1 to 247 (MODBUS over Serial Line V1.02, 2.2, from memory); on TCP 255 is the usual word for 'the
// device at this address itself' (MODBUS Messaging on TCP/IP V1.0b, from memory), and 0 is taken too.
func TestUnitIDs(t *testing.T) {
	const head = "site: {name: X, time-zone: UTC}\nlinks:\n  tcp: {modbus: 'tcp://h:502', units: {255: {max-registers: 20}}}\n" +
		"  line: {modbus: 'rtu:///dev/ttyS0', baud: 9600, parity: even, stop-bits: 1}\npoints:\n  "
	for point, want := range map[string]string{
		"a: {link: tcp, unit-id: 255, holding: 1}":  "",
		"a: {link: tcp, unit-id: 0, holding: 1}":    "",
		"a: {link: line, unit-id: 247, holding: 1}": "",
		"a: {link: line, unit-id: 248, holding: 1}": "site.yaml:6:3: points.a: unit id 248: 1 to 247 on a serial line",
		"a: {link: line, unit-id: 0, holding: 1}":   "site.yaml:6:3: points.a: unit id 0: 1 to 247 on a serial line",
	} {
		_, err := site(t, map[string]string{"site.yaml": head + point + "\n"})
		if got := errorsOf(t, err); got != want {
			t.Errorf("%s: said %q, want %q", point, got, want)
		}
	}
}
