package desk

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"roundsman/exporter/callout"
	"roundsman/rules"
)

// answer takes what a person sent back. One from an unknown sender counts for nothing.
func (d *Desk) answer(a *callout.Answer) {
	d.changed = true
	who := d.sender(a.From)
	if who == nil {
		d.remark(Unheeded, "", a.From, "an answer from an unknown sender")
		return
	}
	n, ok := a.Number, a.Number > 0
	if !ok {
		n, ok = d.o.Parse(a.Text)
	}
	switch {
	case !ok:
		d.remark(Unheeded, "", who.label(), "an answer that does not say ok: "+short(a.Text))
	case n == 0:
		d.answerAll(who)
	case d.numbers[n] == nil:
		d.remark(Unheeded, "", who.label(), fmt.Sprintf("ok %d: no call has that number", n))
	default:
		d.answerNumber(who, n)
	}
}

// contact is a person as answers find them.
type contact struct{ *callout.Contact }

func (c contact) label() string {
	if c.Name != "" {
		return c.Name
	}
	return c.ID
}

// sender finds the contact by a phone number, another address, or the id.
func (d *Desk) sender(from string) *contact {
	for i := range d.o.Plan.Contacts {
		c := &d.o.Plan.Contacts[i]
		if c.ID == from {
			return &contact{c}
		}
		for _, a := range c.Addresses {
			if a.To != "" && sameAddress(a.To, from) {
				return &contact{c}
			}
		}
	}
	return nil
}

// sameAddress compares two addresses; of phone numbers only '+' and the digits count.
func sameAddress(a, b string) bool {
	if strings.HasPrefix(a, "+") {
		return phone(a) == phone(b)
	}
	return strings.EqualFold(a, b)
}

func phone(s string) string {
	return strings.Map(func(r rune) rune {
		if strings.ContainsRune(" -./()", r) {
			return -1
		}
		return r
	}, s)
}

// answerNumber acknowledges what the number stands for.
func (d *Desk) answerNumber(who *contact, n int) {
	k := d.numbers[n]
	if k.Drill != "" {
		d.drillAnswered(k.Drill, who)
		return
	}
	d.remark(Answered, k.Alarms[0], who.label(), fmt.Sprintf("ok %d", n))
	for _, name := range k.Alarms {
		if rule := d.ruleOf(name); rule >= 0 {
			d.out.Acts = append(d.out.Acts, rules.Act{Kind: rules.ActAcknowledge, Rule: rule, Who: who.label()})
		}
	}
}

// answerAll takes a bare 'ok': it is good where it can only mean one thing.
func (d *Desk) answerAll(who *contact) {
	var open []string
	for _, rule := range sorted(d.calls) {
		if c := d.calls[rule]; !c.Acked && slices.Contains(c.All, who.ID) {
			open = append(open, d.rule(rule).Name)
		}
	}
	var fit []int
	for _, n := range sorted(d.numbers) {
		k := d.numbers[n]
		covers := k.Drill == who.ID || k.Drill == "" && len(open) > 0 && !slices.ContainsFunc(open, func(name string) bool { return !slices.Contains(k.Alarms, name) })
		if covers {
			fit = append(fit, n)
		}
	}
	single := len(fit) > 0 && (len(open) == 0 || d.numbers[fit[0]].Drill == "")
	if len(fit) > 1 && d.numbers[fit[len(fit)-1]].Drill != d.numbers[fit[0]].Drill {
		single = false // an alarm and a drill
	}
	switch {
	case single:
		d.answerNumber(who, fit[0])
	case len(open) == 0:
		d.remark(Unheeded, "", who.label(), "ok: no call to this person is open")
	default:
		d.ask(who, open)
	}
}

// ask sends a question back: nothing is acknowledged by a guess.
func (d *Desk) ask(who *contact, open []string) {
	var choice []string
	for _, name := range open {
		n := d.numberFor([]string{name})
		choice = append(choice, "OK "+strconv.Itoa(n)+" "+d.brief(d.ruleOf(name)))
	}
	d.remark(Unheeded, open[0], who.label(), "ok: several calls to this person are open; asked which")
	m := callout.Message{Subject: callout.AboutAnswer, Thread: "answer", Title: d.o.Plan.Site + ": which one?"}
	m.Text = "Several calls to you are open. Reply with one of:\n" + strings.Join(choice, "\n") + "\n\n" + callout.Caution
	m.Short = clip(callout.Plain(d.o.Plan.Site+": which one? "+strings.Join(choice, ", ")), callout.Room)
	m.HTML = html(m.Title, m.Text, "")
	d.person(who.ID).Sent = append(d.person(who.ID).Sent, d.now)
	d.dispatch(who.ID, m, callout.Waiting)
}

func (d *Desk) remark(k RemarkKind, alarm, who, why string) {
	d.out.Remarks = append(d.out.Remarks, Remark{Kind: k, Alarm: alarm, Who: who, Why: why})
}

// short keeps a stranger's text from filling the journal.
func short(text string) string {
	r := []rune(strings.Join(strings.Fields(text), " "))
	if len(r) > 60 {
		return string(r[:60]) + "..."
	}
	return string(r)
}

// parse reads 'ok', 'OK 7', 'ok7 thanks'; a word that only begins like it is none.
func parse(text string) (n int, ok bool) {
	rest, ok := strings.CutPrefix(strings.ToLower(strings.TrimSpace(text)), "ok")
	if !ok {
		return 0, false
	}
	rest = strings.TrimPrefix(rest, "ay")
	if rest != "" && rest[0] >= 'a' && rest[0] <= 'z' {
		return 0, false
	}
	rest = strings.TrimLeft(rest, " #.,")
	end := 0
	for end < len(rest) && end < 6 && rest[end] >= '0' && rest[end] <= '9' {
		end++
	}
	if end == 0 {
		return 0, true
	}
	n, _ = strconv.Atoi(rest[:end]) // digits only
	return n, true
}
