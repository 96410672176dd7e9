package pack

import (
	"encoding/binary"
	"fmt"
)

// GroupSize is how many columns of a sheet are packed together.
const GroupSize = 32

// mostColumns is how many columns or clocks a sheet can have.
const mostColumns = 1 << 16

// sheetForm is the first byte of a sheet: how it is laid out.
const sheetForm = 1

// Sheet is a window of many points.
type Sheet struct {
	Clocks  [][]int64 // times in milliseconds, each for all columns that were read together
	Series  []int64   // of each column: whose it is
	Clock   []int     // of each column: index into Clocks; as many times as the column has readings
	Columns []Column
}

// AppendSheet packs a sheet: its form, then its index, clocks and groups of columns, each with its length before it.
func AppendSheet(dst []byte, s *Sheet) []byte {
	dst = append(dst, sheetForm)
	dst = appendSized(dst, AppendTimes(nil, s.index()))
	for _, c := range s.Clocks {
		dst = appendSized(dst, AppendTimes(nil, c))
	}
	for from := 0; from < len(s.Columns); from += GroupSize {
		dst = appendSized(dst, appendBlock(nil, s.Columns[from:min(from+GroupSize, len(s.Columns))]))
	}
	return dst
}

// index returns how many clocks and columns there are, and the columns in runs of neighbouring series with one clock:
// the first series, how many, the clock.
func (s *Sheet) index() []int64 {
	index := []int64{int64(len(s.Clocks)), int64(len(s.Series))}
	for i := 0; i < len(s.Series); {
		n := 1
		for i+n < len(s.Series) && s.Series[i+n] == s.Series[i]+int64(n) && s.Clock[i+n] == s.Clock[i] {
			n++
		}
		index = append(index, s.Series[i], int64(n), int64(s.Clock[i]))
		i += n
	}
	return index
}

func appendSized(dst, block []byte) []byte {
	return append(binary.AppendUvarint(dst, uint64(len(block))), block...)
}

func cutSized(data []byte) (block, rest []byte, err error) {
	n, k := binary.Uvarint(data)
	if k <= 0 || n > uint64(len(data)-k) {
		return nil, nil, fmt.Errorf("%w: cut short", ErrDamaged)
	}
	return data[k : k+int(n)], data[k+int(n):], nil
}

// Packed is a sheet whose columns are unpacked as they are asked for, a group at a time. Not for simultaneous use.
type Packed struct {
	Clocks [][]int64
	Series []int64
	Clock  []int

	groups [][]byte
	group  int // that is unpacked, -1 none
	cols   []Column
}

// OpenSheet unpacks all but the columns. It keeps data, which must not change.
func OpenSheet(data []byte) (*Packed, error) {
	if len(data) == 0 || data[0] != sheetForm {
		return nil, fmt.Errorf("%w: not a sheet of form %d", ErrDamaged, sheetForm)
	}
	p := &Packed{group: -1}
	block, rest, err := cutSized(data[1:])
	if err != nil {
		return nil, err
	}
	clocks, err := p.readIndex(block)
	if err != nil {
		return nil, err
	}
	for range clocks {
		if block, rest, err = cutSized(rest); err != nil {
			return nil, err
		}
		times, err := DecodeTimes(block)
		if err != nil {
			return nil, err
		}
		p.Clocks = append(p.Clocks, times)
	}
	for range (len(p.Series) + GroupSize - 1) / GroupSize {
		if block, rest, err = cutSized(rest); err != nil {
			return nil, err
		}
		p.groups = append(p.groups, block)
	}
	if len(rest) > 0 {
		return nil, fmt.Errorf("%w: %d bytes too many", ErrDamaged, len(rest))
	}
	return p, nil
}

func (p *Packed) readIndex(block []byte) (clocks int, err error) {
	index, err := DecodeTimes(block)
	if err != nil {
		return 0, err
	}
	if len(index) < 2 || index[0] < 0 || index[0] > mostColumns || index[1] < 0 || index[1] > mostColumns || len(index)%3 != 2 {
		return 0, fmt.Errorf("%w: its index does not fit", ErrDamaged)
	}
	n := int(index[1])
	p.Series, p.Clock = make([]int64, 0, n), make([]int, 0, n)
	for runs := index[2:]; len(runs) > 0; runs = runs[3:] {
		first, count, clock := runs[0], runs[1], runs[2]
		if count < 1 || count > int64(n-len(p.Series)) || clock < 0 || clock >= index[0] {
			return 0, fmt.Errorf("%w: %d columns from %d with clock %d of %d", ErrDamaged, count, first, clock, index[0])
		}
		for i := range count {
			p.Series, p.Clock = append(p.Series, first+i), append(p.Clock, int(clock))
		}
	}
	if len(p.Series) != n {
		return 0, fmt.Errorf("%w: %d columns of %d", ErrDamaged, len(p.Series), n)
	}
	return int(index[0]), nil
}

// Column unpacks the i-th column. It may be used until a column of another group is asked for.
func (p *Packed) Column(i int) (Column, error) {
	if g := i / GroupSize; g != p.group {
		cols, err := decodeBlock(p.groups[g], min(GroupSize, len(p.Series)-g*GroupSize))
		if err != nil {
			return Column{}, err
		}
		p.group, p.cols = g, cols
	}
	c := p.cols[i%GroupSize]
	if len(c.Counts) != len(p.Clocks[p.Clock[i]]) {
		return Column{}, fmt.Errorf("%w: %d readings at %d times", ErrDamaged, len(c.Counts), len(p.Clocks[p.Clock[i]]))
	}
	return c, nil
}
