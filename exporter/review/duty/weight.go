package duty

import "roundsman/exporter/review"

// Weightiest returns the finding that matters most, what to do about it, and how urgent that is: Poor is what breaks a
// motor or is overdue, Look what wears or costs, NotJudged a service to be booked; Good, without words, that there is
// nothing to decide. That the box was off is passed over: it is told once for all machines.
func (f *MachineFigures) Weightiest() (says, decide string, weight review.Verdict) {
	looks := map[review.Verdict][]func(*MachineFigures) found{
		review.Poor:      {oftenStarts, overdue, oftenLoads},
		review.Look:      {nothing, unseen, shortRuns, growing, closedRuns, uneven, always},
		review.NotJudged: {soon},
	}
	for _, v := range []review.Verdict{review.Poor, review.Look, review.NotJudged} {
		for _, look := range looks[v] {
			if g := look(f); g.says != "" {
				return g.says, g.decide, v
			}
		}
	}
	return "", "", review.Good
}
