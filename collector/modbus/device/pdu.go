package device

import "encoding/binary"

// Limits of a request (AP 6.1 to 6.4).
const (
	maxBits      = 2000
	maxRegisters = 125
	maxPDU       = 253
)

// Exception codes (AP 7).
const (
	IllegalFunction     = 0x01
	IllegalDataAddress  = 0x02
	IllegalDataValue    = 0x03
	ServerDeviceFailure = 0x04
	Acknowledge         = 0x05
	ServerDeviceBusy    = 0x06
	MemoryParityError   = 0x08
	GatewayNoPath       = 0x0A
	GatewayNoAnswer     = 0x0B
)

func exception(function, code byte) []byte { return []byte{function | 0x80, code} }

// answer returns the reply PDU to a request PDU. The order of the checks is
// that of AP's state diagrams: function, quantity, address, execution.
func (s *Server) answer(unit uint8, pdu []byte, faults []*injected) []byte {
	function := pdu[0]
	switch {
	case function >= 1 && function <= 4:
		return s.readTable(unit, pdu, faults)
	case function == encapsulated && len(pdu) >= 2 && pdu[1] == deviceIdentification && s.options.Identity != (Identity{}):
		return s.options.Identity.answer(pdu)
	}
	return exception(function, IllegalFunction)
}

func (s *Server) readTable(unit uint8, pdu []byte, faults []*injected) []byte {
	function, table := pdu[0], Table(pdu[0])
	if len(pdu) != 5 {
		return exception(function, IllegalDataValue)
	}
	address, n := binary.BigEndian.Uint16(pdu[1:]), int(binary.BigEndian.Uint16(pdu[3:]))
	most := maxBits
	if !table.bits() {
		most = s.banks[unit].limit()
	}
	if n < 1 || n > most {
		return exception(function, IllegalDataValue)
	}
	values, ok := s.values(unit, table, address, n, faults)
	if !ok {
		return exception(function, IllegalDataAddress)
	}
	if code := refusal(faults); code != 0 {
		return exception(function, code)
	}
	if table.bits() {
		return packBits(function, values)
	}
	return packRegisters(function, values)
}

// packBits puts the first item in the least significant bit (AP 6.1).
func packBits(function byte, values []uint16) []byte {
	out := make([]byte, 2+(len(values)+7)/8)
	out[0], out[1] = function, byte(len(out)-2)
	for i, v := range values {
		if v != 0 {
			out[2+i/8] |= 1 << (i % 8)
		}
	}
	return out
}

func packRegisters(function byte, values []uint16) []byte {
	out := make([]byte, 2, 2+2*len(values))
	out[0], out[1] = function, byte(2*len(values))
	for _, v := range values {
		out = binary.BigEndian.AppendUint16(out, v)
	}
	return out
}

// asked returns the addresses that a request PDU asks for; ok is false where it asks for none.
func asked(pdu []byte) (r Range, ok bool) {
	if len(pdu) != 5 || pdu[0] < 1 || pdu[0] > 4 {
		return Range{}, false
	}
	first, n := binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])
	last := min(int(first)+max(int(n), 1)-1, 0xFFFF)
	return Range{Table(pdu[0]), first, uint16(last)}, true
}
