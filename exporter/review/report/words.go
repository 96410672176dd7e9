package report

import (
	"strings"
	"time"

	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
	p "roundsman/exporter/review/page"
)

// number writes a value with thousands apart, a dash for none.
func number(v float64, decimals int) string {
	text := p.Number(v, decimals)
	whole, rest, _ := strings.Cut(text, ".")
	sign := ""
	if w, ok := strings.CutPrefix(whole, "-"); ok {
		sign, whole = "−", w
	}
	for i := len(whole) - 3; i > 0 && whole != "-"; i -= 3 {
		whole = whole[:i] + "\u202f" + whole[i:]
	}
	if text == "-" {
		return "–"
	}
	if rest != "" {
		whole += "." + rest
	}
	return sign + whole
}

func with(k minutes.Known, decimals int, unit string) string {
	n := number(float64(k), decimals)
	if n == "–" || unit == "" {
		return n
	}
	return n + "\u00a0" + unit
}

func percent(share minutes.Known, decimals int) string { return with(100*share, decimals, "%") }

// length writes seconds in the largest unit that leaves a number people can read.
func length(s minutes.Known) string {
	if !s.Is() {
		return "–"
	}
	return strings.ReplaceAll(p.Length(time.Duration(float64(s)*float64(time.Second))), " ", "\u00a0")
}

func signed(k minutes.Known, decimals int) string {
	if k > 0 {
		return "+" + number(float64(k), decimals)
	}
	return number(float64(k), decimals)
}

func days(d time.Duration) string {
	if d%(24*time.Hour) == 0 || d > 72*time.Hour {
		return number(d.Hours()/24, 0) + " days"
	}
	return length(minutes.Known(d.Seconds()))
}

// amount writes a finding's value.
func amount(d *review.Finding) string {
	v := minutes.Known(d.Value)
	switch {
	case d.Unit == "ratio":
		return percent(v, 1)
	case d.Unit == "seconds":
		return length(v)
	case d.Value == float64(int(d.Value)):
		return with(v, 0, d.Unit)
	}
	return with(v, 1, d.Unit)
}
