package pack

import "math/bits"

const (
	lengths  = 65 // of a difference in bits: 0 to 64
	contexts = 18 // of lengths before: 0 to 16, and more
	headBits = 3  // of a difference, after its leading one, that are learnt together
)

// ints codes whole numbers that are small or alike. It is ready after fresh.
type ints struct {
	length [contexts][lengths]prob
	sign   [3]prob
	head   [lengths][1 << headBits]prob
	tail   [lengths][lengths]prob // bit by bit

	before, last int // lengths of the two before
	side         int // sign of the one before: 0 none, 1 up, 2 down
	most         int // the largest length since it was fresh; 0 before it ever was, or with nothing but zeros
	used         bool
}

func (m *ints) reset() { m.before, m.last, m.side = 0, 0, 0 }

// fresh forgets all that was learnt. Only what may have been learnt is gone through: most numbers are short, and the whole
// is 24 kB.
func (m *ints) fresh() {
	top := m.most
	if !m.used {
		top = lengths - 1
	}
	m.used, m.most = true, 0
	for i := range min(top+1, contexts) {
		even(m.length[i][:min(top+1, lengths)])
	}
	even(m.sign[:])
	for i := range top {
		even(m.head[i][:])
		even(m.tail[i][:i+1])
	}
	m.reset()
}

func newInts() *ints {
	m := new(ints)
	m.fresh()
	return m
}

func even(p []prob) {
	for i := range p {
		p[i] = prob{zero: 1 << 15}
	}
}

// code codes d, or decodes and returns it.
func (m *ints) code(c *coder, d int64) int64 {
	if c.decoding {
		return m.read(c)
	}
	size := uint64(d)
	if d < 0 {
		size = -size
	}
	n := m.codeLength(c, bits.Len64(size))
	m.before, m.last, m.most = m.last, n, max(m.most, n)
	if n == 0 {
		return 0
	}
	down := 0
	if d < 0 {
		down = 1
	}
	down = c.bit(&m.sign[m.side], down)
	m.side = 1 + down
	size = m.codeBits(c, n, size)
	if down == 1 {
		size = -size
	}
	return int64(size)
}

// read decodes what code coded.
func (m *ints) read(c *coder) int64 {
	n := 0
	for p := &m.length[min((m.before+m.last+1)/2, contexts-1)]; n < lengths-1 && c.read(&p[n]) == 1; {
		n++
	}
	m.before, m.last, m.most = m.last, n, max(m.most, n)
	if n == 0 {
		return 0
	}
	down := c.read(&m.sign[m.side])
	m.side = 1 + down
	size, node := uint64(1), 1
	head, tail := &m.head[n-1], &m.tail[n-1]
	for i := n - 2; i >= 0; i-- {
		p := &tail[i]
		if node < 1<<headBits {
			p = &head[node]
		}
		b := c.read(p)
		node = node<<1 | b
		size = size<<1 | uint64(b)
	}
	if down == 1 {
		size = -size
	}
	return int64(size)
}

func (m *ints) codeLength(c *coder, n int) int {
	p := &m.length[min((m.before+m.last+1)/2, contexts-1)]
	for i := range lengths - 1 {
		more := 0
		if n > i {
			more = 1
		}
		if c.bit(&p[i], more) == 0 {
			return i
		}
	}
	return lengths - 1
}

// codeBits codes the n-1 bits after the leading one.
func (m *ints) codeBits(c *coder, n int, size uint64) uint64 {
	got := uint64(1)
	node := 1
	for i := n - 2; i >= 0; i-- {
		p := &m.tail[n-1][i]
		if node < 1<<headBits {
			p = &m.head[n-1][node]
		}
		b := c.bit(p, int(size>>i&1))
		node = node<<1 | b
		got = got<<1 | uint64(b)
	}
	return got
}

// marks codes marks, which are mostly the same as the one before.
type marks struct {
	change [3]prob // by how many readings ago it changed: none, one, more
	value  ints
	last   Mark
	since  int
}

// fresh forgets all that was learnt.
func (m *marks) fresh() {
	m.value.fresh()
	even(m.change[:])
	m.reset()
}

func (m *marks) reset() { m.last, m.since = Plain, 2 }

func (m *marks) code(c *coder, mark Mark) Mark {
	changed := 0
	if mark != m.last {
		changed = 1
	}
	if c.bit(&m.change[m.since], changed) == 0 {
		m.since = min(m.since+1, 2)
		return m.last
	}
	m.last = Mark(uint16(m.last) + uint16(m.value.code(c, int64(int16(mark-m.last)))))
	m.since = 0
	return m.last
}
