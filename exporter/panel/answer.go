package panel

import (
	"context"
	"errors"
	"net/http"
	"time"

	"roundsman/exporter"
	"roundsman/rules"
)

// byLink is the reason that the journal shows for an acknowledgement from a message's link.
const byLink = "by the link of a message"

// answerPage is the page behind a one-time link. It stands alone: no script, no other pages' facts, because it may be
// opened anywhere by whoever holds the link.
type answerPage struct {
	Site, Zone, Clock string
	Demo              bool
	Head              string    // what happened, or is asked, in a few words
	Words             string    // and what to do now
	Alarm             *alarmRow // nil: the link does not entitle to see one
	Person            string
	Ask               bool // show the button
	Good              bool // nothing is left to be done

	status int
}

// answer is the page behind a one-time link. GET and HEAD only look, however often: programs that scan mail and
// browsers that fetch ahead open links. A person's button makes the POST.
func (p *Panel) answer(w http.ResponseWriter, r *http.Request) error {
	var page answerPage
	if r.Method == http.MethodPost {
		page = p.acknowledged(w, r)
	} else {
		page, _ = p.asked(r)
	}
	w.Header().Set("X-Robots-Tag", "noindex, nofollow")
	return showAs(w, page.status, "answer.html", page)
}

// asked returns the page of a link that is looked at, and its claim. The page asks only if the claim may be used now.
func (p *Panel) asked(r *http.Request) (answerPage, exporter.Claim) {
	v, now := p.now()
	at := p.wallTime(now)
	page := answerPage{Site: v.Site.Name, Demo: v.Site.Demo, Zone: siteZone(v).String(), Clock: at.In(siteZone(v)).Format("Mon 2 Jan 15:04")}
	if p.opts.Links == nil || p.opts.Acts == nil {
		return page.of(exporter.ErrLinkForged), exporter.Claim{}
	}
	claim, err := p.opts.Links.Look(r.PathValue("token"), at)
	if errors.Is(err, exporter.ErrLinkUsed) && !at.Before(claim.Expires) {
		err = exporter.ErrLinkExpired // too late to learn anything by it
	}
	if err != nil && !errors.Is(err, exporter.ErrLinkUsed) {
		return page.of(err), claim
	}
	person, unknown := p.person(claim.Person)
	if unknown != nil {
		return page.end(http.StatusForbidden, "You are not known here any more",
			"The site's list of people has changed since this message was sent. Call the site, or whoever is on duty."), claim
	}
	page.Person = shown(person)
	s, ok := alarmNamed(v, claim.Alarm)
	if !ok {
		return page.end(http.StatusGone, "This alarm is gone", "The site's rules have changed since this message was sent: it has no such alarm any more."), claim
	}
	if s.Activations != claim.Activation {
		return page.end(http.StatusGone, "This link is for an earlier call",
			"That alarm ended, and began anew since. A new message with a link of its own is on its way to whoever is on duty."), claim
	}
	row := p.alarmRow(v, s, now)
	page.Alarm = &row
	return page.standing(s, err != nil), claim
}

// of returns the page of a link that cannot be used, which tells nothing of any alarm.
func (a answerPage) of(err error) answerPage {
	if errors.Is(err, exporter.ErrLinkExpired) {
		return a.end(http.StatusGone, "This link is too old", "Links are good for a few hours only. Answer by SMS, open the alarms on the site's network, or call the site.")
	}
	return a.end(http.StatusNotFound, "This link is not valid", "Perhaps it was cut short on its way: open the whole link from the message. Otherwise answer by SMS, or call the site.")
}

func (a answerPage) end(status int, head, words string) answerPage {
	a.status, a.Head, a.Words = status, head, words
	return a
}

// standing returns the page of an alarm as it is now, for somebody whose link is good, or was until it was used.
func (a answerPage) standing(s rules.Status, used bool) answerPage {
	status := http.StatusOK
	if used {
		status = http.StatusGone
	}
	switch {
	case waits(s.State) && used:
		return a.end(status, "This link was used already", "Yet the alarm waits for somebody to acknowledge it. Answer by SMS, or call the site.")
	case waits(s.State):
		a.Ask = true
		return a.end(status, a.Person+", have you got it?", "")
	case held(&s):
		a.Good = true
		return a.end(status, "Nothing to acknowledge", "Somebody has dealt with this alarm at the site; it is "+s.State.String()+" now.")
	case s.AcknowledgedBy != "":
		a.Good = true
		return a.end(status, "Acknowledged by "+s.AcknowledgedBy, "Nothing is left to be done here.")
	}
	a.Good = true
	return a.end(status, "Nothing to acknowledge", "The alarm is over.")
}

// acknowledged carries out what the button asks for and returns the page that says how it went.
func (p *Panel) acknowledged(w http.ResponseWriter, r *http.Request) answerPage {
	page, claim := p.asked(r)
	if !page.Ask {
		if page.status == http.StatusOK { // somebody was quicker
			page.status = http.StatusConflict
		}
		return page
	}
	page.Ask = false
	if _, err := readForm(w, r); err != nil {
		prob := p.problemOf(r, err)
		page.Alarm = nil
		return page.end(prob.Status, "Not done", capital(prob.Detail)+". Open the link from the message again.")
	}
	if _, err := p.opts.Links.Use(r.PathValue("token"), p.wallTime(p.board.Clock().Now())); err != nil {
		again, _ := p.asked(r) // pressed twice at once
		again.Ask, again.status = false, http.StatusConflict
		return again
	}
	act := rules.Act{Kind: rules.ActAcknowledge, Who: page.Person, Why: byLink, Activation: claim.Activation}
	// Once the link is used, the act must not depend on whether the phone stays connected.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), actWait)
	defer cancel()
	err := p.opts.Acts.Act(ctx, claim.Alarm, act)
	return p.outcome(r, page, claim, err)
}

// actWait is how long an acknowledgement may take.
const actWait = 10 * time.Second

// outcome returns the page of an act that was done, or gives its link back.
func (p *Panel) outcome(r *http.Request, page answerPage, claim exporter.Claim, err error) answerPage {
	if err == nil {
		if again, _ := p.asked(r); again.Alarm != nil {
			page.Alarm = again.Alarm
		}
		page.Good = true
		return page.end(http.StatusOK, "Done: acknowledged by "+page.Person, "No further calls go out for it while it stands. The alarm itself goes on: deal with it now.")
	}
	p.opts.Links.Return(claim)
	if errors.Is(err, rules.ErrNotNow) || errors.Is(err, rules.ErrNoAlarm) { // changed between the look and the act
		again, _ := p.asked(r)
		again.Ask = false
		if again.status == http.StatusOK {
			again.status = http.StatusConflict
		}
		return again
	}
	page.Ask = true
	prob := p.problemOf(r, actProblem(err))
	return page.end(prob.Status, "Not done", "The box could not do it just now. Press again; if that does not help, answer by SMS or call the site.")
}
