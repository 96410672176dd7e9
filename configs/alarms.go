package configs

import (
	"strconv"
	"strings"
	"time"

	"roundsman/collector/units"
	"roundsman/rules"
)

// alarm fills in all that does not depend on the kind of condition.
func (b *builder) alarm(e *entry) {
	r := &e.rule
	b.delays(e)
	b.onTotal(e.get("on-total"), r)
	r.Latch = e.get("latch").Bool()
	r.AutoAcknowledge = e.get("auto-acknowledge").Bool()
	r.NoReturnAck = e.get("return-needs-no-acknowledgement").Bool()
	r.Realarm = b.duration(e.get("realarm-after"), 0)
	r.Consequence, r.Response = e.get("consequence").Text(), e.get("response").Text()
	r.CallOut = e.get("call-out").Text()
	r.SuppressWhen = b.suppressors(e.get("suppress-when"))
	b.priority(e)
}

var severities = map[string]rules.Severity{"minor": rules.Minor, "major": rules.Major, "severe": rules.Severe}

var priorities = map[string]rules.Priority{"note": rules.Note, "low": rules.LowPriority, "medium": rules.MediumPriority, "high": rules.HighPriority}

// priority takes the priority as given, or from severity and time to respond.
func (b *builder) priority(e *entry) {
	r := &e.rule
	r.Severity = severities[e.get("severity").Text()]
	r.TimeToRespond = b.positive(e.get("time-to-respond"), 0)
	p := e.get("priority")
	switch {
	case p != nil:
		r.Priority = priorities[p.Text()]
	case r.Severity != rules.NoSeverity && r.TimeToRespond > 0:
		r.Priority = rules.PriorityFor(r.Severity, r.TimeToRespond)
	case e.v.Has("priority") || e.own.Has("priority"):
		return
	default:
		e.v.Missing("priority is missing, and severity and time-to-respond do not both stand for it")
		return
	}
	if r.Priority == rules.Note && r.CallOut != "" {
		e.get("call-out").KeyFailf("a note never calls anybody; raise the priority or drop call-out")
	}
	if r.TimeToRespond > 0 && r.OnDelay >= r.TimeToRespond {
		e.get("time-to-respond").Failf("the on-delay of %s leaves nothing of the %s to respond", show(r.OnDelay), show(r.TimeToRespond))
	}
}

// judged reports whether a kind of condition compares with a deadband.
func judged(k rules.Kind) bool {
	switch k {
	case rules.Low, rules.LowLow, rules.High, rules.HighHigh, rules.Rate, rules.Deviation, rules.TotalAbove, rules.StartsAbove:
		return true
	}
	return false
}

// delays reads deadband and delays, or takes the starting values by the type of signal.
func (b *builder) delays(e *entry) {
	r := &e.rule
	b.deadband(e)
	given := e.get("on-delay")
	r.OnDelay = b.duration(given, 0)
	r.OffDelay = b.duration(e.get("off-delay"), 0)
	if given == nil && r.Kind != rules.StaleSignal {
		b.startingDelay(e)
	}
}

func (b *builder) deadband(e *entry) {
	r, v := &e.rule, e.get("deadband")
	switch {
	case v != nil && !judged(r.Kind):
		v.KeyFailf("a condition of the kind %s has no deadband", e.key)
	case v != nil && r.Kind == rules.Rate:
		r.Deadband, _ = b.differenceIn(v, perSecond(e.point.unit), "the rate of the point")
	case v != nil && r.Kind == rules.StartsAbove:
		r.Deadband, _ = b.differenceIn(v, must(""), "a count of starts")
	case v != nil:
		r.Deadband, _ = b.differenceIn(v, e.point.unit, "point")
	case r.Kind <= rules.HighHigh:
		b.startingDeadband(e)
		return
	}
	if r.Deadband < 0 {
		v.Failf("%s is below 0", v.Text())
	}
}

func show(d time.Duration) string {
	s := d.String()
	for _, cut := range []string{"m0s", "h0m"} {
		if n := len(s) - len(cut); n > 0 && s[n:] == cut {
			s = s[:n+1]
		}
	}
	return s
}

// signalType returns the name by which package rules knows starting values.
func signalType(p *point) string {
	d := p.unit.Dimension()
	if strings.Contains(p.Name, "level") && (d == "length" || d == "ratio") {
		return "level"
	}
	return d
}

// startingDeadband is the deadband of a limit that gives none: a share of the
// instrument's range, by the type of signal.
func (b *builder) startingDeadband(e *entry) {
	share, _ := rules.StartingValues(signalType(e.point))
	if share == 0 {
		return
	}
	p := e.point
	if !(p.High > p.Low) {
		e.v.Remarkf("no deadband is given, and %s has no range to take one from: the alarm may chatter", p.Name)
		return
	}
	e.rule.Deadband = tidy(share * (p.High - p.Low))
	e.v.Remarkf("no deadband is given for %s: %s, %g %% of the range, to start with", e.key, p.show(e.rule.Deadband), share*100)
}

// tidy rounds to three figures.
func tidy(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 3, 64), 64)
	if err != nil {
		return x
	}
	return y
}

// startingDelay is the on-delay of a limit that gives none. It may take a
// quarter of the time that a person has, no more.
func (b *builder) startingDelay(e *entry) {
	if e.rule.Kind > rules.HighHigh {
		return
	}
	_, d := rules.StartingValues(signalType(e.point))
	if d == 0 {
		return
	}
	if t := e.get("time-to-respond"); t != nil {
		if ttr, err := units.ParseDuration(t.Text()); err == nil && ttr > 0 {
			d = max(min(d, (ttr/4).Truncate(time.Second)), time.Second)
		}
	}
	e.rule.OnDelay = d
	e.v.Remarkf("no on-delay is given for %s: %s to start with", e.key, show(d))
}
