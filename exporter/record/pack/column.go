package pack

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
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
func AppendColumn(dst []byte, c Column) []byte { return appendBlock(dst, []Column{c}) }

// DecodeColumn unpacks it.
func DecodeColumn(data []byte) (Column, error) {
	cols, err := decodeBlock(data, 1)
	if err != nil {
		return Column{}, err
	}
	return cols[0], nil
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

// columns codes columns one after the other with the same probabilities.
type columns struct {
	sizes, diffs *ints
	marks        *marks
}

func newColumns() *columns { return &columns{sizes: newInts(), diffs: newInts(), marks: newMarks()} }

func appendBlock(dst []byte, cols []Column) []byte {
	from := len(dst)
	c := newEncoder(append(dst, 0, 0))
	m := newColumns()
	size := 0
	for i := range cols {
		m.sizes.code(c, int64(len(cols[i].Counts)-size))
		size = len(cols[i].Counts)
		m.column(c, &cols[i])
	}
	return seal(c.finish(from+sumSize), from)
}

func decodeBlock(data []byte, n int) ([]Column, error) {
	data, err := unseal(data)
	if err != nil {
		return nil, err
	}
	c := newDecoder(data)
	m := newColumns()
	cols := make([]Column, n)
	size, all := int64(0), int64(0)
	for i := range cols {
		size += m.sizes.code(c, 0)
		all += size
		if size < 0 || size > MostReadings || all > MostReadings || c.overrun() {
			return nil, fmt.Errorf("%w: column %d of %d readings", ErrDamaged, i, size)
		}
		cols[i] = Column{Counts: make([]int64, size), Marks: make([]Mark, size)}
		m.column(c, &cols[i])
	}
	if c.overrun() {
		return nil, fmt.Errorf("%w: cut short", ErrDamaged)
	}
	return cols, nil
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
func AppendTimes(dst []byte, times []int64) []byte {
	from := len(dst)
	c := newEncoder(append(dst, 0, 0))
	m := newInts()
	m.code(c, int64(len(times)))
	m.times(c, times)
	return seal(c.finish(from+sumSize), from)
}

// DecodeTimes unpacks it.
func DecodeTimes(data []byte) ([]int64, error) {
	data, err := unseal(data)
	if err != nil {
		return nil, err
	}
	c := newDecoder(data)
	m := newInts()
	n := m.code(c, 0)
	if n < 0 || n > MostReadings {
		return nil, fmt.Errorf("%w: a clock of %d times", ErrDamaged, n)
	}
	times := make([]int64, n)
	m.times(c, times)
	if c.overrun() {
		return nil, fmt.Errorf("%w: cut short", ErrDamaged)
	}
	return times, nil
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
