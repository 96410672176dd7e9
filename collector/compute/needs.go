package compute

import "roundsman/collector"

// Needs returns the points given and all that their computations take, directly or through others.
func (s *Set) Needs(points []collector.PointID) map[collector.PointID]bool {
	need := make(map[collector.PointID]bool, len(points))
	for _, p := range points {
		need[p] = true
	}
	for i := len(s.cells) - 1; i >= 0; i-- { // each stands after all it takes
		if c := s.cells[i]; need[c.point] {
			for _, in := range c.inputs {
				need[in.Point] = true
			}
		}
	}
	return need
}
