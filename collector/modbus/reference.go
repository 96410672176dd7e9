package modbus

import (
	"fmt"
	"net"
	"strconv"
	"strings"
)

// ParseReference reads a register in the traditional notation, five or six
// digits with the table in the first: '40011' and '400011' are the holding
// register with address 10, '30009' the input register 8, '10197' the discrete
// input 196, '00020' the coil 19 (numbering: AP 4.4, item n has address n - 1).
func ParseReference(s string) (Table, uint16, error) {
	if len(s) != 5 && len(s) != 6 || strings.Trim(s, "0123456789") != "" {
		return 0, 0, fmt.Errorf("reference %q: five or six digits are expected, such as 40011", s)
	}
	table, ok := map[byte]Table{'0': Coils, '1': DiscreteInputs, '3': InputRegisters, '4': HoldingRegisters}[s[0]]
	if !ok {
		return 0, 0, fmt.Errorf("reference %q: the first digit is 0 (coil), 1 (discrete), 3 (input) or 4 (holding)", s)
	}
	n, err := strconv.Atoi(s[1:])
	if err != nil {
		return 0, 0, fmt.Errorf("reference %q: %w", s, err)
	}
	if n < 1 || n > 1<<16 {
		return 0, 0, fmt.Errorf("reference %q: items are numbered 1 to 65536", s)
	}
	return table, uint16(n - 1), nil
}

var transportWords = [...]string{TCP: "modbus tcp", RTU: "modbus rtu", RTUOverTCP: "modbus rtu over tcp"}

// String returns the transport as a link's kind: modbus tcp, modbus rtu, modbus rtu over tcp.
func (t Transport) String() string {
	if int(t) < len(transportWords) {
		return transportWords[t]
	}
	return "unknown"
}

// ParseURL splits a link's address: 'tcp://10.0.4.10:502' and
// 'rtu+tcp://host:4001' into host and port (502 when left out of tcp), and
// 'rtu:///dev/ttyUSB0' into the device's path.
func ParseURL(s string) (Transport, string, error) {
	scheme, rest, ok := strings.Cut(s, "://")
	if !ok {
		return 0, "", fmt.Errorf("%q: tcp://HOST:PORT, rtu:///dev/DEVICE or rtu+tcp://HOST:PORT is expected", s)
	}
	switch scheme {
	case "tcp":
		address, err := endpoint(rest, "502")
		return TCP, address, within(s, err)
	case "rtu+tcp":
		address, err := endpoint(rest, "")
		return RTUOverTCP, address, within(s, err)
	case "rtu":
		if !strings.HasPrefix(rest, "/") || len(rest) < 2 {
			return 0, "", fmt.Errorf("%q: the path of a serial device is expected, such as rtu:///dev/ttyUSB0", s)
		}
		return RTU, rest, nil
	}
	return 0, "", fmt.Errorf("%q: scheme %q is none of tcp, rtu, rtu+tcp", s, scheme)
}

func within(s string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%q: %w", s, err)
}

// endpoint checks host and port; port is the one taken when none is given, "" if one must be.
func endpoint(s, port string) (string, error) {
	if strings.ContainsAny(s, "/?#@ ") {
		return "", fmt.Errorf("only host and port are expected")
	}
	if port != "" && (!strings.Contains(s, ":") || strings.HasSuffix(s, "]")) {
		s = net.JoinHostPort(strings.Trim(s, "[]"), port)
	}
	host, p, err := net.SplitHostPort(s)
	if err != nil {
		return "", fmt.Errorf("host and port are expected: %w", err)
	}
	if n, err := strconv.Atoi(p); err != nil || n < 1 || n > 65535 {
		return "", fmt.Errorf("port %q: 1 to 65535 is expected", p)
	}
	if host == "" {
		return "", fmt.Errorf("no host")
	}
	return s, nil
}
