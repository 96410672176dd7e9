package main

import (
	"math"
	"slices"
	"strconv"
	"strings"
)

// results are the values of all runs so far, by package folder, benchmark and unit.
type results map[key][]float64

type key struct{ dir, bench, unit string }

// read takes the lines of a package's output, in the form that package testing writes and benchstat reads: the name,
// the number of iterations, then pairs of a value and its unit.
func (r results) read(dir, output string) {
	for line := range strings.Lines(output) {
		fields := strings.Fields(line)
		if len(fields) < 4 || !strings.HasPrefix(fields[0], "Benchmark") {
			continue
		}
		if _, err := strconv.Atoi(fields[1]); err != nil {
			continue
		}
		name := bareName(fields[0])
		for i := 2; i+1 < len(fields); i += 2 {
			v, err := strconv.ParseFloat(fields[i], 64)
			if err != nil {
				break
			}
			k := key{dir, name, fields[i+1]}
			r[k] = append(r[k], v)
		}
	}
}

// bareName is a benchmark's name without the number of processors that package testing appends.
func bareName(name string) string {
	if i := strings.LastIndexByte(name, '-'); i > 0 {
		if _, err := strconv.Atoi(name[i+1:]); err == nil {
			return name[:i]
		}
	}
	return name
}

// span is what several runs gave.
type span struct {
	low, median, high float64
	n                 int
}

func spanOf(values []float64) span {
	if len(values) == 0 {
		return span{math.NaN(), math.NaN(), math.NaN(), 0}
	}
	v := slices.Sorted(slices.Values(values))
	middle := v[len(v)/2]
	if len(v)%2 == 0 {
		middle = (v[len(v)/2-1] + middle) / 2
	}
	return span{v[0], middle, v[len(v)-1], len(v)}
}
