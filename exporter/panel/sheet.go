package panel

import (
	"cmp"
	"fmt"
	"html/template"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/sorting"
	"roundsman/exporter"
	"roundsman/rules"
)

// head is what every page has on top and at its foot.
type head struct {
	Title   string
	Page    string // 'sheet', 'alarms', 'point': for the script
	Site    string
	Demo    bool
	Day     string // of the view, site time
	Clock   string
	Zone    string
	Overdue string // how long no view has come, "" while they come
	Links   []linkRow

	Review     bool // the page has more of a style sheet: that of reviews
	HasReviews bool // pumps, air and water are reviewed here

	HasCalls bool   // people are called from here
	Uncalled string // that they cannot be, "" while they can
	SignIn   bool   // people sign in here

	Refresh      int     // seconds after which a browser without scripts fetches the page anew; 0 never
	Silence      int64   // milliseconds without an event after which a page calls itself old
	OverdueAfter float64 // seconds: Options.Overdue
	Mark         string  // of the view: markOf
}

// sheet is the round sheet: one line per point, as on a paper log.
type sheet struct {
	head
	Summary  string // one line: all quiet, or what is not
	Quiet    bool
	Worst    string // priority of the worst alarm, "" for none
	Counts   string // of the readings
	Alarms   []alarmRow
	Held     string // what is shelved, suppressed or out of service
	Stations []station
	Halves   [][][]station // the same in halves of quarters: a desk shows two columns, a wall four
}

type station struct {
	Name, Title string
	Note        string // '2 not good', "" if all is quiet
	Rows        []row
	Machines    []machineRow // instead of rows: what ran how long
}

type row struct {
	Point, Title string
	Kind         string // 'number', 'state', 'text'
	Value, Unit  string
	Off          bool // a state that is off: quieter still
	On, OffWord  string
	Digits       int
	Quality      string
	Reason       string
	Gone         string // the reason in two words, when the foot of the page tells the rest
	Bar          *bar
	Priority     string // of the worst alarm that stands on it, "" for none
	Alarms       []rowAlarm

	place int           // of its point in the site
	Trace template.HTML // the last hour; "" for none
	Since string        // a state is as it is, or a reading is lost; "" when that is not known
}

type rowAlarm struct{ Priority, Words string }

type alarmRow struct {
	Name, Title     string
	Point, Where    string
	Priority, State string
	Waits           bool // for somebody to acknowledge it
	Value, Against  string
	Since, For      string
	HeldSince       string // shelved, suppressed or out of service since
	Lost            bool
	Consequence     string
	Response        string
	By              string // who acknowledged, shelved or took it out
	Until           string // end of a shelve
	Follow          int    // alarms listed under this one
	Why             string
	Acts            *actRow // what the visitor may do to it; nil: nothing
}

type machineRow struct {
	Name, State, Run, Starts, Unseen string
	Running                          bool
}

type linkRow struct {
	Name, Kind, Address string
	Up                  bool
	Since               string
	Error               string
	Units               []string // those that are not good, with the reason
}

func (p *Panel) head(v *exporter.View, now collector.Moment, page, title string) head {
	zone := siteZone(v)
	at := p.wallTime(v.At).In(zone)
	h := head{Title: title, Page: page, Site: v.Site.Name, Demo: v.Site.Demo, Zone: zone.String(),
		Day: at.Format("Monday 2 January 2006"), Clock: at.Format("15:04:05"),
		Refresh: 10, Silence: 3 * p.opts.Heartbeat.Milliseconds(), OverdueAfter: p.opts.Overdue.Seconds(), Mark: markOf(v)}
	h.SignIn, h.HasReviews = p.accounts(), p.opts.Duties != nil || p.opts.Plants != nil
	if age := now.Sub(v.At); age > p.opts.Overdue {
		h.Overdue = roughly(age)
	}
	if h.HasCalls = p.opts.Callouts != nil; page == "sheet" || page == "alarms" {
		h.Uncalled = p.uncalled()
	}
	for i := range v.Links {
		h.Links = append(h.Links, p.linkRow(&v.Links[i], at))
	}
	return h
}

func siteZone(v *exporter.View) *time.Location {
	if v.Site.Zone == nil {
		return time.UTC
	}
	return v.Site.Zone
}

func (p *Panel) linkRow(l *collector.LinkStatus, at time.Time) linkRow {
	r := linkRow{Name: l.Name, Kind: l.Kind, Address: l.Address, Up: l.Up}
	if l.Since != 0 {
		r.Since = p.clockWords(l.Since, at)
	}
	if !l.Up {
		r.Error = l.LastError
	}
	for _, u := range l.Units {
		if !u.Good {
			r.Units = append(r.Units, fmt.Sprintf("unit %d: %s", u.Unit, u.Reason))
		}
	}
	return r
}

// clockWords returns a moment in site time, with its day when that is not the day of at.
func (p *Panel) clockWords(m collector.Moment, at time.Time) string {
	return timeWords(p.wallTime(m), at)
}

// timeWords returns a time where at is, with its day when that is not the day of at.
func timeWords(t, at time.Time) string {
	t = t.In(at.Location())
	if t.YearDay() == at.YearDay() && t.Year() == at.Year() {
		return t.Format("15:04:05")
	}
	return t.Format("Mon 2 Jan 15:04")
}

// sheet returns the round sheet of a view at a moment.
func (p *Panel) sheet(v *exporter.View, now collector.Moment) sheet {
	s := sheet{head: p.head(v, now, "sheet", "Round sheet")}
	for _, a := range standing(v) {
		s.Alarms = append(s.Alarms, p.alarmRow(v, a, now))
	}
	s.Held = heldWords(v)
	s.Stations = stations(v)
	p.dress(&s, v)
	s.Halves = halves(s.Stations, machines(v))
	s.summarise(v)
	return s
}

// summarise says in one line how the room is. Quiet is only what was looked at:
// a reading or link that is lost is no health.
func (s *sheet) summarise(v *exporter.View) {
	n := countQualities(v)
	s.Counts = fmt.Sprintf("%d of %d readings good", n[collector.Good], len(v.Site.Points))
	down := 0
	for _, l := range s.Links {
		if !l.Up || len(l.Units) > 0 {
			down++
		}
	}
	var but []string
	add := func(n int, what string) {
		if n > 0 {
			but = append(but, fmt.Sprintf("%d %s", n, what))
		}
	}
	add(down, plural(down, "link not right", "links not right"))
	add(n[collector.Bad], plural(n[collector.Bad], "reading lost", "readings lost"))
	add(n[collector.Uncertain], plural(n[collector.Uncertain], "reading doubted", "readings doubted"))
	add(n[collector.Unread], "not read yet")
	switch {
	case len(s.Alarms) > 0:
		s.Summary = fmt.Sprintf("%d %s", len(s.Alarms), plural(len(s.Alarms), "alarm", "alarms"))
		s.Worst = s.Alarms[0].Priority
		if high := countPriority(s.Alarms, "high"); high > 0 && high < len(s.Alarms) {
			s.Summary += fmt.Sprintf(", %d of high priority", high)
		}
	case len(but) > 0 || s.Overdue != "":
		s.Summary = "No alarms"
	default:
		s.Summary, s.Quiet = "All quiet", true
	}
	if len(but) > 0 {
		s.Counts += "; " + strings.Join(but, ", ")
	}
}

func countPriority(list []alarmRow, priority string) (n int) {
	for i := range list {
		if list[i].Priority == priority {
			n++
		}
	}
	return n
}

// countQualities returns how many readings there are of each quality.
func countQualities(v *exporter.View) (n [collector.Bad + 1]int) {
	for i := range v.Site.Points {
		n[min(reading(v, i).Quality, collector.Bad)]++
	}
	return n
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// stands reports whether an alarm is on the list that somebody must look at.
func stands(s *rules.Status) bool {
	return s.State >= rules.Unacknowledged && s.State <= rules.LatchAcknowledged
}

func waits(s rules.State) bool {
	return s == rules.Unacknowledged || s == rules.ReturnUnacknowledged || s == rules.LatchUnacknowledged
}

// standing returns the alarms that stand, worst first: those still true before
// those that returned, by priority, not acknowledged first, newest first.
func standing(v *exporter.View) []rules.Status {
	var list []rules.Status
	for i := range v.Alarms {
		if stands(&v.Alarms[i]) && known(v, v.Alarms[i]) {
			list = append(list, v.Alarms[i])
		}
	}
	rank := func(s rules.Status) int {
		n := 4 * int(v.Site.Rules[s.Rule].Priority)
		if s.Active {
			n += 100
		}
		if waits(s.State) {
			n++
		}
		return n
	}
	sorting.StableFunc(list, func(a, b rules.Status) int {
		return cmp.Or(cmp.Compare(rank(b), rank(a)), cmp.Compare(b.Started, a.Started))
	})
	return list
}

func heldWords(v *exporter.View) string {
	var n [states]int
	for i := range v.Alarms {
		if s := v.Alarms[i].State; int(s) < len(n) {
			n[s]++
		}
	}
	var parts []string
	for _, s := range []rules.State{rules.Shelved, rules.SuppressedByDesign, rules.OutOfService} {
		if n[s] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n[s], s.String()))
		}
	}
	return strings.Join(parts, ", ")
}

func (p *Panel) alarmRow(v *exporter.View, s rules.Status, now collector.Moment) alarmRow {
	r := &v.Site.Rules[s.Rule]
	at := p.wallTime(v.At).In(siteZone(v))
	a := alarmRow{
		Name: r.Name, Title: alarmTitle(r.Name), Priority: r.Priority.String(), State: s.State.String(),
		Waits: waits(s.State), Value: alarmValue(v.Site, r, &s), Against: conditionWords(v.Site, r), Lost: s.ReadingLost,
		Consequence: r.Consequence, Response: r.Response, By: s.AcknowledgedBy, Follow: len(s.Consequences), Why: s.Why,
		Point: pointName(v, r.Point),
	}
	if s.State == rules.Shelved || s.State == rules.OutOfService {
		a.By = s.By
	}
	if s.State == rules.Shelved && s.Until != 0 {
		a.Until = p.clockWords(s.Until, at)
	}
	switch {
	case s.Active:
	case stands(&s):
		a.Against = "was " + a.Against
	default:
		a.Value = "" // of long ago, and not against the limit
		if held(&s) {
			a.Against = "not in alarm now (" + a.Against + ")"
		}
	}
	if a.Point != "" {
		pt := &v.Site.Points[r.Point]
		title, _, _ := formOf(pt)
		a.Where = inWords(pt.Station) + ", " + lower(title)
	}
	switch m := since(s); {
	case m == 0:
	case stands(&s):
		a.Since, a.For = p.clockWords(m, at), roughly(now.Sub(m))
	case held(&s):
		a.HeldSince = p.clockWords(m, at) // which says nothing of its condition
	}
	return a
}

// held reports whether an alarm is shelved, suppressed by design or out of service.
func held(s *rules.Status) bool { return s.State >= rules.Shelved }

// alarmTitle returns a rule's name in words; the point of a rule over several stands elsewhere.
func alarmTitle(name string) string {
	head, _, _ := strings.Cut(name, ":")
	return inWords(head)
}

func lower(s string) string {
	if len(s) > 1 && s[0] >= 'A' && s[0] <= 'Z' && s[1] >= 'a' && s[1] <= 'z' {
		return string(s[0]-'A'+'a') + s[1:]
	}
	return s
}

// stations returns the points by station, in the order of the site file; what
// Roundsman makes of its own links comes last.
func stations(v *exporter.View) []station {
	var list []station
	at := map[string]int{}
	all, alarms := limitsOf(v.Site), alarmsByPoint(v)
	for i := range v.Site.Points {
		p := &v.Site.Points[i]
		n, ok := at[p.Station]
		if !ok {
			n = len(list)
			at[p.Station] = n
			list = append(list, station{Name: p.Station, Title: inWords(p.Station)})
		}
		list[n].Rows = append(list[n].Rows, newRow(v, i, all[i], alarms[i]))
	}
	for i := range list {
		list[i].Note = noteOf(list[i].Rows)
	}
	sorting.StableFunc(list, func(a, b station) int { return cmp.Compare(boxLast(a), boxLast(b)) })
	return list
}

func boxLast(s station) int {
	if s.Name == "box" {
		return 1
	}
	return 0
}

func noteOf(rows []row) string {
	alarms, bad := 0, 0
	for i := range rows {
		alarms += len(rows[i].Alarms)
		if q := rows[i].Quality; q != collector.Good.String() && q != collector.Unread.String() {
			bad++
		}
	}
	var parts []string
	if alarms > 0 {
		parts = append(parts, fmt.Sprintf("%d %s", alarms, plural(alarms, "alarm", "alarms")))
	}
	if bad > 0 {
		parts = append(parts, fmt.Sprintf("%d not good", bad))
	}
	return strings.Join(parts, ", ")
}

// alarmsByPoint returns the standing alarms of each point, worst first.
func alarmsByPoint(v *exporter.View) [][]rules.Status {
	by := make([][]rules.Status, len(v.Site.Points))
	for _, s := range standing(v) {
		if id := v.Site.Rules[s.Rule].Point; id >= 0 && int(id) < len(by) {
			by[id] = append(by[id], s)
		}
	}
	return by
}

func newRow(v *exporter.View, i int, l limits, alarms []rules.Status) row {
	p, r := &v.Site.Points[i], reading(v, i)
	title, on, off := formOf(p)
	w := row{place: i, Point: p.Name, Title: title, Kind: "number", On: on, OffWord: off, Digits: p.Digits,
		Quality: r.Quality.String(), Reason: r.Reason(), Value: "–", Bar: newBar(p, l, &r)}
	if r.Quality.Usable() {
		w.Value = valueWords(p, &r)
	}
	switch p.Kind {
	case collector.State:
		w.Kind, w.Off = "state", r.Value == 0
	case collector.Text:
		w.Kind = "text"
	default:
		if r.Quality.Usable() {
			w.Value = decimal(r.Value, p.Digits)
		}
		w.Unit = symbols.Replace(p.Unit)
	}
	switch r.Fault {
	case collector.NotRead, collector.LinkLost, collector.DeviceOffline, collector.MapMoved, collector.UnitDisturbed:
		if len(alarms) == 0 && !r.Quality.Usable() {
			w.Gone = r.Fault.String()
		}
	}
	for j := range alarms {
		rule := &v.Site.Rules[alarms[j].Rule]
		words := ": " + conditionWords(v.Site, rule)
		if !alarms[j].Active {
			words = ": was" + words[1:] + ", returned"
		}
		w.Alarms = append(w.Alarms, rowAlarm{rule.Priority.String(), alarmTitle(rule.Name) + words})
	}
	if len(w.Alarms) > 0 {
		w.Priority = w.Alarms[0].Priority
	}
	return w
}

func machines(v *exporter.View) (list []machineRow) {
	for i := range v.Equipment {
		list = append(list, machine(&v.Equipment[i]))
	}
	return list
}

func machine(e *exporter.Equipment) machineRow {
	m := machineRow{Name: inWords(e.Name), State: "not known", Running: e.Known && e.Running,
		Run: roughly(time.Duration(e.RunSeconds * float64(time.Second))), Starts: fmt.Sprint(e.Starts)}
	switch {
	case e.Known && e.Running:
		m.State = "running"
	case e.Known:
		m.State = "stopped"
	}
	if e.UnseenSeconds >= 1 {
		m.Unseen = roughly(time.Duration(e.UnseenSeconds * float64(time.Second)))
	}
	return m
}
