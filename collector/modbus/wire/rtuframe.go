package wire

// Sizes of RTU frames in bytes, by MODBUS over Serial Line V1.02.
const (
	rtuFrame     = 256
	rtuException = 5 // unit, function, code, CRC
	crcSize      = 2
)

// rtuLength returns the length of the frame that b begins with, as far as its
// first bytes tell. need means that more bytes must come before it can be
// told; a length of 0 without need means that b is no frame of ours.
func rtuLength(b []byte) (length int, need bool) {
	if len(b) < 3 {
		return 0, len(b) < 2 || known(b[1])
	}
	switch f := b[1]; {
	case !known(f):
		return 0, false
	case f&exceptionBit != 0:
		return rtuException, false
	case f == encapsulated:
		return identificationLength(b)
	default:
		return 3 + int(b[2]) + crcSize, false
	}
}

// known reports whether a device may answer one of our requests with this function byte.
func known(function byte) bool {
	switch function &^ exceptionBit {
	case readCoils, readDiscreteInputs, readHoldingRegisters, readInputRegisters, encapsulated:
		return true
	}
	return false
}

// identificationLength follows the objects of an answer to 43/14: unit,
// function, MEI type, read code, conformity, more follows, next object, number
// of objects, then id, length and text of each (AP 6.21).
func identificationLength(b []byte) (length int, need bool) {
	const head = 8
	if len(b) < head {
		return 0, true
	}
	if b[2] != identification {
		return 0, false
	}
	at := head
	for range b[head-1] {
		if at+2 > len(b) {
			return 0, at+2 <= rtuFrame
		}
		at += 2 + int(b[at+1])
	}
	if at+crcSize > rtuFrame {
		return 0, false
	}
	return at + crcSize, false
}
