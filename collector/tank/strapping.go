package tank

import (
	"fmt"
	"math"
	"sort"
)

// Strap is one line of a strapping table: the volume in cubic metres at a level in metres.
type Strap struct{ Level, Volume float64 }

type strapping []Strap

// Strapping returns a tank measured level by level; between two lines the volume
// is on the straight line, below the first and above the last it stays. Levels
// must rise and volumes must not fall. The error names the line.
func Strapping(table []Strap) (Shape, error) {
	if len(table) < 2 {
		return nil, fmt.Errorf("strapping table: %d lines, want two or more", len(table))
	}
	for i, s := range table {
		if err := s.check(); err != nil {
			return nil, fmt.Errorf("strapping table: line %d: %w", i+1, err)
		}
		if i == 0 {
			continue
		}
		before := table[i-1]
		if s.Level <= before.Level {
			return nil, fmt.Errorf("strapping table: line %d: level %v m is not above the %v m before it", i+1, s.Level, before.Level)
		}
		if s.Volume < before.Volume {
			return nil, fmt.Errorf("strapping table: line %d: volume %v m3 is below the %v m3 before it", i+1, s.Volume, before.Volume)
		}
	}
	if table[0].Volume == table[len(table)-1].Volume {
		return nil, fmt.Errorf("strapping table: the volume is the same on every line")
	}
	return append(strapping(nil), table...), nil
}

func (s Strap) check() error {
	if !(s.Level >= 0) || math.IsInf(s.Level, 0) {
		return fmt.Errorf("level: %v m is not a length of 0 or more", s.Level)
	}
	if !(s.Volume >= 0) || math.IsInf(s.Volume, 0) {
		return fmt.Errorf("volume: %v m3 is not a volume of 0 or more", s.Volume)
	}
	return nil
}

func (t strapping) Height() float64 { return t[len(t)-1].Level }

func (t strapping) Volume(level float64) float64 {
	if math.IsNaN(level) {
		return level
	}
	i := sort.Search(len(t), func(i int) bool { return t[i].Level >= level })
	switch i {
	case 0:
		return t[0].Volume
	case len(t):
		return t[len(t)-1].Volume
	}
	a, b := t[i-1], t[i]
	return a.Volume + (b.Volume-a.Volume)*(level-a.Level)/(b.Level-a.Level)
}
