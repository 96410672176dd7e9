package units

import "strings"

// nearest returns the known name nearest to an unknown one, "" where none is
// near: equal but for case, or one or two slips of the pen away.
func nearest(name string) string {
	head, per := name, ""
	if of, after, ok := cutLast(name, "/"); ok {
		if t, known := catalog.byName[after]; known && t.kind() == time1 {
			head, per = of, "/"+t.String()
		}
	}
	if near := nearestName(head); near != "" {
		return near + per
	}
	return ""
}

func nearestName(name string) string {
	limit := 1
	if len(name) > 4 {
		limit = 2
	}
	if len(name) < 2 {
		limit = 0
	}
	if name == "" {
		return ""
	}
	lower := strings.ToLower(name)
	best, found := 2*limit+2, ""
	for _, known := range catalog.names {
		k := strings.ToLower(known)
		d := 2 * slips(lower, k)
		if d > 0 && lower[0] != k[0] {
			d++ // people rarely miss the first letter
		}
		if d < best {
			best, found = d, known
		}
	}
	return found
}

// slips counts the letters to insert, drop, change or swap with their neighbour
// between two short ASCII names (optimal string alignment distance).
func slips(a, b string) int {
	rows := make([][]int, len(a)+1)
	for i := range rows {
		rows[i] = make([]int, len(b)+1)
		rows[i][0] = i
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			d := min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d = min(d, rows[i-2][j-2]+1)
			}
			rows[i][j] = d
		}
	}
	return rows[len(a)][len(b)]
}
