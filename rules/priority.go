package rules

import "time"

// PriorityFor returns the priority of an alarm by how bad it gets and how soon somebody must respond: the pattern
// of Hollifield and Habibi, The Alarm Management Handbook (2nd ed. 2010), from memory; ISA-18.2 asks for a method,
// not for this table. What can wait longer than half an hour is no alarm but a note. Without a severity or a time
// there is no priority.
//
//	time to respond   minor    major    severe
//	over 30 min       note     note     note
//	10 to 30 min      low      low      medium
//	3 to under 10     low      medium   medium
//	under 3 min       medium   high     high
func PriorityFor(s Severity, timeToRespond time.Duration) Priority {
	if s < Minor || s > Severe || timeToRespond <= 0 {
		return NoPriority
	}
	var row [3]Priority
	switch {
	case timeToRespond > 30*time.Minute:
		row = [...]Priority{Note, Note, Note}
	case timeToRespond >= 10*time.Minute:
		row = [...]Priority{LowPriority, LowPriority, MediumPriority}
	case timeToRespond >= 3*time.Minute:
		row = [...]Priority{LowPriority, MediumPriority, MediumPriority}
	default:
		row = [...]Priority{MediumPriority, HighPriority, HighPriority}
	}
	return row[s-Minor]
}

// StartingValues returns where to begin when a limit rule gives no deadband or delay, by what is measured: the
// deadband as a share of the operating range, and the delay (ISA-18.2-2009, clause 10.5; EEMUA 191; from memory).
// They are starting points: a delay must never be longer than the time to respond allows. Dimensions are 'flow',
// 'level', 'pressure' and 'temperature'; for all else, contacts too, both are 0 (a contact that chatters wants 5 s
// or more: common practice, no source).
func StartingValues(dimension string) (deadbandShare float64, delay time.Duration) {
	switch dimension {
	case "flow":
		return 0.05, 15 * time.Second
	case "level":
		return 0.05, 60 * time.Second
	case "pressure":
		return 0.02, 15 * time.Second
	case "temperature":
		return 0.01, 60 * time.Second
	}
	return 0, 0
}
