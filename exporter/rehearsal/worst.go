package rehearsal

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/exporter/review"
	"roundsman/rules"
)

// Worst are the alarms that rang most over a span, with what rehearsal over the kept readings suggests for each.
type Worst struct {
	From   time.Time `json:"from,omitzero"` // of the readings rehearsed; zero: none
	To     time.Time `json:"to,omitzero"`
	Why    string    `json:"why,omitempty"` // nothing was rehearsed
	Actors []Actor   `json:"actors"`        // most alarms first
}

// Actor is one of them. Alarms, Share, Chattering and Fleeting are of the journal; Rehearsed of the kept readings, which
// may reach back less far.
type Actor struct {
	Alarm      string          `json:"alarm"`
	Point      string          `json:"point"`
	Alarms     int             `json:"alarms"`
	Share      float64         `json:"share"`
	Chattering int             `json:"chattering"`
	Fleeting   int             `json:"fleeting"`
	Rehearsed  *countLine      `json:"rehearsed"`
	Suggested  *suggestionLine `json:"suggestion"`
	Words      string          `json:"words"` // what to do about it, in plain words
	// Found says that Words suggest a deadband or a delay.
	Found bool `json:"found"`
}

// Focus returns the site with only the rules of these names and those whose alarms suppress them, and the points whose
// readings these need. Computed points among them are best taken from recorded data; see Columned.
func Focus(site Site, names []string) (Site, []collector.PointID) {
	keep := map[int]bool{}
	var mark func(i int)
	mark = func(i int) {
		if keep[i] {
			return
		}
		keep[i] = true
		for _, c := range site.Rules.Rules[i].CausedBy {
			mark(c)
		}
	}
	for i := range site.Rules.Rules {
		if slices.Contains(names, site.Rules.Rules[i].Name) {
			mark(i)
		}
	}
	set := rules.Set{Conditions: site.Rules.Conditions}
	at := map[int]int{}
	for i := range site.Rules.Rules {
		if keep[i] {
			at[i] = len(set.Rules)
			set.Rules = append(set.Rules, site.Rules.Rules[i])
		}
	}
	for i := range set.Rules {
		causes := slices.Clone(set.Rules[i].CausedBy)
		for k, c := range causes {
			causes[k] = at[c]
		}
		set.Rules[i].CausedBy = causes
	}
	return Site{Points: site.Points, Compute: site.Compute, Rules: set}, needed(&set)
}

// needed returns the points that the rules and the conditions they use look at, each once.
func needed(set *rules.Set) []collector.PointID {
	n := need{set: set, seen: map[int]bool{}}
	for i := range set.Rules {
		r := &set.Rules[i]
		n.list = append(n.list, looksAt(r)...)
		n.terms(r.While)
		n.terms(r.After)
		if r.Kind == rules.Discrepancy && r.Other == collector.NoPoint {
			n.terms([]rules.Term{r.Agree})
		}
		for _, c := range r.SuppressWhen {
			n.condition(c)
		}
	}
	slices.Sort(n.list)
	return slices.DeleteFunc(slices.Compact(n.list), func(p collector.PointID) bool { return p == collector.NoPoint })
}

type need struct {
	set  *rules.Set
	seen map[int]bool // conditions
	list []collector.PointID
}

func (n *need) terms(list []rules.Term) {
	for _, t := range list {
		if t.Point != collector.NoPoint {
			n.list = append(n.list, t.Point)
		} else {
			n.condition(t.Condition)
		}
	}
}

func (n *need) condition(i int) {
	if i < 0 || i >= len(n.set.Conditions) || n.seen[i] {
		return
	}
	n.seen[i] = true
	n.terms(n.set.Conditions[i].Terms)
	n.terms(n.set.Conditions[i].Until)
}

// WorstOf returns the most frequent alarms of the figures and what the report of their rehearsal suggests. A nil report
// leaves them without suggestions, and why says for what reason.
func WorstOf(f *review.Figures, r *Report, why string) Worst {
	w := Worst{Why: why, Actors: []Actor{}}
	if r != nil {
		w.From, w.To = utc(r.From.At), utc(r.To.At)
	}
	for _, a := range f.Frequent {
		actor := Actor{Alarm: a.Alarm, Point: a.Point, Alarms: a.Alarms, Share: a.Share}
		for i := range f.Rules {
			if g := &f.Rules[i]; g.Rule == a.Alarm && g.Priority != rules.Note {
				actor.Chattering, actor.Fleeting = g.Chattering, g.Fleeting
			}
		}
		if r != nil {
			actor.rehearsed(r)
		}
		w.Actors = append(w.Actors, actor)
	}
	return w
}

// rehearsed takes what a rehearsal says of the actor.
func (a *Actor) rehearsed(r *Report) {
	for i := range r.Figures {
		f := &r.Figures[i]
		rule := &r.Rules[f.Rule]
		if rule.Name != a.Alarm {
			continue
		}
		if !f.Silent {
			a.Rehearsed = &countLine{f.Activations, f.Active.Seconds(), f.Chattering, f.Fleeting}
		}
		if f.Suggestion != nil {
			a.Suggested, a.Found = f.Suggestion.line(rule), f.Suggestion.Found
		}
		a.Words = f.words(rule)
		return
	}
	a.Words = "The rules have no such alarm any more."
}

// fewToJudge activations are too few to say that most were fleeting; common practice, no source.
const fewToJudge = 3

// words says in plain words what to do about a rule.
func (f *Figures) words(rule *rules.Rule) string {
	switch s := f.Suggestion; {
	case f.Silent:
		return "No readings of its point are kept: it was not rehearsed."
	case s != nil && s.Found:
		return s.words(rule)
	case s != nil:
		return "It chatters, and nothing is suggested: " + s.Reason + ". Look for its cause."
	case f.Activations == 0:
		return "It does not ring over the readings that are kept: what rang was before them, or its rule was changed since."
	case f.Activations < fewToJudge:
		return "It rang too seldom to suggest anything: look for its cause."
	case f.Fleeting > f.Activations/2:
		return fmt.Sprintf("%d of %d were over within a minute by themselves: look for the cause, or wait a little longer before it rings (on-delay).", f.Fleeting, f.Activations)
	}
	return "It does not chatter: no deadband or delay is asked for. Look for its cause."
}

// words says what is suggested, with the evidence.
func (s *Suggestion) words(rule *rules.Rule) string {
	var parts []string
	change := func(key, was, is string) {
		if was != is {
			parts = append(parts, key+" "+is+" instead of "+was)
		}
	}
	change("deadband", quantity(rule.Deadband, rule.Unit), quantity(s.Deadband, rule.Unit))
	change("on-delay", delay(rule.OnDelay), delay(s.OnDelay))
	change("off-delay", delay(rule.OffDelay), delay(s.OffDelay))
	text := fmt.Sprintf("Set %s: of %d alarms %d would have rung, without chatter; ", strings.Join(parts, " and "), s.Before.Activations, s.After.Activations)
	switch {
	case s.TrueAlarms == 0:
		text += fmt.Sprintf("none lasted longer than %s.", delay(s.MostDelay))
	case s.TrueAlarms == 1 && s.LargestDelay == 0:
		text += fmt.Sprintf("the one that lasted longer than %s rings as soon as now.", delay(s.MostDelay))
	case s.LargestDelay == 0:
		text += fmt.Sprintf("all %d that lasted longer than %s ring as soon as now.", s.TrueAlarms, delay(s.MostDelay))
	default:
		text += fmt.Sprintf("all %d that lasted longer than %s still ring, at most %s later.", s.TrueAlarms, delay(s.MostDelay), delay(s.LargestDelay))
	}
	if s.Partial {
		text += " It changes so often that only the readings until " + s.Until.String() + " were studied."
	}
	return text
}

func quantity(v float64, unit string) string {
	return strings.TrimSpace(strconv.FormatFloat(v, 'g', 6, 64) + " " + unit)
}

// delay writes a delay in the largest unit that leaves it whole.
func delay(d time.Duration) string {
	d = d.Round(100 * time.Millisecond)
	switch {
	case d == 0:
		return "none"
	case d >= time.Hour && d%time.Hour == 0:
		return fmt.Sprintf("%d h", d/time.Hour)
	case d >= time.Minute && d%time.Minute == 0:
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return strconv.FormatFloat(d.Seconds(), 'f', -1, 64) + " s"
}
