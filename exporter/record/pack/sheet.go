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
	index := make([]int64, 0, 2+2*len(s.Series))
	index = append(index, int64(len(s.Clocks)), int64(len(s.Series)))
	index = append(index, s.Series...)
	for _, c := range s.Clock {
		index = append(index, int64(c))
	}
	dst = appendSized(dst, AppendTimes(nil, index)) // mostly evenly spaced, as times are
	for _, c := range s.Clocks {
		dst = appendSized(dst, AppendTimes(nil, c))
	}
	for from := 0; from < len(s.Columns); from += GroupSize {
		dst = appendSized(dst, appendBlock(nil, s.Columns[from:min(from+GroupSize, len(s.Columns))]))
	}
	return dst
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
	if len(index) < 2 || index[0] < 0 || index[0] > mostColumns || index[1] < 0 || index[1] > mostColumns || int64(len(index)) != 2+2*index[1] {
		return 0, fmt.Errorf("%w: its index does not fit", ErrDamaged)
	}
	n := int(index[1])
	p.Series = index[2 : 2+n]
	p.Clock = make([]int, n)
	for i, c := range index[2+n:] {
		if c < 0 || c >= index[0] {
			return 0, fmt.Errorf("%w: column %d has clock %d of %d", ErrDamaged, i, c, index[0])
		}
		p.Clock[i] = int(c)
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
