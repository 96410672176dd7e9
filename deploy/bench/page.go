package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// machine is what the page says about where it was made.
type machine struct {
	at        time.Time
	took      time.Duration
	processor string
	load0     string
}

func where(at time.Time) machine {
	m := machine{at: at, processor: "unknown processor"}
	if text, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for line := range strings.Lines(string(text)) {
			if name, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(name) == "model name" {
				m.processor = strings.TrimSpace(value)
				break
			}
		}
	}
	m.load0 = load()
	return m
}

// load is the machine's load of the last minute, as the kernel has it; empty where it does not tell.
func load() string {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return ""
	}
	first, _, _ := strings.Cut(string(text), " ")
	return first
}

// verdict words: the whole range holds, the median holds, or not even that.
const (
	met       = "met"
	mostlyMet = "by median"
	missed    = "NOT MET"
	unknown   = "not measured"
)

func (r row) verdict(s span) string {
	switch {
	case s.n == 0:
		return unknown
	case r.goal.op == "":
		return ""
	case r.goal.holds(s.low) && r.goal.holds(s.high):
		return met
	case r.goal.holds(s.median):
		return mostlyMet
	}
	return missed
}

// page prints the table and returns 1 where a row is missed or a suite ended in an error.
func page(out io.Writer, m machine, rows []row, steps []curve, h *hall) (code int) {
	fmt.Fprintf(out, "Roundsman, measured %s on %d of %s, %s %s/%s\n", m.at.UTC().Format("2 January 2006 15:04 UTC"),
		runtime.NumCPU(), m.processor, runtime.Version(), runtime.GOOS, runtime.GOARCH)
	fmt.Fprintf(out, "load of the machine %s before, %s after; %s in all; low - high (median) of the passes\n\n", m.load0, load(), m.took.Round(time.Second))
	lines := [][]string{{"work", "measured", "goal", ""}}
	count := map[string]int{}
	for _, r := range rows {
		s := spanOf(h.got[key{r.suite.dir, r.bench, r.unit}])
		v := r.verdict(s)
		count[v]++
		lines = append(lines, []string{r.work, s.String(), r.goal.String(), v})
	}
	columns(out, lines)
	fmt.Fprintf(out, "\n%d met, %d by median, %d not met, %d not measured\n", count[met], count[mostlyMet], count[missed], count[unknown])
	growth(out, steps, h)
	for _, s := range suitesOf(rows, steps) {
		if text := h.wrong[s]; text != "" {
			fmt.Fprintf(out, "%s\n", text)
			code = 1
		}
	}
	if count[missed]+count[unknown] > 0 {
		code = 1
	}
	return code
}

// growth prints what one costs among few and among many.
func growth(out io.Writer, steps []curve, h *hall) {
	for i, c := range steps {
		line := []string{c.work}
		head := []string{"what one costs"}
		var medians []float64
		for _, n := range c.sizes {
			head = append(head, "of "+strconv.Itoa(n))
			s := spanOf(h.got[key{c.suite.dir, fmt.Sprintf(c.bench, n), c.unit}])
			line = append(line, s.String())
			medians = append(medians, s.median)
		}
		if i == 0 || len(steps[i-1].sizes) != len(c.sizes) {
			fmt.Fprintln(out)
			columns(out, [][]string{padded(head)})
		}
		columns(out, [][]string{padded(append(line, steepness(medians)))})
	}
}

// padded gives the cells of growth's lines, which are written one by one, their width.
func padded(cells []string) []string {
	out := make([]string, 0, len(cells))
	for i, c := range cells {
		width := 22
		if i == 0 {
			width = 38
		}
		out = append(out, c+strings.Repeat(" ", max(0, width-utf8.RuneCountInString(c))))
	}
	return out
}

// steepness says how one of most compares with one of fewest; the first, of a single link or few points, carries what is
// fixed and may cost more.
func steepness(medians []float64) string {
	x := medians[len(medians)-1] / medians[0]
	switch {
	case math.IsNaN(x):
		return unknown
	case x > steepest:
		return fmt.Sprintf("x%.2f, not linear", x)
	}
	return fmt.Sprintf("x%.2f", x)
}

func (s span) String() string {
	switch {
	case s.n == 0:
		return "-"
	case figure(s.low) == figure(s.high):
		return figure(s.median)
	}
	return fmt.Sprintf("%s - %s (%s)", figure(s.low), figure(s.high), figure(s.median))
}

// figure writes a number with three or four significant digits: ratios near one with three decimals.
func figure(v float64) string {
	decimals := 0
	switch {
	case math.Abs(v) < 2:
		decimals = 3
	case math.Abs(v) < 10:
		decimals = 2
	case math.Abs(v) < 100:
		decimals = 1
	}
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

// columns writes the lines with their columns one below the other, the first line underlined.
func columns(out io.Writer, lines [][]string) {
	width := make([]int, len(lines[0]))
	for _, l := range lines {
		for i, cell := range l {
			width[i] = max(width[i], utf8.RuneCountInString(cell))
		}
	}
	for n, l := range lines {
		var b strings.Builder
		for i, cell := range l {
			b.WriteString(cell + strings.Repeat(" ", width[i]-utf8.RuneCountInString(cell)+2))
		}
		fmt.Fprintln(out, strings.TrimRight(b.String(), " "))
		if n == 0 && len(lines) > 1 {
			total := 2 * (len(width) - 1)
			for _, w := range width {
				total += w
			}
			fmt.Fprintln(out, strings.Repeat("-", total))
		}
	}
}
