package strict

import "strings"

// mostGuesses bounds how often near names are looked for: past so many
// problems the file as a whole is wrong, and guessing would cost minutes.
const mostGuesses = 100

// Guess returns ' (did you mean X?)' for the name nearest to what was written, or ”.
func (l *Log) Guess(written string, names ...string) string {
	if hint, ok := l.hints[written]; ok {
		return hint
	}
	if !l.guessing(written) {
		return ""
	}
	hint := ""
	if near := Near(written, names); near != "" {
		hint = " (did you mean " + near + "?)"
	}
	if l.hints == nil {
		l.hints = map[string]string{}
	}
	l.hints[written] = hint
	return hint
}

// guessing reports whether Guess has an answer for what was written, or would look for one.
func (l *Log) guessing(written string) bool {
	_, known := l.hints[written]
	return known || len(l.hints) < mostGuesses
}

// Near returns the name that is most likely meant by what was written, or ”.
// A name is near when at most a third of its letters, and at most three, were
// mistyped, left out, doubled or swapped with a neighbour.
func Near(written string, names []string) string {
	best, bestCost := "", 0
	w := strings.ToLower(written)
	for _, name := range names {
		most := min(3, len(name)/3)
		if d := len(name) - len(w); d > most || -d > most || len(w) > 100 {
			continue
		}
		if c := distance(w, strings.ToLower(name)); c <= most && (best == "" || c < bestCost) {
			best, bestCost = name, c
		}
	}
	return best
}

// distance counts insertions, deletions, substitutions and swaps of neighbours
// (optimal string alignment distance).
func distance(a, b string) int {
	prev, row, next := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		next[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			next[j] = min(row[j]+1, next[j-1]+1, row[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				next[j] = min(next[j], prev[j-2]+1)
			}
		}
		prev, row, next = row, next, prev
	}
	return row[len(b)]
}
