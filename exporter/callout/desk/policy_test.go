package desk_test

import (
	"fmt"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // whatever the machine has

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/desk"
	"roundsman/rules"
)

func TestEscalatesUntilSomebodyAcknowledges(t *testing.T) {
	b := newBench(t, desk.Options{Plan: ladder(), Rules: []rules.Rule{rule("oil-hot", 3, rules.High, 70, rules.MediumPriority)}})
	wantPeople(t, "at the start", b.step(valued(ev(0, rules.EventStarted), 71)), "")
	wantPeople(t, "after the merge", b.wait(2*time.Second), "ann:alarm:oil-hot")
	wantPeople(t, "in 5 minutes", b.wait(5*time.Minute), "ben:alarm:oil-hot") // ann was called: not again
	b.step(ev(0, rules.EventAcknowledged))
	wantPeople(t, "after the acknowledgement", b.wait(24*time.Hour), "")
	b.step(ev(0, rules.EventRealarmed))
	wantPeople(t, "after the re-alarm", b.wait(6*time.Minute), "ann:alarm:oil-hot ben:alarm:oil-hot")
	b.step(valued(ev(0, rules.EventReturned), 66))
	wantPeople(t, "after the return", b.wait(time.Hour), "ann:return:oil-hot ben:return:oil-hot")
	wantPeople(t, "for ever after", b.wait(72*time.Hour), "")
}

func TestHighWithoutKinGoesAtOnce(t *testing.T) {
	b := newBench(t, desk.Options{Plan: ladder(), Rules: []rules.Rule{
		rule("alone", 0, rules.Low, 5.5, rules.HighPriority), rule("cause", 0, rules.Low, 5.5, rules.HighPriority), rule("consequence", 0, rules.Low, 5.5, rules.HighPriority, 1)}})
	wantPeople(t, "alone", b.step(ev(0, rules.EventStarted)), "ann:alarm:alone")
	wantPeople(t, "a cause", b.step(ev(1, rules.EventStarted)), "")
	wantPeople(t, "a consequence", b.step(ev(2, rules.EventStarted)), "")
	wantPeople(t, "both, merged", b.wait(2*time.Second), "ann:alarm:cause")
}

func TestWhatNeverCalls(t *testing.T) {
	note := rule("note", 0, rules.Low, 1, rules.Note)
	silent := rule("silent", 0, rules.Low, 1, rules.HighPriority)
	silent.CallOut = ""
	b := newBench(t, desk.Options{Plan: ladder(), Rules: []rules.Rule{note, silent, rule("oil", 3, rules.High, 70, rules.HighPriority)}})
	b.step(ev(0, rules.EventStarted), ev(1, rules.EventStarted), ev(2, rules.EventShelved), ev(2, rules.EventConditionTrue))
	wantPeople(t, "note, no route, shelved", b.wait(time.Hour), "")
	for _, kind := range []rules.EventKind{rules.EventShelved, rules.EventTakenOut, rules.EventSuppressed} {
		b.step(ev(2, rules.EventStarted))
		b.step(ev(2, kind))
		wantPeople(t, kind.String()+": nothing but the first call", b.wait(time.Hour), "")
	}
	if n := len(b.all); n != 3 {
		t.Errorf("messages: got %d, want 3", n)
	}
}

// A mains failure: the compressor's fault contact comes a second before, all else after. One message counts them all.
func TestPowerFailureIsOneMessage(t *testing.T) {
	list := []rules.Rule{rule("mains-lost", 1, rules.Equals, 0, rules.HighPriority)}
	for i := range 12 {
		list = append(list, rule(fmt.Sprintf("alarm-%d", i+1), 2, rules.Equals, 1, rules.HighPriority, 0))
	}
	list[1].Name = "compressor-fault"
	b := newBench(t, desk.Options{Plan: ladder(), Rules: list})
	b.step(ev(1, rules.EventStarted))
	b.wait(time.Second)
	events := []rules.Event{ev(0, rules.EventStarted)}
	for i := range 12 {
		e := ev(i+1, rules.EventSuppressed)
		e.Why = "mains-lost"
		if i == 0 {
			e.From = rules.Unacknowledged
		}
		events = append(events, e)
	}
	b.step(events...)
	for i := 1; i < 12; i++ {
		b.wait(50 * time.Millisecond)
		b.step(ev(i+1, rules.EventConditionTrue))
	}
	got := b.wait(2 * time.Minute)
	want(t, "13 alarms", b.all, "ann waiting: Ardenmoor POWER mains lost, major, since 06:12. 12 alarms follow, first: AIR compressor fault. Reply OK 1")
	if !strings.Contains(got[0].Message.Text, "Follows: AIR alarm 12") {
		t.Errorf("the long text lists what follows: got\n%s", got[0].Message.Text)
	}
}

func TestBurstIsOneMessage(t *testing.T) {
	var list []rules.Rule
	for i := range 12 {
		list = append(list, rule(fmt.Sprintf("alarm-%d", i), 2, rules.Equals, 1, rules.LowPriority))
	}
	list[7].Priority = rules.MediumPriority
	b := newBench(t, desk.Options{Plan: ladder(), Rules: list})
	for i := range 12 {
		b.step(ev(i, rules.EventStarted))
		b.wait(100 * time.Millisecond)
	}
	b.wait(time.Minute)
	want(t, "12 alarms", b.all, "ann waiting: Ardenmoor AIR alarm 7, major, since 06:12. 11 more alarms, next: AIR alarm 0. Reply OK 1")
	b.answer("+353 555 0000", "ok 1 on my way")
	if len(b.acts) != 12 || b.acts[0].Kind != rules.ActAcknowledge || b.acts[0].Who != "Ann" {
		t.Errorf("one answer acknowledges all twelve: got %+v", b.acts)
	}
}

func TestHours(t *testing.T) {
	t0 := collector.At(start)
	quiet := between{t0.Add(-time.Hour), t0.Add(time.Hour)}
	for _, tt := range []struct {
		name     string
		priority rules.Priority
		open     rules.Hours
		back     time.Duration // the alarm is over
		want     string
	}{
		{"high is never quiet", rules.HighPriority, nil, 0, "0s ann, 5m0s ben, 15m0s cat"},
		{"waits for the end", rules.MediumPriority, nil, 0, "1h0m2s ann, 1h5m2s ben, 1h15m2s cat"},
		{"dropped if it is over by then", rules.MediumPriority, nil, 30 * time.Minute, ""},
		{"closed, high too", rules.HighPriority, between{t0.Add(2 * time.Hour), t0.Add(9 * time.Hour)}, 0, "2h0m0s ann, 2h5m0s ben, 2h15m0s cat"},
		{"closes in between", rules.HighPriority, between{t0, t0.Add(10 * time.Minute)}, 0, "0s ann, 5m0s ben"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			plan := ladder()
			plan.Routes[0].Open = tt.open
			for p := range plan.Routes[0].Quiet {
				plan.Routes[0].Quiet[p] = quiet
			}
			plan.Routes[0].Steps[1].Who = plan.Routes[0].Steps[1].Who[:1]
			b := newBench(t, desk.Options{Plan: plan, Rules: []rules.Rule{rule("r", 0, rules.Low, 1, tt.priority)}})
			b.step(ev(0, rules.EventStarted))
			if tt.back > 0 {
				b.wait(tt.back)
				b.step(ev(0, rules.EventReturned))
			}
			b.wait(5 * time.Hour)
			var got []string
			for _, d := range b.all {
				got = append(got, d.Made.Sub(t0).Round(time.Second).String()+" "+d.Contact)
			}
			if g := strings.Join(got, ", "); g != tt.want {
				t.Errorf("got %q, want %q", g, tt.want)
			}
		})
	}
}

func TestAgainRepeatsTheLastStep(t *testing.T) {
	plan := ladder()
	plan.Routes[0].Again = 10 * time.Minute
	b := newBench(t, desk.Options{Plan: plan, Rules: []rules.Rule{rule("r", 0, rules.Low, 1, rules.HighPriority)}})
	b.step(ev(0, rules.EventStarted))
	b.wait(36 * time.Minute)
	wantPeople(t, "with repeats", b.all, "ann:alarm:r ben:alarm:r cat:alarm:r cat:alarm:r cat:alarm:r")
	if last := b.all[4].Message.Short; !strings.Contains(last, "STILL") {
		t.Errorf("a repeat says so: got %q", last)
	}
	b.step(ev(0, rules.EventAcknowledged))
	wantPeople(t, "after the acknowledgement", b.wait(5*time.Hour), "")
}

func TestEmptyStepIsPassedOver(t *testing.T) {
	plan := ladder()
	plan.Rotas = []callout.Rota{{Name: "nobody", Turn: turn(func(collector.Moment) ([]string, collector.Moment) { return nil, collector.Never })}}
	plan.Routes[0].Steps[0].Who = []callout.Who{{Rota: 0}}
	b := newBench(t, desk.Options{Plan: plan, Rules: []rules.Rule{rule("r", 0, rules.Low, 1, rules.HighPriority)}})
	wantPeople(t, "at once", b.step(ev(0, rules.EventStarted)), "ann:alarm:r ben:alarm:r")
	wantPeople(t, "the third 10 minutes later", b.wait(11*time.Minute), "cat:alarm:r")
}

func TestChatterIsToldOnce(t *testing.T) {
	b := newBench(t, desk.Options{Plan: ladder(), Rules: []rules.Rule{rule("float", 4, rules.High, 2.1, rules.MediumPriority)}})
	for range 90 { // a start every 40 s for an hour
		b.step(ev(0, rules.EventStarted))
		b.wait(20 * time.Second)
		b.step(ev(0, rules.EventReturned))
		b.wait(20 * time.Second)
	}
	b.wait(2 * time.Hour)
	var alarms, counts, returns int
	for _, d := range b.all {
		switch {
		case strings.Contains(d.Message.Short, "CHATTERING"):
			counts++
		case d.Message.Subject == callout.AboutReturn:
			returns++
		default:
			alarms++
		}
	}
	// Three people: it escalates, for nobody acknowledged.
	if alarms != 3 || counts > 6 || returns != 3 {
		t.Errorf("an hour of chatter: got %d alarms, %d counts, %d returns:\n%s", alarms, counts, returns, brief(b.all))
	}
	if last := b.all[len(b.all)-1].Message.Short; !strings.Contains(last, "90 starts") {
		t.Errorf("the end tells the count: got %q", last)
	}
}

// One that chattered, was acknowledged and then stays is a call again.
func TestChatterThatStaysCallsAgain(t *testing.T) {
	b := newBench(t, desk.Options{Plan: ladder(), Rules: []rules.Rule{rule("float", 4, rules.High, 2.1, rules.MediumPriority)}})
	for range 5 {
		b.step(ev(0, rules.EventStarted))
		b.wait(10 * time.Second)
		b.step(ev(0, rules.EventAcknowledged))
		b.step(ev(0, rules.EventReturned))
		b.wait(10 * time.Second)
	}
	before := len(b.all)
	b.step(ev(0, rules.EventStarted))
	wantPeople(t, "short", b.wait(100*time.Second), "")
	wantPeople(t, "it stays", b.wait(40*time.Second), "ann:alarm:float")
	if before > 4 {
		t.Errorf("before: got %d messages:\n%s", before, brief(b.all[:before]))
	}
}

func TestLimitHoldsBackAndTells(t *testing.T) {
	plan := ladder()
	plan.PerHour = 3
	plan.Routes[0].Steps = plan.Routes[0].Steps[:1]
	var list []rules.Rule
	for i := range 10 {
		list = append(list, rule(fmt.Sprintf("low-%d", i), 0, rules.Low, 1, rules.LowPriority))
	}
	list[9].Priority = rules.HighPriority
	b := newBench(t, desk.Options{Plan: plan, Rules: list})
	for i := range 10 {
		b.step(ev(i, rules.EventStarted))
		b.wait(time.Minute)
	}
	sent, held := 0, 0
	for _, d := range b.all {
		if d.State == callout.HeldBack {
			held++
		} else {
			sent++
		}
	}
	if sent != 4 || held != 6 || b.all[9].State == callout.HeldBack {
		t.Errorf("of 10 alarms: got %d sent and %d held back, the high one %v", sent, held, b.all[9].State)
	}
	want(t, "an hour later", b.wait(time.Hour), "ann waiting: Ardenmoor: 6 messages held back since 06:15 (limit 3 an hour): "+
		"AIR low 3 OPEN, AIR low 4 OPEN, AIR low 5 OPEN, AIR low 6 OPEN and 2 more. Reply OK 11")
}

func TestAnswers(t *testing.T) {
	o := desk.Options{Plan: ladder(), Rules: []rules.Rule{rule("air-low", 0, rules.Low, 5.5, rules.HighPriority), rule("oil-hot", 3, rules.High, 70, rules.HighPriority)}}
	for _, tt := range []struct {
		name, from, text string
		both             bool // two calls are open
		want             string
	}{
		{"number", "+3535550000", "ok 1", true, "air-low by Ann"},
		{"other number", "+353 555-0000", " Ok2 thanks", true, "oil-hot by Ann"},
		{"bare ok, one open", "+3535550000", "OK", false, "air-low by Ann"},
		{"bare ok, two open: asked", "+3535550000", "ok", true, "asked"},
		{"somebody not called may", "+3535550002", "ok 1", true, "air-low by Cat"},
		{"not called and bare", "+3535550002", "ok", false, ""},
		{"unknown number", "+3535550009", "ok 1", true, ""},
		{"not agreed", "+3535550000", "what?", true, ""},
		{"a word like it", "+3535550000", "okra 1", true, ""},
		{"no such number", "+3535550000", "ok 77", true, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, o)
			b.step(ev(0, rules.EventStarted))
			if tt.both {
				b.wait(time.Minute)
				b.step(ev(1, rules.EventStarted))
			}
			got := ""
			if list := b.answer(tt.from, tt.text); len(list) == 1 && list[0].Message.Subject == callout.AboutAnswer {
				got = "asked"
			}
			for _, a := range b.acts {
				got += o.Rules[a.Rule].Name + " by " + a.Who
			}
			if got != tt.want {
				t.Errorf("%q: got %q, want %q", tt.text, got, tt.want)
			}
			if len(b.remarks) != 1 {
				t.Errorf("each answer is journalled: got %+v", b.remarks)
			}
		})
	}
}

// A number is not given to another alarm while a late answer may still come.
func TestNumbersAreNotUsedAgainSoon(t *testing.T) {
	b := newBench(t, desk.Options{Plan: ladder(), Rules: []rules.Rule{rule("a", 0, rules.Low, 5.5, rules.HighPriority), rule("b", 3, rules.High, 70, rules.HighPriority)}})
	seen := map[int]collector.Moment{}
	for range 150 {
		for i := range 2 {
			b.step(ev(i, rules.EventStarted))
			b.step(ev(i, rules.EventReturned))
			b.wait(31 * time.Minute)
		}
	}
	for _, d := range b.all {
		n := d.Message.Number
		if n == 0 {
			continue
		}
		if n > 99 {
			t.Errorf("number %d of two alarms", n)
		}
		seen[n] = d.Made
	}
	if len(seen) == 0 {
		t.Error("no numbers were given")
	}
}

func TestEscalationGoesOnAfterARestart(t *testing.T) {
	o := desk.Options{Plan: ladder(), Rules: []rules.Rule{rule("r", 0, rules.Low, 1, rules.HighPriority), rule("gone", 0, rules.Low, 1, rules.HighPriority), rule("fresh", 0, rules.Low, 1, rules.HighPriority)}}
	b := newBench(t, o)
	b.step(ev(0, rules.EventStarted), ev(1, rules.EventStarted))
	b.wait(time.Minute)
	before := len(b.all)
	b.restart(3*time.Minute, []rules.Status{{Rule: 0, State: rules.Unacknowledged, Active: true}, {Rule: 1, State: rules.Acknowledged, Active: true}, {Rule: 2, State: rules.Unacknowledged, Active: true}})
	wantPeople(t, "an alarm nobody was called about", b.all[before:], "ann:alarm:fresh")
	wantPeople(t, "the next step by real time", b.wait(90*time.Second), "ben:alarm:r")
	b.answer("+3535550000", "ok 1")
	if len(b.acts) != 2 {
		t.Errorf("the number of before still counts, for both alarms of its message: got %+v", b.acts)
	}
}

func TestClockNotSet(t *testing.T) {
	plan := ladder()
	plan.Rotas = []callout.Rota{{Name: "week", Turn: turn(func(collector.Moment) ([]string, collector.Moment) { return []string{"ann"}, collector.Never })}}
	plan.Routes[0].Steps[0].Who = []callout.Who{{Rota: 0}}
	plan.Routes[0].Open = between{} // never open: without a clock nobody knows
	plan.NoClock = []callout.Who{{Person: "cat"}}
	b := newBench(t, desk.Options{Plan: plan, Rules: []rules.Rule{rule("air-low", 0, rules.Low, 5.5, rules.HighPriority)}, NotBefore: start.Add(24 * time.Hour)})
	b.step(valued(ev(0, rules.EventStarted), 5.3))
	want(t, "the clock is not set", b.all, "cat waiting: Ardenmoor AIR header pressure 5.3 bar, low 5.5, major, for 0 s, box clock not set. Reply OK 1")
}

func TestDrill(t *testing.T) {
	b := newBench(t, desk.Options{Plan: ladder(), Rules: []rules.Rule{rule("air-low", 0, rules.Low, 5.5, rules.HighPriority)}})
	out, err := b.d.Drill(b.now, []string{"ann", "ben"}, 0)
	if err != nil {
		t.Fatal(err)
	}
	list := b.took(out)
	want(t, "a drill", list,
		"ann waiting: DRILL Ardenmoor: test call 1 of 2, nothing is wrong. Reply OK 1 within 10 min",
		"ben waiting: DRILL Ardenmoor: test call 2 of 2, nothing is wrong. Reply OK 2 within 10 min")
	b.now = b.now.Add(4 * time.Second)
	list[0].State, list[0].Through = callout.HandedOver, "sms"
	b.d.Took(b.now, &list[0])
	b.now = b.now.Add(30 * time.Second)
	b.answer("+3535550001", "ok 1") // ben's phone, ann's drill
	b.answer("+3535550000", "ok")
	b.wait(time.Hour)
	var got []string
	for _, r := range b.remarks {
		got = append(got, r.Who+": "+r.Why)
	}
	if g, w := strings.Join(got, "\n"), "Ben: the drill was for somebody else\nAnn: drill done: answered after 34 s; sms took it after 4 s\nBen: drill failed: no answer in 10 min; not handed over"; g != w {
		t.Errorf("got\n%s\nwant\n%s", g, w)
	}
	if _, err := b.d.Drill(b.now, []string{"zoe"}, 0); err == nil {
		t.Error("a drill of nobody we know: no error")
	}
}

// Who has no telephone cannot answer: that a channel took the message ends the drill, and that none did fails it.
func TestDrillWithoutAnAnswer(t *testing.T) {
	b := newBench(t, desk.Options{Plan: ladder(), Answers: func(c *callout.Contact) bool { return c.ID == "cat" }})
	out, err := b.d.Drill(b.now, []string{"ann", "ben", "cat"}, 0)
	if err != nil {
		t.Fatal(err)
	}
	list := b.took(out)
	want(t, "a drill", list,
		"ann waiting: DRILL Ardenmoor: test call 1 of 3, nothing is wrong. Nothing to do.",
		"ben waiting: DRILL Ardenmoor: test call 2 of 3, nothing is wrong. Nothing to do.",
		"cat waiting: DRILL Ardenmoor: test call 3 of 3, nothing is wrong. Reply OK 1 within 10 min")
	b.now = b.now.Add(4 * time.Second)
	list[0].State, list[0].Through = callout.HandedOver, "mail"
	b.d.Took(b.now, &list[0])
	b.step()
	if steps := b.d.Drills(); len(steps) != 3 || steps[0].Taken != 4*time.Second || steps[0].Late || !steps[0].Silent || steps[2].Silent {
		t.Errorf("steps: %+v", steps)
	}
	if len(b.remarks) != 1 {
		t.Errorf("the journal waits: %+v", b.remarks)
	}
	b.wait(time.Hour)
	var got []string
	for _, r := range b.remarks {
		got = append(got, r.Who+": "+r.Why)
	}
	if g, w := strings.Join(got, "\n"), "Ann: drill done: no answer can come from this person; mail took it after 4 s\nBen: drill failed: not handed over\nCat: drill failed: no answer in 10 min; not handed over"; g != w {
		t.Errorf("got\n%s\nwant\n%s", g, w)
	}
}

// Who cannot answer is not asked to.
func TestNoAnswerNoQuestion(t *testing.T) {
	b := newBench(t, desk.Options{Plan: ladder(), Rules: []rules.Rule{rule("air-low", 0, rules.Low, 5.5, rules.HighPriority)}, Answers: func(c *callout.Contact) bool { return c.ID != "ann" }})
	list := b.step(valued(ev(0, rules.EventStarted), 5.3))
	if len(list) != 1 || list[0].Contact != "ann" || list[0].Message.Number != 0 || strings.Contains(list[0].Message.Short+list[0].Message.Text, "Reply") {
		t.Errorf("got %+v", list)
	}
}

// A high alarm and a drill ring besides; a low one, its repeat and a return do not. A ring does not count against the limit.
func TestWake(t *testing.T) {
	plan := ladder()
	plan.PerHour = 1
	plan.Contacts[0].Wake = []callout.Address{{Channel: "ring", To: "+3535550000"}}
	b := newBench(t, desk.Options{Plan: plan, Rules: []rules.Rule{rule("air-low", 0, rules.Low, 5.5, rules.HighPriority), rule("air-lowish", 0, rules.Low, 6, rules.LowPriority)}})
	rings := func(list []callout.Dispatch) (n int) {
		for i := range list {
			if d := &list[i]; d.Addresses[0].Channel == "ring" {
				n++
				if d.State != callout.Waiting || !strings.HasPrefix(d.Message.Title, "ring: ") || d.Contact != "ann" {
					t.Errorf("ring: %+v", d)
				}
			}
		}
		return n
	}
	if list := b.step(valued(ev(0, rules.EventStarted), 5.3)); len(list) != 2 || rings(list) != 1 || list[0].Message.Key == list[1].Message.Key {
		t.Errorf("a high alarm: got %+v", list)
	}
	b.step(ev(0, rules.EventAcknowledged))
	b.all = nil
	b.step(valued(ev(1, rules.EventStarted), 5.9))
	b.wait(time.Minute)
	if rings(b.all) != 0 {
		t.Errorf("a low alarm: got %+v", b.all)
	}
	out, err := b.d.Drill(b.now, []string{"ann"}, 0)
	if err != nil || rings(out.Dispatches) != 1 {
		t.Errorf("a drill: %v, %+v", err, out.Dispatches)
	}
}

func TestDrillTimesChange(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	days := []time.Weekday{time.Tuesday, time.Wednesday, time.Thursday}
	hours, used := map[int]int{}, map[time.Weekday]int{}
	for w := range 104 {
		monday := time.Date(2026, 1, 5+7*w, 0, 0, 0, 0, zone)
		at := desk.DrillTime("Ardenmoor", monday, days, 9*time.Hour, 17*time.Hour)
		if at.Hour() < 9 || at.Hour() >= 17 || at.Before(monday) || at.After(monday.AddDate(0, 0, 7)) {
			t.Errorf("week of %v: the drill is at %v", monday, at)
		}
		if again := desk.DrillTime("Ardenmoor", monday, days, 9*time.Hour, 17*time.Hour); !again.Equal(at) {
			t.Errorf("week of %v: %v, then %v", monday, at, again)
		}
		hours[at.Hour()]++
		used[at.Weekday()]++
	}
	if len(hours) != 8 || len(used) != 3 {
		t.Errorf("two years of drills: hours %v, days %v", hours, used)
	}
}

func TestNewRefusesWhatDoesNotFit(t *testing.T) {
	bad := rule("r", 0, rules.Low, 1, rules.HighPriority)
	bad.CallOut = "nowhere"
	plan := ladder()
	plan.Routes[0].Return = []callout.Who{{Person: "zoe"}}
	for _, tt := range []struct {
		o    desk.Options
		want string
	}{
		{desk.Options{Plan: ladder(), Points: points, Rules: []rules.Rule{bad}}, `rule r: call-out: no route "nowhere"`},
		{desk.Options{Plan: plan, Points: points}, `route on-call: no contact "zoe"`},
		{desk.Options{Plan: ladder(), Points: points, Wording: desk.Wording{Alarm: desk.Form{Short: "{{.Sight}}"}}}, `wording of alarm: template: short:1:2: executing "short" at <.Sight>: can't evaluate field Sight in type desk.Facts`},
	} {
		if _, err := desk.New(tt.o); err == nil || err.Error() != tt.want {
			t.Errorf("got %v, want %s", err, tt.want)
		}
	}
}
