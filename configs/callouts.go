package configs

import (
	"net/url"
	"slices"
	"strings"
	"time"

	"roundsman/configs/strict"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/desk"
	"roundsman/rules"
)

// Callout is how people are called, as the contacts file has it. Without one it is empty: nobody is called.
type Callout struct {
	Plan      callout.Plan
	Channels  []Channel // in the order of the file
	Heartbeat *Heartbeat
	Drill     *Drill
	Links     Links
	Wording   desk.Wording

	places []strict.Problem // of Plan.Routes, for what is said about them later
}

// Links are how a person acknowledges from the phone.
type Links struct {
	Address string        // of the pages as a phone reaches them, without a slash at its end; "": no links
	Life    time.Duration // how long one is good; 0: the default
}

// Calls reports whether anybody can be called at all.
func (c *Callout) Calls() bool { return len(c.Plan.Routes) > 0 }

// Channel returns the channel of a name.
func (c *Callout) Channel(name string) (Channel, bool) {
	for _, ch := range c.Channels {
		if ch.Name == name {
			return ch, true
		}
	}
	return Channel{}, false
}

// Starting values, common practice without a source: a burst of consequences comes within two seconds; a person who
// gets more than twenty messages in an hour reads none of them; and with the internet gone the text must be on its way
// half a minute after the alarm.
const (
	defaultMerge    = 2 * time.Second
	defaultPerHour  = 20
	defaultPatience = 20 * time.Second
)

// callOuts reads what of the contacts file is about calling.
func (b *builder) callOuts(file *strict.Value) {
	c := &b.site.Callout
	c.Plan.Site = b.site.Name
	b.channels(file.Get("channels"))
	patience := b.limits(file.Get("limits"))
	for _, e := range file.Get("people").Entries() {
		b.contact(e, patience)
	}
	for _, e := range file.Get("rota").Entries() {
		b.addRota(e)
	}
	quiet := b.quiet(file.Get("quiet-hours"))
	for _, e := range file.Get("call-outs").Entries() {
		b.addRoute(e, quiet)
	}
	if v := file.Get("box"); v != nil && b.routeExists(v) {
		b.ownCallOut = v.Text()
	}
	for _, e := range file.Get("clock-not-set").Entries() {
		if b.callable(e) {
			c.Plan.NoClock = append(c.Plan.NoClock, callout.Who{Person: e.Text()})
		}
	}
	c.Links = b.phoneLinks(file.Get("links"))
	b.wording(file.Get("wording"))
	c.Heartbeat = b.heartbeat(file.Get("heartbeat"))
	c.Drill = b.drill(file.Get("drill"))
}

func (b *builder) limits(v *strict.Value) (patience time.Duration) {
	p := &b.site.Callout.Plan
	p.Merge = b.between(v.Get("merge"), 0, time.Minute, defaultMerge)
	if p.Merge == 0 {
		p.Merge = -1 // 0 would ask the desk for its own choice
	}
	p.PerHour = v.Get("per-hour").Int(defaultPerHour)
	return b.between(v.Get("patience"), time.Second, time.Hour, defaultPatience)
}

// contact takes over how a person is reached. Who has no channels is not called.
func (b *builder) contact(v *strict.Value, patience time.Duration) {
	b.people = append(b.people, v.Key())
	if !v.Has("channels") {
		misplaced(v, "goes with channels", "patience", "wake")
		return
	}
	b.reachable[v.Key()] = true
	b.site.Callout.Plan.Contacts = append(b.site.Callout.Plan.Contacts, callout.Contact{
		ID: v.Key(), Name: strings.TrimSpace(v.Get("name").Text()), Addresses: b.addresses(v.Key(), v.Get("channels")),
		Patience: b.between(v.Get("patience"), time.Second, time.Hour, patience), Wake: b.wake(v.Get("wake")),
	})
}

func (b *builder) phoneLinks(v *strict.Value) (l Links) {
	a := v.Get("address")
	if a == nil {
		return l
	}
	l.Life = b.between(v.Get("life"), time.Minute, 7*day, 0)
	u, err := url.Parse(a.Text())
	switch {
	case err != nil || u.Hostname() == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" || u.Scheme != "https" && u.Scheme != "http" || u.Port() != "" && !goodPort(u.Port()):
		a.Failf("%q is no address of pages; expected one such as https://box.wash.example", short(a.Text()))
	case u.Scheme == "http" && !loopback(u.Hostname()):
		a.Remarkf("links to %s are not encrypted: whoever listens on the way can use them", u.Host)
	}
	l.Address = strings.TrimRight(a.Text(), "/")
	return l
}

func (b *builder) wording(v *strict.Value) {
	read := func(v *strict.Value) desk.Form {
		return desk.Form{Title: v.Get("title").Text(), Short: v.Get("short").Text(), Text: v.Get("text").Text()}
	}
	w := desk.Wording{Alarm: read(v.Get("alarm")), Return: read(v.Get("return"))}
	if v == nil {
		return
	}
	b.site.Callout.Wording = w
	if err := w.Check(); err != nil && v.Whole() {
		v.KeyFailf("%s", strings.TrimPrefix(err.Error(), "wording of "))
	}
}

func (b *builder) addRota(v *strict.Value) {
	switch {
	case !goodName(v):
		return
	case slices.Contains(b.people, v.Key()):
		v.KeyFailf("a person has this name already")
		return
	case v.Key() == nobody:
		v.KeyFailf("%s is the word for no person at all", nobody)
		return
	}
	b.rotas = append(b.rotas, v.Key())
	p := &b.site.Callout.Plan
	p.Rotas = append(p.Rotas, callout.Rota{Name: v.Key(), Turn: b.rota(v, b.callable)})
}

// callable complains about a name that is no person with channels.
func (b *builder) callable(v *strict.Value) bool {
	name := v.Text()
	switch {
	case !slices.Contains(b.people, name):
		v.Failf("unknown person %q%s", short(name), v.GuessFrom(name, func() []string { return b.people }))
		return false
	case !b.reachable[name]:
		v.Failf("%s has no channels and cannot be called", name)
		return false
	}
	return true
}

// who reads people and rotas.
func (b *builder) who(v *strict.Value) []callout.Who {
	var out []callout.Who
	for _, e := range v.Entries() {
		w := callout.Who{Person: e.Text()}
		if i := slices.Index(b.rotas, e.Text()); i >= 0 {
			w = callout.Who{Rota: i}
		} else if !slices.Contains(b.people, e.Text()) {
			e.Failf("unknown person or rota %q%s", short(e.Text()), e.GuessFrom(e.Text(), func() []string { return slices.Concat(b.people, b.rotas) }))
			continue
		} else if !b.callable(e) {
			continue
		}
		if slices.Contains(out, w) {
			e.Failf("%s stands twice", e.Text())
			continue
		}
		out = append(out, w)
	}
	return out
}

type quietHours = [rules.HighPriority + 1]rules.Hours

func (b *builder) quiet(v *strict.Value) quietHours {
	var q quietHours
	for word, p := range map[string]rules.Priority{"low": rules.LowPriority, "medium": rules.MediumPriority} {
		if h := v.Get(word); h != nil {
			q[p] = b.hours(h)
		}
	}
	return q
}

func (b *builder) addRoute(v *strict.Value, quiet quietHours) {
	if !goodName(v) {
		return
	}
	r := callout.Route{Name: v.Key(), Quiet: quiet, Return: b.who(v.Get("return"))}
	for _, s := range v.Get("steps").Entries() {
		step := callout.Step{After: b.duration(s.Get("after"), 0), Who: b.who(s.Get("who"))}
		switch n := len(r.Steps); {
		case step.After < 0 || step.After > day:
			s.Get("after").Failf("%s is outside 0s to 24h", s.Get("after").Text())
		case n > 0 && step.After <= r.Steps[n-1].After:
			s.Failf("comes after %s, no later than the step before it", show(step.After))
		}
		r.Steps = append(r.Steps, step)
	}
	r.Again = b.between(v.Get("again"), time.Minute, day, 0)
	r.Open = b.openHours(v.Get("open"))
	if q := v.Get("quiet-hours"); q.IsTable() {
		r.Quiet = b.quiet(q)
	} else if q != nil {
		r.Quiet = quietHours{}
	}
	c := &b.site.Callout
	c.Plan.Routes = append(c.Plan.Routes, r)
	c.places = append(c.places, v.KeyPlace())
}

// openHours reads hours, or finds a condition of the site file that has them.
func (b *builder) openHours(v *strict.Value) rules.Hours {
	switch {
	case v == nil:
		return nil
	case v.IsTable():
		return b.hours(v)
	}
	i, ok := b.conditions.find(v.Text())
	switch {
	case !ok:
		v.Failf("unknown condition %q%s; expected hours, or a condition of the site file that has hours", short(v.Text()), v.GuessFrom(v.Text(), b.conditions.names))
		return nil
	case b.conditions.list[i].Hours == nil || b.conditions.list[i].NotHours || len(b.conditions.list[i].Terms)+len(b.conditions.list[i].Until) > 0:
		v.Failf("%s has more to it than hours, or none", v.Text())
		return nil
	}
	b.conditions.use(i)
	return b.conditions.list[i].Hours
}

func (b *builder) routeNames() []string {
	var out []string
	for _, r := range b.site.Callout.Plan.Routes {
		out = append(out, r.Name)
	}
	return out
}

// routeExists complains about a call-out that is none.
func (b *builder) routeExists(v *strict.Value) bool {
	if slices.Contains(b.routeNames(), v.Text()) {
		return true
	}
	v.Failf("unknown call-out %q%s", short(v.Text()), v.GuessFrom(v.Text(), b.routeNames))
	return false
}

// checkCallOuts finds the call-outs that rules name. A site that calls nobody is good, and is told so.
func (b *builder) checkCallOuts(top, file *strict.Value) {
	named := 0
	for _, e := range b.entries {
		v := e.get("call-out")
		if v == nil {
			continue
		}
		named++
		if file.Has("call-outs") {
			b.routeExists(v)
		}
	}
	switch {
	case named == 0 || file.Has("call-outs"):
	case !top.Has("contacts"):
		top.Get("site").Remarkf("nobody is called: no contacts file")
	case file != nil:
		file.Get("people").Remarkf("nobody is called: no call-outs are given, and %d alarms name one", named)
	}
}
