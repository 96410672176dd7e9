package panel

// halves lays the stations, and after them what ran how long, into two columns of two parts each. The order is kept, down
// the first column and then down the next, and a station stays where it is whatever happens in the room: only the number
// of its lines counts, not that of its alarms.
func halves(list []station, machines []machineRow) (out [][][]station) {
	if len(machines) > 0 {
		list = append(list[:len(list):len(list)], station{Machines: machines})
	}
	cut := middleOf(list)
	for _, half := range [][]station{list[:cut], list[cut:]} {
		if len(half) == 0 {
			continue
		}
		cut := middleOf(half)
		quarters := [][]station{half[:cut]}
		if cut < len(half) {
			quarters = append(quarters, half[cut:])
		}
		out = append(out, quarters)
	}
	return out
}

// middleOf returns how many of the stations come into the first of two columns, so that the longer one is as short as can
// be; the first is the longer of two that can.
func middleOf(list []station) int {
	all := 0
	for i := range list {
		all += height(&list[i])
	}
	best, shortest, first := 0, all+1, 0
	for i := range list {
		first += height(&list[i])
		if longer := max(first, all-first); longer <= shortest {
			best, shortest = i+1, longer
		}
	}
	return best
}

// height of a station, in lines, its head included.
func height(s *station) int { return len(s.Rows) + len(s.Machines) + 2 }
