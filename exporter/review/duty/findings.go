package duty

import (
	"fmt"
	"math"
	"time"

	"roundsman/exporter/review/page"
)

// What is worth a word. Common practice, no source, where nothing else is said.
const (
	shortShare   = 0.2              // of all runs that are short
	shortAtLeast = 10               // short runs
	pairAtLeast  = 2 * time.Hour    // of the pair's run time
	closedRun    = 30 * time.Minute // a week, outside opening hours
	unseenShare  = 0.05             // of the span
	busy         = 0.9              // duty
	busyAtLeast  = 8 * time.Hour    // seen: a shift
	serviceSoon  = 14 * 24 * time.Hour
	locked       = " Whoever opens it must be qualified, with the machine locked out and without pressure."
)

// found is one finding and what to do about it.
type found struct{ says, decide string }

// judge words what there is to decide, the weightiest first: what breaks a motor, then what is due, then what costs.
func judge(f *MachineFigures) {
	for _, look := range []func(*MachineFigures) found{
		nothing, unseen, oftenStarts, overdue, oftenLoads, shortRuns, growing, closedRuns, uneven, jumped, always, soon, boxOff,
	} {
		g := look(f)
		if g.says == "" {
			continue
		}
		f.Findings = append(f.Findings, g.says)
		if f.Decide == "" {
			f.Decide = g.decide
		}
	}
	if f.Decide == "" {
		f.Decide = "Nothing to decide."
	}
}

func nothing(f *MachineFigures) found {
	if f.RunSeconds+f.StillSeconds > 0 {
		return found{}
	}
	return found{"it was not seen in this span", "Find out why nothing tells whether it runs: the point, its link, or the box was off."}
}

// unseen is time in which the box looked in vain.
func unseen(f *MachineFigures) found {
	whole, blind := f.RunSeconds+f.StillSeconds+f.UnseenSeconds, f.UnseenSeconds-f.BoxOffSeconds
	if f.RunSeconds+f.StillSeconds == 0 || blind <= unseenShare*whole {
		return found{}
	}
	return found{fmt.Sprintf("not seen for %s, %s of the time: all figures are of the rest", page.Length(seconds(blind)), page.Percent(blind/whole, 0)),
		"Mend what tells whether it runs first: " + page.Length(seconds(blind)) + " were not seen."}
}

// boxOff is time in which nothing looked. It is the same for all machines and says nothing of this one.
func boxOff(f *MachineFigures) found {
	whole := f.RunSeconds + f.StillSeconds + f.UnseenSeconds
	if f.RunSeconds+f.StillSeconds == 0 || f.BoxOffSeconds <= unseenShare*whole {
		return found{}
	}
	return found{fmt.Sprintf("the box was off for %s, %s of the time: all figures are of the rest", page.Length(seconds(f.BoxOffSeconds)), page.Percent(f.BoxOffSeconds/whole, 0)),
		"Find out why the box was off: supply, plug, or someone who switched it off."}
}

func oftenStarts(f *MachineFigures) found {
	if !f.StartsSeen || !f.Limit.Is() || float64(f.WorstHour) <= float64(f.Limit) {
		return found{}
	}
	return found{fmt.Sprintf("%d starts in its worst hour, %.4g are allowed (%s)", f.WorstHour, float64(f.Limit), f.LimitFrom),
		"Stop the short cycling before it costs the motor: look for a check valve that leaks back, a float gap or pressure band that is too narrow, a lost air cushion." + locked}
}

func jumped(f *MachineFigures) found {
	if len(f.Jumps) == 0 {
		return found{}
	}
	return found{f.Jumps[0], "Find out what was done to the meter, and note it on the pumps page or by 'roundsman explain': what ran meanwhile is not in these figures."}
}

func oftenLoads(f *MachineFigures) found {
	if f.Load == nil || !f.Load.Limit.Is() || float64(f.Load.WorstHour) <= float64(f.Load.Limit) {
		return found{}
	}
	return found{fmt.Sprintf("%d load cycles in the worst hour, %.4g are allowed", f.Load.WorstHour, float64(f.Load.Limit)),
		"Drain the receiver and check the pressure band: water or a narrowed band makes it load too often." + locked}
}

func overdue(f *MachineFigures) found {
	for _, s := range f.Services {
		if s.Hours < 0 {
			return found{fmt.Sprintf("%s is overdue by %.0f h", s.Service, -s.Hours), "Have it serviced: " + s.Service + "." + locked}
		}
	}
	return found{}
}

func soon(f *MachineFigures) found {
	for _, s := range f.Services {
		if s.Hours >= 0 && s.Expected != nil && f.RunSeconds > 0 && s.Hours/float64(f.paceHours()) < serviceSoon.Hours() {
			return found{fmt.Sprintf("%s is due in %.0f h of running, about %s", s.Service, s.Hours, s.Expected.In(f.zone).Format(time.DateOnly)), "Book the service: " + s.Service + "."}
		}
	}
	return found{}
}

// paceHours is the share of time that it runs lately.
func (f *MachineFigures) paceHours() float64 {
	return math.Max(f.recent.Run.Seconds()/math.Max((f.recent.Run+f.recent.Still).Seconds(), 1), 1e-9)
}

func shortRuns(f *MachineFigures) found {
	if f.ShortRuns < shortAtLeast || float64(f.ShortRuns) < shortShare*float64(f.WholeRuns) {
		return found{}
	}
	return found{fmt.Sprintf("%d of %d runs were shorter than %s", f.ShortRuns, f.WholeRuns, page.Length(seconds(f.LeastRunSeconds))),
		"Listen at the check valve after a stop and look at the float gap: short runs wear the motor." + locked}
}

func growing(f *MachineFigures) found {
	p := f.PerVehicle
	if p == nil || p.Trend == nil || !p.Trend.Rises() {
		return found{}
	}
	t := p.Trend
	begin := t.At(0)
	if begin <= 0 || t.Slope*paceDays < 0.05*begin { // sure, but too little to act on
		return found{}
	}
	return found{fmt.Sprintf("runs %.0f %% longer for each vehicle than four weeks ago (%.3g s a day more, 95 %%: %.3g to %.3g)", 100*t.Slope*paceDays/begin, t.Slope, t.SlopeLow, t.SlopeHigh),
		"Check it for wear, leaks and worn nozzles: it runs longer for the same cars." + locked}
}

func closedRuns(f *MachineFigures) found {
	c := f.Closed
	weeks := math.Max(f.To.Sub(f.From).Hours()/(7*24), 1)
	if c == nil || c.RunSeconds < closedRun.Seconds()*weeks {
		return found{}
	}
	return found{fmt.Sprintf("ran %s outside opening hours, in %s", page.Length(seconds(c.RunSeconds)), page.Count(c.Starts, "start")),
		"Find what calls it while the wash is closed: a leak, a fill valve that does not shut, a float."}
}

func uneven(f *MachineFigures) found {
	p := f.Pair
	if p == nil || p.Even || seconds(p.ran) < pairAtLeast {
		return found{}
	}
	lead, lag := f.Equipment, p.With
	if p.Share < 0.5 {
		lead, lag = lag, lead
	}
	return found{fmt.Sprintf("does %s of the work of the pair with %s", page.Percent(float64(p.Share), 0), p.With),
		fmt.Sprintf("Swap lead and lag, so that %s leads; if the share stays, find out why %s does less.", lag, lag) + leadNote(lead)}
}

func leadNote(lead string) string { return " " + lead + " has the wear." }

func always(f *MachineFigures) found {
	if !f.Duty.Is() || float64(f.Duty) < busy || seconds(f.RunSeconds+f.StillSeconds) < busyAtLeast {
		return found{}
	}
	return found{fmt.Sprintf("runs %s of the time", page.Percent(float64(f.Duty), 0)), "Check why it hardly ever rests: a stuck float, a leak, or it is too small for its work."}
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
