package air

import (
	"fmt"

	"roundsman/collector/sorting"
	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/page"
)

const (
	practice = "common practice, no source"
	doe      = "US DOE, Improving Compressed Air System Performance, second-hand"
)

// A leak has stepped up when the last night is so much over what is usual: a fifth, and a tenth of a litre a second.
const (
	stepShare = 0.2
	stepLeast = 0.1
)

// judged makes a finding: up to good is good, up to most asks for a look.
func judged(figure string, v minutes.Known, good, most float64, recommended, source string) review.Finding {
	f := review.Finding{Figure: figure, Value: float64(v), Unit: "ratio", Recommended: recommended, Source: source, Verdict: review.Poor}
	switch {
	case float64(v) <= good:
		f.Verdict = review.Good
	case float64(v) <= most:
		f.Verdict = review.Look
	}
	return f
}

// findings returns what can be judged, worst first.
func findings(f *Figures) []review.Finding {
	var list []review.Finding
	if f.Load.Factor.Is() {
		list = append(list, judged("load factor", f.Load.Factor, 0.7, 0.85, "up to 70 %, no reserve above 85 %", practice))
	}
	if f.Pressure.BelowSeconds.Is() && f.Pressure.OpenSeconds > 0 {
		share := f.Pressure.BelowSeconds / f.Pressure.OpenSeconds
		list = append(list, judged("open time below minimum", share, 0, 0.001, "none", practice))
	}
	if f.Leak.Share.Is() {
		list = append(list, judged("leak, of the delivery", f.Leak.Share, 0.1, 0.2, "under 10 %, poor 20 to 30 %", doe))
	}
	sorting.StableFunc(list, func(a, b review.Finding) int { return int(b.Verdict) - int(a.Verdict) })
	return list
}

// stepped reports whether the last night's leak is well above the usual.
func (l *Leak) stepped() bool {
	return l.Latest.Is() && l.Usual.Is() && l.Latest-l.Usual > max(stepLeast, stepShare*l.Usual)
}

// advice says in plain words what to do, most urgent first.
func advice(f *Figures, p *Plan) []string {
	var list []string
	say := func(when bool, format string, values ...any) {
		if when {
			list = append(list, fmt.Sprintf(format, values...))
		}
	}
	pr, lo, le := &f.Pressure, &f.Load, &f.Leak
	say(pr.BelowSeconds.Is() && pr.BelowSeconds > 0, "The header was below %s bar for about %s while cars washed, %s. Look at the alarms of these times: a trip, or use beyond the compressor.",
		page.Number(p.Minimum, 1), page.Length(seconds(pr.BelowSeconds)), page.Times(pr.Dips))
	say(le.stepped(), "The leak stepped up: %s L/s in the last night, usual are %s. Something came loose: hoses, drains and valves first, zone by zone at closing.",
		page.Number(float64(le.Latest), 2), page.Number(float64(le.Usual), 2))
	say(le.Rising && !le.stepped(), "The leak grows by %s L/s in 30 days (%s to %s). Plan a leak walk.",
		page.Number(float64(le.PerMonth), 2), page.Number(float64(le.PerMonthLow), 2), page.Number(float64(le.PerMonthHigh), 2))
	say(le.Share.Is() && le.Share > 0.1, "%s of what the compressor gives leaks away, day and night%s. Under 10 %% is kept by sites that look for leaks.",
		page.Percent(float64(le.Share), 0), costWords(le))
	say(lo.Factor.Is() && lo.Factor > 0.85, "The compressor was loaded %s of its running time: no reserve for a busy hour. Find leaks before buying air.",
		page.Percent(float64(lo.Factor), 0))
	say(len(le.Tests) == 0 && p.Leak.Named(), "No leak test came about: it needs some minutes while the wash is closed, nothing draws air and the compressor does not load.")
	say(len(le.Tests) > 0 && len(le.Nights) == 0, "No leak test settled: the air still cooled, or something drew air now and then. The figures are estimates at best.")
	say(le.SinceLastHours.Is() && le.SinceLastHours > 7*24, "The last leak test is %s old.", page.Length(seconds(le.SinceLastHours*3600)))
	switch {
	case pr.SeenSeconds == 0 && lo.SeenSeconds == 0 && len(le.Tests) == 0:
		list = []string{"Nothing was seen of the air in this span: the record has none of it."}
	case len(list) == 0:
		list = append(list, "Nothing asks for action.")
	}
	return list
}

func costWords(l *Leak) string {
	if !l.Cost.Is() {
		return ""
	}
	return fmt.Sprintf(", about %s %s a year", page.Number(float64(l.Cost), 0), l.Currency)
}
