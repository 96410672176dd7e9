package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"roundsman/collector"
	"roundsman/collector/practice/terms"
	"roundsman/exporter"
	"roundsman/exporter/callout"
	"roundsman/rules"
)

const (
	screenEvery = time.Second      // a terminal's screen is drawn anew
	lineEvery   = 10 * time.Second // plain output gets a line, and one at each change of an alarm
)

// show prints the demo: a screen that is drawn anew on a terminal, lines elsewhere.
type show struct {
	d       *daemon
	out     io.Writer
	screen  screen
	size    func() (width, height int, ok bool) // of the terminal
	events  chan []rules.Event
	calls   chan callout.Dispatch // that a channel took
	began   time.Time
	started map[int]int // activations by rule
	address string
}

func newShow(d *daemon, out io.Writer, address, note string, plain bool) *show {
	s := &show{d: d, out: out, address: address, began: time.Now(), started: map[int]int{}, events: make(chan []rules.Event, 64), calls: make(chan callout.Dispatch, 64),
		screen: screen{address: address, note: note}, size: func() (int, int, bool) { return 0, 0, false }}
	if f, ok := out.(*os.File); ok && !plain && term.IsTerminal(int(f.Fd())) {
		s.size = func() (int, int, bool) {
			w, h, err := term.GetSize(int(f.Fd()))
			return w, h, err == nil
		}
	}
	// the judge waits for the show rather than lose an alarm's line; the queue is for the time a screen takes
	d.judge.onEvents = func(ctx context.Context, events []rules.Event) {
		select {
		case s.events <- append([]rules.Event(nil), events...):
		case <-ctx.Done():
		}
	}
	d.judge.onCall = func(ctx context.Context, sent *callout.Dispatch) {
		if sent.State != callout.HandedOver {
			return
		}
		select {
		case s.calls <- *sent:
		case <-ctx.Done():
		}
	}
	return s
}

// greet says where everything is.
func (s *show) greet(a terms.Addresses) {
	site := s.d.site
	read := 0
	for _, p := range site.Points {
		if p.Link != "" && p.Station != "box" {
			read++
		}
	}
	fmt.Fprintf(s.out, "%s, a practice plant: %d points over Modbus TCP (%s), Modbus RTU (%s) and MQTT (%s)\n",
		site.Name, read, a.PLC, a.Meters, a.Yard)
	fmt.Fprintf(s.out, "round sheet  %s/\nmetrics      %s/metrics\nalarms       %s/api/v1/alarms\n", s.address, s.address, s.address)
	if s.screen.note != "" {
		fmt.Fprintf(s.out, "plays        %s\n", s.screen.note)
	}
	fmt.Fprintln(s.out, watchesOnly)
}

// run shows until ctx ends.
func (s *show) run(ctx context.Context) error {
	every := lineEvery
	_, _, onTerminal := s.size()
	if onTerminal {
		every = screenEvery
		fmt.Fprint(s.out, "\x1b[?25l") // hide the cursor
		defer fmt.Fprint(s.out, "\x1b[?25h")
	}
	t := time.NewTicker(every)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case events := <-s.events:
			s.count(events)
			if !onTerminal {
				s.lines(events)
				continue
			}
		case d := <-s.calls:
			if !onTerminal {
				s.call(&d)
				continue
			}
			s.screen.called = fmt.Sprintf("%s by %s: %s", d.Message.Person, d.Through, d.Message.Title)
		case <-t.C:
			if !onTerminal {
				s.line()
				continue
			}
		}
		s.redraw()
	}
}

func (s *show) count(events []rules.Event) {
	for _, e := range events {
		if e.Kind == rules.EventStarted {
			s.started[e.Rule]++
		}
	}
}

func (s *show) redraw() {
	w, h, ok := s.size()
	if !ok {
		return
	}
	s.screen.width, s.screen.height = w, h-1
	var b strings.Builder
	b.WriteString("\x1b[H")
	for _, l := range s.screen.draw(s.d.board.View()) {
		b.WriteString(l + "\x1b[K\n")
	}
	b.WriteString("\x1b[J")
	io.WriteString(s.out, b.String())
}

// lines prints each change of an alarm; what one cause suppresses together takes one line.
func (s *show) lines(events []rules.Event) {
	v := s.d.board.View()
	type silence struct {
		kind rules.EventKind
		why  string
	}
	together := map[silence]int{}
	for _, e := range events {
		together[silence{e.Kind, e.Why}]++
	}
	for _, e := range events {
		key := silence{e.Kind, e.Why}
		n := together[key]
		switch quiet := e.Kind == rules.EventSuppressed || e.Kind == rules.EventUnsuppressed; {
		case quiet && n == 0: // told
		case quiet && n > 1:
			fmt.Fprintf(s.out, "%s  %s %s%s\n", timeOf(v, e.At), countOf(n, "alarm"), e.Kind, inBrackets(e.Why))
			together[key] = 0
		default:
			s.event(v, e)
		}
	}
}

func (s *show) event(v *exporter.View, e rules.Event) {
	r := &v.Site.Rules[e.Rule]
	fmt.Fprintf(s.out, "%s  %-6s %-28s %s", timeOf(v, e.At), r.Priority, r.Name, e.Kind)
	if e.Kind != rules.EventStarted {
		fmt.Fprintln(s.out, inBrackets(e.Why))
		return
	}
	what := r.Describe(e.Value, v.Site.Points)
	if e.Why != "" {
		what += ": " + e.Why
	}
	fmt.Fprintf(s.out, ": %s. %s\n", what, firstSentence(r.Response))
}

// call prints that a message was taken by a channel.
func (s *show) call(d *callout.Dispatch) {
	v := s.d.board.View()
	fmt.Fprintf(s.out, "%s  call   %-28s %s told by %s: %s\n", timeOf(v, v.At), d.Message.Alarm, d.Message.Person, d.Through, d.Message.Short)
}

func inBrackets(why string) string {
	if why == "" {
		return ""
	}
	return " (" + why + ")"
}

// line prints how the room is, in one line.
func (s *show) line() {
	v := s.d.board.View()
	good, bad := 0, 0
	for _, r := range v.Readings {
		switch {
		case r.Quality.Usable():
			good++
		case r.Quality == collector.Bad:
			bad++
		}
	}
	var headline []string
	for _, name := range []string{"air.header.pressure", "hyd.oil.temperature", "reclaim.tank.level", "fresh.tank.level", "reclaim.turbidity", "vehicles.count"} {
		if p, ok := s.d.site.Point(name); ok && v.Readings[p.ID].Quality.Usable() {
			headline = append(headline, strings.ReplaceAll(name, ".", " ")+" "+withUnit(&p, v.Readings[p.ID].Value))
		}
	}
	fmt.Fprintf(s.out, "%s  %d points good, %d bad, %s; %s\n", timeOf(v, v.At), good, bad, countOf(len(activeAlarms(v)), "alarm"), strings.Join(headline, ", "))
}

// summary ends the demo: what was read, what rang.
func (s *show) summary() error {
	v := s.d.board.View()
	var asked, answered uint64
	for _, l := range v.Links {
		for o, n := range l.Requests {
			asked += n
			if collector.Outcome(o) == collector.Answered {
				answered += n
			}
		}
	}
	good := 0
	for _, r := range v.Readings {
		if r.Quality.Usable() {
			good++
		}
	}
	fmt.Fprintf(s.out, "\nran %s: %d requests and messages, %d answered; %d of %d points good at the end; %s\n",
		time.Since(s.began).Round(time.Second), asked, answered, good, len(v.Readings), s.rang(v))
	return nil
}

// rang lists which alarms started, and how often.
func (s *show) rang(v *exporter.View) string {
	var names []string
	total := 0
	for i := range v.Site.Rules {
		if n := s.started[i]; n > 0 {
			total += n
			name := v.Site.Rules[i].Name
			if n > 1 {
				name += fmt.Sprintf(" (%d times)", n)
			}
			names = append(names, name)
		}
	}
	if total == 0 {
		return "no alarm"
	}
	return countOf(total, "alarm") + ": " + strings.Join(names, ", ")
}

// countOf says how many of a thing there are: '1 alarm', '2 alarms'.
func countOf(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
