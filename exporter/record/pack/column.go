package pack

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"slices"
)

// MostReadings is how many readings a group of columns, and how many times a clock can have.
const MostReadings = 1 << 20

// ErrDamaged is wrapped by every error of data that are not what was packed.
var ErrDamaged = errors.New("packed readings are damaged")

// Column is the readings of one point in the order they were taken.
type Column struct {
	Counts []int64 // see Grid.Pack; 0 for a reading without a value
	Marks  []Mark  // as many
}

// AppendColumn packs one column.
func AppendColumn(dst []byte, c Column) []byte { return new(columns).append(dst, []Column{c}) }

// Packer packs columns one after the other without making room anew. The zero value is ready. Not for simultaneous use.
type Packer struct{ models columns }

// AppendColumn packs one column.
func (p *Packer) AppendColumn(dst []byte, c Column) []byte { return p.models.append(dst, []Column{c}) }

// DecodeColumn unpacks it.
func DecodeColumn(data []byte) (Column, error) {
	var col [1]Column
	err := new(columns).decode(data, col[:])
	return col[0], err
}

// Every block begins with two bytes of its check sum.
const sumSize = 2

var polynomial = crc32.MakeTable(crc32.Castagnoli)

func seal(dst []byte, from int) []byte {
	binary.LittleEndian.PutUint16(dst[from:], uint16(crc32.Checksum(dst[from+sumSize:], polynomial)))
	return dst
}

func unseal(data []byte) ([]byte, error) {
	if len(data) < sumSize {
		return nil, fmt.Errorf("%w: %d bytes", ErrDamaged, len(data))
	}
	if binary.LittleEndian.Uint16(data) != uint16(crc32.Checksum(data[sumSize:], polynomial)) {
		return nil, fmt.Errorf("%w: the check sum of %d bytes is wrong", ErrDamaged, len(data))
	}
	return data[sumSize:], nil
}

// columns codes columns one after the other with the same probabilities. The zero value is ready, and may be used again.
type columns struct {
	sizes, diffs ints
	marks        marks
	counts       []int64 // of the columns that were decoded last
	marked       []Mark
}

// fresh forgets all that was learnt: each block stands for itself.
func (m *columns) fresh() {
	m.sizes.fresh()
	m.diffs.fresh()
	m.marks.fresh()
}

func (m *columns) append(dst []byte, cols []Column) []byte {
	from := len(dst)
	c := newEncoder(append(dst, 0, 0))
	m.fresh()
	size := 0
	for i := range cols {
		m.sizes.code(c, int64(len(cols[i].Counts)-size))
		size = len(cols[i].Counts)
		m.column(c, &cols[i])
	}
	return seal(c.finish(from+sumSize), from)
}

// decode fills in columns; they may be used until the next are decoded.
func (m *columns) decode(data []byte, cols []Column) error {
	data, err := unseal(data)
	if err != nil {
		return err
	}
	c := newDecoder(data)
	m.fresh()
	m.counts, m.marked = m.counts[:0], m.marked[:0]
	size, all := int64(0), int64(0)
	for i := range cols {
		size += m.sizes.code(c, 0)
		all += size
		if size < 0 || size > MostReadings || all > MostReadings || c.overrun() {
			return fmt.Errorf("%w: column %d of %d readings", ErrDamaged, i, size)
		}
		cols[i] = m.room(int(size))
		m.column(c, &cols[i])
	}
	if c.overrun() {
		return fmt.Errorf("%w: cut short", ErrDamaged)
	}
	return nil
}

// room returns an empty column of n readings. Columns before it keep theirs.
func (m *columns) room(n int) Column {
	k := len(m.counts)
	if m.counts == nil {
		m.counts, m.marked = make([]int64, 0, n), make([]Mark, 0, n)
	}
	m.counts, m.marked = slices.Grow(m.counts, n)[:k+n], slices.Grow(m.marked, n)[:k+n]
	c := Column{Counts: m.counts[k : k+n : k+n], Marks: m.marked[k : k+n : k+n]}
	clear(c.Counts)
	clear(c.Marks)
	return c
}

// column codes the readings of a column, or fills them in.
func (m *columns) column(c *coder, col *Column) {
	m.diffs.reset()
	m.marks.reset()
	last := int64(0)
	for i := range col.Counts {
		mark := m.marks.code(c, col.Marks[i])
		col.Marks[i] = mark
		if !mark.Quality().Usable() {
			continue
		}
		last += m.diffs.code(c, col.Counts[i]-last)
		col.Counts[i] = last
	}
}

// AppendTimes packs a clock: times in milliseconds, in the order they were.
func AppendTimes(dst []byte, times []int64) []byte { return newInts().appendTimes(dst, times) }

func (m *ints) appendTimes(dst []byte, times []int64) []byte {
	from := len(dst)
	c := newEncoder(append(dst, 0, 0))
	m.fresh()
	m.code(c, int64(len(times)))
	m.times(c, times)
	return seal(c.finish(from+sumSize), from)
}

// DecodeTimes unpacks it.
func DecodeTimes(data []byte) ([]int64, error) { return newInts().decodeTimes(nil, data) }

// decodeTimes appends the times to dst.
func (m *ints) decodeTimes(dst []int64, data []byte) ([]int64, error) {
	data, err := unseal(data)
	if err != nil {
		return nil, err
	}
	c := newDecoder(data)
	m.fresh()
	n := m.code(c, 0)
	if n < 0 || n > MostReadings {
		return nil, fmt.Errorf("%w: a clock of %d times", ErrDamaged, n)
	}
	k := len(dst)
	dst = slices.Grow(dst, int(n))[:k+int(n)]
	m.times(c, dst[k:])
	if c.overrun() {
		return nil, fmt.Errorf("%w: cut short", ErrDamaged)
	}
	return dst, nil
}

// times codes how much longer or shorter each step is than the one before.
func (m *ints) times(c *coder, times []int64) {
	last, step := int64(0), int64(0)
	for i, t := range times {
		m.times1(c, &last, &step, &t, i)
		times[i] = t
	}
}

func (m *ints) times1(c *coder, last, step, t *int64, i int) {
	*t = *last + *step + m.code(c, *t-*last-*step)
	if i > 0 {
		*step = *t - *last
	}
	*last = *t
}
