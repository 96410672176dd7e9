package duty

import (
	"time"

	"roundsman/exporter/review"
)

// Weightiest returns the finding that matters most, what to do about it, and how urgent that is: Poor is what breaks a
// motor or is overdue, Look what wears or costs, NotJudged a service to be booked; Good, without words, that there is
// nothing to decide. Time that was not seen is passed over where the box itself was blind for so long: that is told once
// for all machines.
func (f *MachineFigures) Weightiest(blind time.Duration) (says, decide string, weight review.Verdict) {
	looks := map[review.Verdict][]func(*MachineFigures) found{
		review.Poor:      {oftenStarts, overdue, oftenLoads},
		review.Look:      {nothing, unseen, shortRuns, growing, closedRuns, uneven, always},
		review.NotJudged: {soon},
	}
	explained := f.UnseenSeconds <= 1.02*blind.Seconds()+600
	for _, v := range []review.Verdict{review.Poor, review.Look, review.NotJudged} {
		for _, look := range looks[v] {
			g := look(f)
			if g.says == "" || explained && g == unseen(f) {
				continue
			}
			return g.says, g.decide, v
		}
	}
	return "", "", review.Good
}
