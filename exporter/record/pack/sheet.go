package pack

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"
)

// GroupSize is how many columns of a sheet are packed together.
const GroupSize = 32

// mostColumns is how many columns or clocks a sheet can have.
const mostColumns = 1 << 16

// sheetForm is the first byte of a sheet: how it is laid out.
const sheetForm = 1

// Sheet is a window of many points. Used again for the next, it packs without making room anew.
type Sheet struct {
	Clocks  [][]int64 // times in milliseconds, each for all columns that were read together
	Series  []int64   // of each column: whose it is
	Clock   []int     // of each column: index into Clocks; as many times as the column has readings
	Columns []Column

	models *columns
	times  *ints
	block  []byte
}

// AppendSheet packs a sheet: its form, then its index, clocks and groups of columns, each with its length before it.
func AppendSheet(dst []byte, s *Sheet) []byte {
	if s.models == nil {
		s.models, s.times = new(columns), new(ints)
	}
	dst = append(dst, sheetForm)
	sized := func(block []byte) {
		s.block = block
		dst = append(binary.AppendUvarint(dst, uint64(len(block))), block...)
	}
	sized(s.times.appendTimes(s.block[:0], s.index()))
	for _, c := range s.Clocks {
		sized(s.times.appendTimes(s.block[:0], c))
	}
	for from := 0; from < len(s.Columns); from += GroupSize {
		sized(s.models.append(s.block[:0], s.Columns[from:min(from+GroupSize, len(s.Columns))]))
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

func cutSized(data []byte) (block, rest []byte, err error) {
	n, k := binary.Uvarint(data)
	if k <= 0 || n > uint64(len(data)-k) {
		return nil, nil, fmt.Errorf("%w: cut short", ErrDamaged)
	}
	return data[k : k+int(n)], data[k+int(n):], nil
}

// Packed is a sheet whose columns are unpacked as they are asked for, a group at a time: what was asked for of one group
// costs its unpacking once if it is asked for together. The zero value is ready for Open. Not for simultaneous use.
type Packed struct {
	Clocks [][]int64
	Series []int64
	Clock  []int

	groups [][]byte
	group  int // that is unpacked, -1 none
	cols   [GroupSize]Column
	models columns
	times  ints
	room   []int64 // of the clocks
	clocks int
	index  []byte // as packed, that Series and Clock are of; nil none
}

// OpenSheet unpacks all but the columns. It keeps data, which must not change.
func OpenSheet(data []byte) (*Packed, error) {
	p := new(Packed)
	return p, p.Open(data)
}

// Open unpacks all but the columns of another sheet. It keeps data, which must not change, and takes back whatever was
// given of the sheet before.
func (p *Packed) Open(data []byte) error {
	p.Clocks, p.groups, p.group, p.room = p.Clocks[:0], p.groups[:0], -1, p.room[:0]
	if len(data) == 0 || data[0] != sheetForm {
		return fmt.Errorf("%w: not a sheet of form %d", ErrDamaged, sheetForm)
	}
	block, rest, err := cutSized(data[1:])
	if err != nil {
		return err
	}
	clocks, err := p.readIndex(block)
	if err != nil {
		return err
	}
	for range clocks {
		if block, rest, err = cutSized(rest); err != nil {
			return err
		}
		k := len(p.room)
		if p.room, err = p.times.decodeTimes(p.room, block); err != nil {
			return err
		}
		p.Clocks = append(p.Clocks, p.room[k:len(p.room):len(p.room)])
	}
	for range (len(p.Series) + GroupSize - 1) / GroupSize {
		if block, rest, err = cutSized(rest); err != nil {
			return err
		}
		p.groups = append(p.groups, block)
	}
	if len(rest) > 0 {
		return fmt.Errorf("%w: %d bytes too many", ErrDamaged, len(rest))
	}
	return nil
}

// readIndex reads which columns there are, unless they are those of the sheet before: mostly they are.
func (p *Packed) readIndex(block []byte) (clocks int, err error) {
	if len(p.index) > 0 && bytes.Equal(block, p.index) {
		return p.clocks, nil
	}
	p.index = p.index[:0]
	if p.clocks, err = p.decodeIndex(block); err == nil {
		p.index = append(p.index, block...)
	}
	return p.clocks, err
}

func (p *Packed) decodeIndex(block []byte) (clocks int, err error) {
	index, err := p.times.decodeTimes(p.room, block)
	if err != nil {
		return 0, err
	}
	p.room = index[:0] // the clocks may lie over it when it is read
	if len(index) < 2 || index[0] < 0 || index[0] > mostColumns || index[1] < 0 || index[1] > mostColumns || len(index)%3 != 2 {
		return 0, fmt.Errorf("%w: its index does not fit", ErrDamaged)
	}
	n := int(index[1])
	p.Series, p.Clock = slices.Grow(p.Series[:0], n), slices.Grow(p.Clock[:0], n)
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
		p.group = -1
		if err := p.models.decode(p.groups[g], p.cols[:min(GroupSize, len(p.Series)-g*GroupSize)]); err != nil {
			return Column{}, err
		}
		p.group = g
	}
	c := p.cols[i%GroupSize]
	if len(c.Counts) != len(p.Clocks[p.Clock[i]]) {
		return Column{}, fmt.Errorf("%w: %d readings at %d times", ErrDamaged, len(c.Counts), len(p.Clocks[p.Clock[i]]))
	}
	return c, nil
}
