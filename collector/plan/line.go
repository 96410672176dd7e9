package plan

import "time"

// Sizes of a read transaction in bytes, from MODBUS over Serial Line V1.02 and
// MODBUS Messaging on TCP/IP V1.0b (both second-hand): everything of the
// request and of the answer except the data itself.
const (
	serialOverhead = 8 + 5  // request; answer's unit, function, byte count, CRC
	tcpOverhead    = 12 + 9 // the same with the 7-byte header and without CRC
)

// fixedSilence is t3.5 above 19 200 baud: MODBUS over Serial Line V1.02, 2.5.1.1 (second-hand).
const (
	fixedSilence      = 1750 * time.Microsecond
	fastestWithChars  = 19200
	defaultCharBits   = 11
	halfCharsInT35    = 7
	nanosecondsSecond = int64(time.Second)
)

// Silence returns t3.5, the shortest silence that ends a frame: 3.5 character
// times up to 19 200 baud, 1.75 ms above; 0 where the line is not serial.
// Source: MODBUS over Serial Line V1.02, 2.5.1.1 (second-hand).
func (l Line) Silence() time.Duration {
	switch {
	case l.Baud <= 0:
		return 0
	case l.Baud > fastestWithChars:
		return fixedSilence
	}
	return time.Duration(divide(halfCharsInT35*l.charBits()*nanosecondsSecond, 2*int64(l.Baud)))
}

// Bytes returns the bytes, on a serial line the characters, of the request and
// its answer together.
func (l Line) Bytes(r Request) int {
	if l.Baud > 0 {
		return serialOverhead + dataBytes(r.Table, int(r.Count))
	}
	return tcpOverhead + dataBytes(r.Table, int(r.Count))
}

// Time returns how long the line is busy with a request, its answer and the
// silences and pauses that belong to them. Serial:
//
//	(8 + 5 + 2N, or + ceil(N/8) for bits) * CharBits / Baud + 2 * t3.5 + turnaround + gap
//
// and otherwise RoundTrip + bytes * PerByte + turnaround + gap. Source of the
// serial part: MODBUS over Serial Line V1.02, 2.5.1 (second-hand).
func (l Line) Time(r Request) time.Duration {
	c := l.wire()
	return time.Duration(divide(c.fixed+c.perByte*int64(dataBytes(r.Table, int(r.Count))), c.scale)) + l.pause(r.Unit)
}

// Total returns the line time of requests made one after the other.
func (l Line) Total(requests []Request) time.Duration {
	var sum time.Duration
	for _, r := range requests {
		sum += l.Time(r)
	}
	return sum
}

// costs is the price of a request in whole numbers, so that two plans of equal
// price are seen as equal: nanoseconds * scale.
type costs struct {
	fixed   int64 // of a request without data
	perByte int64 // of one byte of data
	scale   int64
}

// wire returns the costs without pauses, which are the same for all units.
func (l Line) wire() costs {
	if l.Baud <= 0 {
		return costs{fixed: int64(l.RoundTrip) + tcpOverhead*int64(l.PerByte), perByte: int64(l.PerByte), scale: 1}
	}
	baud, char := int64(l.Baud), l.charBits()*nanosecondsSecond
	silences := halfCharsInT35 * char // two t3.5 of 3.5 characters
	if l.Baud > fastestWithChars {
		silences = 2 * int64(fixedSilence) * baud
	}
	return costs{fixed: serialOverhead*char + silences, perByte: char, scale: baud}
}

// pause returns what a request to the unit waits beyond the silences.
func (l Line) pause(unit uint8) time.Duration {
	if l.Turnaround == nil {
		return l.Gap
	}
	return l.Gap + l.Turnaround(unit)
}

// dearest keeps the cost of 65,536 requests inside 63 bits. A request at this
// cost is dearer than 3,000 registers, far more than the largest request holds.
const dearest = 1 << 46

// costs returns what a request to the unit costs, pauses included.
func (l Line) costs(unit uint8) costs {
	c := l.wire()
	c.fixed = min(c.fixed, dearest)
	pause := min(int64(l.pause(unit)), dearest/c.scale)
	c.fixed = min(c.fixed+pause*c.scale, dearest)
	return c
}

func (l Line) charBits() int64 {
	if l.CharBits <= 0 {
		return defaultCharBits
	}
	return int64(l.CharBits)
}

// dataBytes returns the size of n registers or bits in an answer.
func dataBytes(table uint8, n int) int {
	if isBits(table) {
		return (n + 7) / 8
	}
	return 2 * n
}

func isBits(table uint8) bool { return table == 1 || table == 2 }

// divide rounds to the nearest; both numbers are not negative.
func divide(a, b int64) int64 { return (a + b/2) / b }
