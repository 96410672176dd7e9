package pack

// prob is the probability of a zero bit, in 65536ths, and how many bits it was learnt from.
type prob struct {
	zero uint16
	seen uint8
}

const (
	// learnt is after how many bits a probability follows with its slowest step.
	learnt = 160
	// least keeps a probability off 0 and 1: a surprise costs 10 bits at most, what was expected 1/700 bit.
	least = 64
)

// steps[n] is how far a probability moves towards the n-th bit, in 65536ths: as an average of n bits, with half a bit of
// doubt on either side (Krichevsky and Trofimov).
var steps = func() (s [256]uint32) {
	for n := range s {
		s[n] = uint32(65536 / (float64(n) + 1.6))
	}
	return s
}()

func (p *prob) learn(bit int) {
	step := steps[p.seen]
	if p.seen < learnt {
		p.seen++
	}
	z := uint32(p.zero)
	if bit == 0 {
		z += (65536 - z) * step >> 16
	} else {
		z -= z * step >> 16
	}
	p.zero = uint16(min(max(z, least), 65536-least))
}

// coder is a range coder. It codes or decodes, so that one description of the data serves both ways.
type coder struct {
	decoding bool
	span     uint32

	// coding
	out     []byte
	low     uint64
	held    byte // the last byte, which a carry may still change
	pending int  // bytes 0xff after it
	begun   bool // held is one

	// decoding
	in   []byte
	at   int
	code uint32
}

func newEncoder(dst []byte) *coder { return &coder{span: 1<<32 - 1, out: dst} }

func newDecoder(data []byte) *coder {
	c := &coder{decoding: true, span: 1<<32 - 1, in: data}
	for range 4 {
		c.code = c.code<<8 | c.next()
	}
	return c
}

// leftOut is how many zeros at the end the encoder leaves out at most. A column that never changes is coded as zeros
// alone: if all of them were left out, what was cut short could not be told from it.
const leftOut = 6

// next returns the next byte; behind the end there are zeros, which the encoder leaves out.
func (c *coder) next() uint32 {
	if c.at >= len(c.in) {
		c.at++
		return 0
	}
	b := c.in[c.at]
	c.at++
	return uint32(b)
}

// overrun reports whether more was decoded than the data can hold: the decoder is two bytes ahead at the end.
func (c *coder) overrun() bool { return c.at > len(c.in)+leftOut+2 }

// bit codes b with the probability p, or decodes and returns it.
func (c *coder) bit(p *prob, b int) int {
	if c.decoding {
		return c.read(p)
	}
	bound := c.span >> 16 * uint32(p.zero)
	if b == 0 {
		c.span = bound
	} else {
		c.span -= bound
		c.low += uint64(bound)
	}
	p.learn(b)
	for c.span < 1<<24 {
		c.span <<= 8
		c.shift()
	}
	return b
}

// read decodes a bit with the probability p. It is the innermost of all reading, and learns by itself what learn does.
func (c *coder) read(p *prob) (b int) {
	z, step := uint32(p.zero), steps[p.seen]
	bound := c.span >> 16 * z
	if c.code < bound {
		c.span = bound
		z += (65536 - z) * step >> 16
	} else {
		b = 1
		c.code -= bound
		c.span -= bound
		z -= z * step >> 16
	}
	p.zero = uint16(min(max(z, least), 65536-least))
	if p.seen < learnt {
		p.seen++
	}
	if c.span < 1<<24 {
		c.widen()
	}
	return b
}

// widen takes more of the data, until the span is wide enough for the next bit.
func (c *coder) widen() {
	for c.span < 1<<24 {
		c.span <<= 8
		c.code = c.code<<8 | c.next()
	}
}

// shift moves the top byte of low out, once no carry can reach it any more.
func (c *coder) shift() {
	if c.low < 0xff000000 || c.low > 0xffffffff {
		carry := byte(c.low >> 32)
		if c.begun {
			c.out = append(c.out, c.held+carry)
		}
		for ; c.pending > 0; c.pending-- {
			c.out = append(c.out, 0xff+carry)
		}
		c.held, c.begun = byte(c.low>>24), true
	} else {
		c.pending++
	}
	c.low = c.low & 0x00ffffff << 8
}

// finish ends the code with as few bytes as tell it from all others and returns the data, from as many bytes on as were
// there before.
func (c *coder) finish(from int) []byte {
	c.low = (c.low + 1<<24 - 1) &^ (1<<24 - 1) // within the span, which is at least as wide
	for range 5 {
		c.shift()
	}
	for left := leftOut; left > 0 && len(c.out) > from && c.out[len(c.out)-1] == 0; left-- {
		c.out = c.out[:len(c.out)-1]
	}
	return c.out
}
