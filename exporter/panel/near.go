package panel

import (
	"fmt"
	"strings"
)

// quoteNear quotes what was written and adds the name that was probably meant, if there is one.
func quoteNear(written string, names []string) string {
	quoted := fmt.Sprintf("%q", clip(strings.ToValidUTF8(written, "?")))
	if near := nearest(written, names); near != "" {
		return quoted + " (did you mean " + near + "?)"
	}
	return quoted
}

// mostQuoted keeps what a request can make us repeat short.
const mostQuoted = 100

func clip(s string) string {
	if r := []rune(s); len(r) > mostQuoted {
		return string(r[:mostQuoted]) + "..."
	}
	return s
}

// nearest returns the name that differs from what was written by the fewest letters
// left out, added or mistyped: at most three, and a third of the name.
func nearest(written string, names []string) string {
	best, bestCost := "", 4
	w := strings.ToLower(written)
	for _, name := range names {
		most := min(3, len(name)/3)
		if d := len(name) - len(w); d > most || -d > most {
			continue
		}
		if cost := edits(w, strings.ToLower(name)); cost <= most && cost < bestCost {
			best, bestCost = name, cost
		}
	}
	return best
}

// edits is the Levenshtein distance of two short texts, in bytes.
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
