package review

import (
	"fmt"
	"math"
	"slices"
	"time"

	"roundsman/collector/sorting"
	paper "roundsman/exporter/review/page"
	"roundsman/rules"
)

// Verdict says in a word how a figure stands to what is recommended.
type Verdict uint8

// The verdicts, best first.
const (
	NotJudged Verdict = iota // nothing is recommended, or the span tells too little
	Good                     // as recommended
	Look                     // beyond what is recommended, still to be managed
	Poor                     // beyond what can be managed
)

var verdictWords = [...]string{"not judged", "good", "look", "poor"}

// String returns the verdict's word.
func (v Verdict) String() string {
	if int(v) < len(verdictWords) {
		return verdictWords[v]
	}
	return "unknown"
}

// MarshalText returns the verdict's word.
func (v Verdict) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// UnmarshalText takes the verdict's word.
func (v *Verdict) UnmarshalText(text []byte) error {
	i := slices.Index(verdictWords[:], string(text))
	if i < 0 {
		return fmt.Errorf("unknown verdict %q", text)
	}
	*v = Verdict(i)
	return nil
}

// Finding is one figure beside what is recommended.
type Finding struct {
	Figure      string  `json:"figure"`
	Value       float64 `json:"value"`
	Unit        string  `json:"unit"` // "" a number, "ratio" 0 to 1, "seconds"
	Recommended string  `json:"recommended"`
	Source      string  `json:"source"` // of the recommendation, and how it is known; "": none is
	Verdict     Verdict `json:"verdict"`
	Remark      string  `json:"remark,omitempty"` // why it is not judged, or what to know
}

// target is one recommendation. A value up to good is good, up to most asks for a look; above it is poor.
type target struct {
	figure, unit        string
	good, most          float64
	below               bool // only what is below good is good
	recommended, source string
	value               func(f *Figures) float64
	// unsure returns why the figure cannot be judged for these figures, "" if it can.
	unsure func(f *Figures) string
}

const (
	isa           = "ISA-18.2 clause 16 and EEMUA 191; from memory"
	isaSecondHand = "ISA-18.2 clause 16, second-hand"
	// ours is said where a source gives one figure and none for what cannot be managed any more.
	ours = "; poor above twice that: ours"
)

// targets are the recommendations for one operating position. The texts say of each figure whether it was read at
// second hand or is from memory: the standards are sold and were not read.
var targets = [...]target{
	{
		figure: "alarms a day", good: 150, most: 300,
		recommended: "about 150 very likely acceptable, about 300 the most that can be managed",
		source:      "150: ISA-18.2-2009, second-hand (IEC 62682:2014: 144, second-hand); 300: from memory; the 2016 edition is said to have dropped the daily count",
		value:       func(f *Figures) float64 { return f.PerDay }, unsure: shorterThan(24*time.Hour, "a day"),
	},
	{
		figure: "alarms an hour, mean", good: 6, most: 12,
		recommended: "about 6 very likely acceptable, about 12 the most that can be managed",
		source:      "6: " + isaSecondHand + "; 12: from memory",
		value:       func(f *Figures) float64 { return f.Hour.Mean }, unsure: shorterThan(time.Hour, "an hour"),
	},
	{
		figure: "alarms in ten minutes, mean", good: 1, most: 2,
		recommended: "about 1 very likely acceptable, about 2 the most that can be managed",
		source:      "1: " + isaSecondHand + "; 2: from memory. EEMUA 191: under 1 very likely acceptable (second-hand), 2 manageable, 5 likely over-demanding, over 10 very likely unacceptable (from memory)",
		value:       func(f *Figures) float64 { return f.TenMinute.Mean }, unsure: shorterThan(tenMinutes, "ten minutes"),
	},
	{
		figure: "most alarms in any hour", good: 15, most: 30,
		recommended: "15 in the peak hour",
		source:      "a key-figure grid credited to EEMUA 191's authors, second-hand; poor above 30, from which ISA-18.2 counts hours: ours",
		value:       func(f *Figures) float64 { return float64(f.Hour.PeakSliding) },
	},
	{
		figure: "most alarms in any ten minutes", good: 10, most: 20,
		recommended: "10 or fewer",
		source:      isa + "; EEMUA 191 calls 20 to 100 after an upset hard, over 100 excessive (from memory)",
		value:       func(f *Figures) float64 { return float64(f.TenMinute.PeakSliding) },
	},
	{
		figure: "hours with more than 30 alarms", unit: "ratio", good: 0.01, most: 0.02, below: true,
		recommended: "under about 1 %", source: isa + ours,
		value: func(f *Figures) float64 { return f.BusyHours.Share }, unsure: shorterThan(time.Hour, "an hour"),
	},
	{
		figure: "ten-minute periods with more than 10", unit: "ratio", good: 0.01, most: 0.02, below: true,
		recommended: "under about 1 %", source: isa + ours,
		value: func(f *Figures) float64 { return f.BusyTens.Share }, unsure: shorterThan(tenMinutes, "ten minutes"),
	},
	{
		figure: "time in flood", unit: "ratio", good: 0.01, most: 0.02, below: true,
		recommended: "under about 1 %", source: isaSecondHand + ours,
		value: func(f *Figures) float64 { return f.Sliding.Share }, unsure: shorterThan(tenMinutes, "ten minutes"),
	},
	{
		figure: "share of the ten most frequent", unit: "ratio", good: 0.01, most: 0.05, below: true,
		recommended: "under 1 % to 5 % at most", source: isa,
		value: func(f *Figures) float64 { return f.FrequentAll }, unsure: fewDifferent,
	},
	{
		figure: "chattering alarms", most: math.Inf(1),
		recommended: "0", source: isa + "; three starts in a minute: second-hand",
		value: func(f *Figures) float64 { return float64(len(f.Chattering)) },
	},
	{
		figure: "fleeting alarms", most: math.Inf(1),
		recommended: "0", source: isa + "; over within a minute by itself and not back within another: ours",
		value: func(f *Figures) float64 { return float64(len(f.Fleeting)) },
	},
	{
		figure: "stale alarms, most on a day", good: 5, most: 10, below: true,
		recommended: "fewer than 5 on any day", source: isa + "; stale after 24 h: from memory" + ours,
		value: func(f *Figures) float64 { return float64(f.Stale.Most) }, unsure: shorterThan(24*time.Hour, "a day"),
	},
	{
		figure: "share of high priority", unit: "ratio", good: 0.05, most: 0.10,
		recommended: "about 5 %", source: isaSecondHand + ours,
		value: func(f *Figures) float64 { return f.share(rules.HighPriority) }, unsure: fewAlarms,
	},
	{
		figure: "share of high and medium priority", unit: "ratio", good: 0.20, most: 0.40,
		recommended: "about 20 % (5 % high, 15 % medium, 80 % low)", source: isaSecondHand + ours,
		value: func(f *Figures) float64 { return f.share(rules.HighPriority) + f.share(rules.MediumPriority) }, unsure: fewAlarms,
	},
	{
		figure: "time to acknowledge, median", unit: "seconds",
		recommended: "no published figure is known here",
		value:       func(f *Figures) float64 { return number(f.Acknowledge.Median) }, unsure: noTarget,
	},
	{
		figure: "time to acknowledge, 90 % within", unit: "seconds",
		recommended: "no published figure is known here",
		value:       func(f *Figures) float64 { return number(f.Acknowledge.P90) }, unsure: noTarget,
	},
}

// findings holds the figures against the recommendations, worst first. A figure that does not exist is left out.
func findings(f *Figures) []Finding {
	list := make([]Finding, 0, len(targets))
	for i := range targets {
		t := &targets[i]
		v := t.value(f)
		if math.IsNaN(v) {
			continue
		}
		d := Finding{Figure: t.figure, Value: v, Unit: t.unit, Recommended: t.recommended, Source: t.source}
		switch {
		case f.SeenSeconds == 0 && f.Alarms == 0:
			d.Remark = "nothing was seen"
		case t.unsure != nil:
			d.Remark = t.unsure(f)
		}
		if d.Remark == "" {
			d.Verdict = t.judge(v)
		}
		list = append(list, d)
	}
	sorting.StableFunc(list, func(a, b Finding) int { return int(b.Verdict) - int(a.Verdict) })
	return list
}

func (t *target) judge(v float64) Verdict {
	switch {
	case v < t.good, v == t.good && !t.below:
		return Good
	case v <= t.most:
		return Look
	}
	return Poor
}

// Verdict returns the worst verdict of all findings.
func (f *Figures) Verdict() Verdict {
	worst := NotJudged
	for i := range f.Findings {
		worst = max(worst, f.Findings[i].Verdict)
	}
	return worst
}

func (f *Figures) length() time.Duration { return f.To.Sub(f.From) }

// seen returns for how long somebody looked.
func (f *Figures) seen() time.Duration { return time.Duration(f.SeenSeconds * float64(time.Second)) }

// Unseen says how much of the span nobody saw; "" where all of it was.
func (f *Figures) Unseen() string {
	switch {
	case f.SeenSeconds == 0:
		return "nothing was seen in this span: the record has none of it"
	case f.length()-f.seen() < time.Minute:
		return ""
	}
	return "seen " + paper.Length(f.seen()) + " of " + paper.Length(f.length()) + ": the figures are of that"
}

// share returns the share of the alarms with a priority; NaN without alarms.
func (f *Figures) share(priority rules.Priority) float64 {
	for _, p := range f.Priorities {
		if p.Priority == priority && f.Alarms > 0 {
			return p.Share
		}
	}
	return math.NaN()
}

func shorterThan(d time.Duration, words string) func(f *Figures) string {
	return func(f *Figures) string {
		if f.seen() < d {
			return "the time seen is shorter than " + words
		}
		return ""
	}
}

// fewDifferent: ten of n alarms that ring equally often have 10/n of all. With fewer than 200 different ones that is
// more than 5 %, however well they are set.
func fewDifferent(f *Figures) string {
	switch {
	case f.Different == 0:
		return "no alarms"
	case f.Different < 200:
		return fmt.Sprintf("with %d different alarms it cannot be under %.0f %%", f.Different, 100*min(1, 10/float64(f.Different)))
	}
	return ""
}

// fewAlarms: among fewer than twenty alarms 5 % is less than one.
func fewAlarms(f *Figures) string {
	if f.Alarms < 20 {
		return fmt.Sprintf("only %d alarms", f.Alarms)
	}
	return ""
}

func noTarget(*Figures) string { return "compare it with each alarm's time to respond" }

// number returns NaN for what is absent.
func number(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}
