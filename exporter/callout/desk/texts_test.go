package desk_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/desk"
	"roundsman/rules"
)

// The texts of each kind of alarm, counted in septets of the GSM alphabet (3GPP TS 23.038): one message holds 160.
func TestShortTexts(t *testing.T) {
	look := desk.Look{Value: math.NaN(), Peak: math.NaN()}
	with := func(r rules.Rule, change func(*rules.Rule)) rules.Rule { change(&r); return r }
	air := with(rule("air-low", 0, rules.Low, 5.5, rules.HighPriority), func(r *rules.Rule) {
		r.Response = "Stop loading. Check that the compressor is running and the dryer bypass is shut."
		r.Consequence = "Wraparounds retract late; vehicles and staff can be struck."
	})
	window := func(r rules.Rule, d time.Duration) rules.Rule {
		return with(r, func(r *rules.Rule) { r.Window = d })
	}
	for _, tt := range []struct {
		name string
		rule rules.Rule
		e    rules.Event
		look desk.Look
		want string
	}{
		{"low", air, valued(ev(0, rules.EventStarted), 5.3), desk.Look{Value: 5.3, Trend: "falling"},
			"Ardenmoor AIR header pressure 5.3 bar, low 5.5, falling, major, since 06:12. Stop loading. Reply OK 1"},
		{"low, the reading is lost since", air, valued(ev(0, rules.EventStarted), 5.3), desk.Look{Value: math.NaN(), Lost: true},
			"Ardenmoor AIR header pressure 5.3 bar, low 5.5, reading lost, take as still in alarm, major, since 06:12. Stop loading. Reply OK 1"},
		{"degrees take no foreign character", with(rule("oil-hot", 3, rules.High, 70, rules.HighPriority), func(r *rules.Rule) { r.Response = "Check the cooler." }),
			valued(ev(0, rules.EventStarted), 71.04), look, "Ardenmoor HYD oil temperature 71.0 C, high 70.0, major, since 06:12. Check the cooler. Reply OK 1"},
		{"a limit finer than the digits", rule("pit", 4, rules.High, 2.125, rules.HighPriority), valued(ev(0, rules.EventStarted), 2.13), look,
			"Ardenmoor RECLAIM pit 3 level 2.13 m, high 2.125, major, since 06:12. Reply OK 1"},
		{"contact", rule("compressor-fault", 2, rules.Equals, 1, rules.HighPriority), valued(ev(0, rules.EventStarted), 1), look,
			"Ardenmoor AIR compressor fault, major, since 06:12. Reply OK 1"},
		{"sensor fault", with(rule("sensor-fault:air.header.pressure", 0, rules.BadSignal, 0, rules.HighPriority), func(r *rules.Rule) { r.Response = "Read the gauge on the spot. Then look at sensor, wire and supply." }),
			func() rules.Event {
				e := ev(0, rules.EventStarted)
				e.Why = "signal too low: 3.4 mA is below 3.6 mA, wire or sensor broken; last good 7.6 bar"
				return e
			}(), look,
			"Ardenmoor FAULT AIR header pressure sensor, not a limit alarm, since 06:12. 3.4 mA is below 3.6 mA; last good 7.6 bar. Read the gauge on the spot. Reply OK 1"},
		{"stale", window(rule("yard-stale", 4, rules.StaleSignal, 0, rules.HighPriority), 2*time.Minute), valued(ev(0, rules.EventStarted), 125), look,
			"Ardenmoor FAULT RECLAIM pit 3 level sensor sends nothing new, not a limit alarm, major, since 06:12. Reply OK 1"},
		{"rate", with(window(rule("air-falling", 0, rules.Rate, -0.08, rules.HighPriority), 8*time.Second), func(r *rules.Rule) { r.Unit, r.Digits = "bar/s", 2 }), valued(ev(0, rules.EventStarted), -0.12), look,
			"Ardenmoor AIR header pressure falls 0.12 bar/s, major, since 06:12. Reply OK 1"},
		{"not reached", window(rule("air-not-at-pressure", 0, rules.NotReached, 8, rules.HighPriority), 4*time.Minute), valued(ev(0, rules.EventStarted), 6.1), look,
			"Ardenmoor AIR header pressure 6.1 bar, 8.0 not reached in 4 min, major, since 06:12. Reply OK 1"},
		{"starts", with(window(rule("starts", 2, rules.StartsAbove, 10, rules.HighPriority), time.Hour), func(r *rules.Rule) { r.Digits = 0 }), valued(ev(0, rules.EventStarted), 11), look,
			"Ardenmoor AIR compressor fault 11 starts in 60 min, limit 10, major, since 06:12. Reply OK 1"},
		{"a long response is cut at a word", with(air, func(r *rules.Rule) {
			r.Response = "Stop the conveyor and then clear all of the vehicles and every person from the tunnel before you do anything else at all, then read the panel of the compressor"
		}), valued(ev(0, rules.EventStarted), 5.3), desk.Look{Value: 5.3, Trend: "falling"},
			"Ardenmoor AIR header pressure 5.3 bar, low 5.5, falling, since 06:12. Stop the conveyor and then clear all of the vehicles and every person. Reply OK 1"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, desk.Options{Plan: ladder(), Rules: []rules.Rule{tt.rule}, Look: func(int) desk.Look { return tt.look }})
			got := b.step(tt.e)
			want(t, "text", got, "ann waiting: "+tt.want)
			if n, gsm := callout.Septets(got[0].Message.Short); !gsm || n > callout.Room {
				t.Errorf("%d septets, in the GSM alphabet %v", n, gsm)
			}
		})
	}
}

func TestReturnText(t *testing.T) {
	r := rule("air-low", 0, rules.Low, 5.5, rules.HighPriority)
	b := newBench(t, desk.Options{Plan: ladder(), Rules: []rules.Rule{r}, Look: func(int) desk.Look { return desk.Look{Value: math.NaN(), Peak: 4.9} }})
	b.step(valued(ev(0, rules.EventStarted), 5.3))
	b.wait(time.Minute)
	b.step(ev(0, rules.EventAcknowledged))
	b.wait(6 * time.Minute)
	b.step(valued(ev(0, rules.EventReturned), 7.1))
	want(t, "return", b.wait(time.Hour), "ann waiting: Ardenmoor NORMAL AIR header pressure 7.1 bar since 06:19, was low 7 min (lowest 4.9). Acknowledged 06:13 by N. Quill")
}

// A day on which the clocks go back: texts tell site time.
func TestSiteTime(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	plan := ladder()
	plan.Routes[0].Again = 30 * time.Minute
	b := newBench(t, desk.Options{Plan: plan, Rules: []rules.Rule{rule("r", 0, rules.Low, 5.5, rules.HighPriority)}, Zone: zone})
	b.now = collector.At(time.Date(2026, 7, 4, 22, 30, 0, 0, time.UTC))
	e := valued(ev(0, rules.EventStarted), 5.3)
	e.At = b.now.Add(-40 * time.Minute)
	got := b.step(e)
	if !strings.Contains(got[0].Message.Short, "since 22:50") { // Friday's 23:10 would be yesterday
		t.Errorf("summer time: got %q", got[0].Message.Short)
	}
	b.wait(time.Hour)
	if last := b.all[len(b.all)-1].Message.Short; !strings.Contains(last, "since Sat 4 Jul 22:50") {
		t.Errorf("after midnight: got %q", last)
	}
}

func TestLongTexts(t *testing.T) {
	r := rule("air-low", 0, rules.Low, 5.5, rules.HighPriority)
	r.Response, r.Consequence = "Stop loading <now>.", "Staff can be struck."
	b := newBench(t, desk.Options{Plan: ladder(), Rules: []rules.Rule{r}, Link: func(rule int, person string, _ time.Time) string {
		return fmt.Sprintf("https://wash.example/a/%d?p=%s&x=1", rule, person)
	}})
	m := b.step(valued(ev(0, rules.EventStarted), 5.3))[0].Message
	for _, part := range []string{"AIR header pressure 5.3 bar, low 5.5", "low limit 5.5 bar", "since 06:12:00 on Saturday 28 November 2026 (UTC)", "Priority high, severity major",
		"If nobody acts: Staff can be struck.", "First: Stop loading <now>.", "Reply OK 1", m.Link} {
		if !strings.Contains(m.Text, part) {
			t.Errorf("the text lacks %q:\n%s", part, m.Text)
		}
	}
	if m.Title != "Ardenmoor: AIR header pressure 5.3 bar, low 5.5" {
		t.Errorf("title: got %q", m.Title)
	}
	for _, part := range []string{"Stop loading &lt;now&gt;.", `href="https://wash.example/a/0?p=ann&amp;x=1"`} {
		if !strings.Contains(m.HTML, part) {
			t.Errorf("the mail lacks %q:\n%s", part, m.HTML)
		}
	}
	if strings.Contains(m.HTML, "<now>") {
		t.Errorf("the mail holds raw text:\n%s", m.HTML)
	}
	for name, text := range map[string]string{"text": m.Text, "mail": m.HTML} {
		if !strings.Contains(text, callout.Caution) {
			t.Errorf("the %s lacks the caution:\n%s", name, text)
		}
	}
}

func TestOwnWordingKeepsTheCaution(t *testing.T) {
	b := newBench(t, desk.Options{Plan: ladder(), Rules: []rules.Rule{rule("air-low", 0, rules.Low, 5.5, rules.HighPriority)},
		Wording: desk.Wording{Alarm: desk.Form{Short: "{{.Site}}! {{.What}} {{.Reply}}", Text: "{{.What}}"}}})
	m := b.step(valued(ev(0, rules.EventStarted), 5.3))[0].Message
	if m.Short != "Ardenmoor! AIR header pressure 5.3 bar, low 5.5 Reply OK 1" || !strings.HasSuffix(m.Text, callout.Caution) {
		t.Errorf("got %q and %q", m.Short, m.Text)
	}
}

// Whatever a rule says, its short text has room in one message, ends with how to answer, and stays in the alphabet.
func FuzzShort(f *testing.F) {
	f.Add("Ardenmoor Wash", "Stop loading. Check.", "signal too low: 3.4 mA", 5.3)
	f.Add("Ärdenmöör – Wäsch", "71 °C µS m³ “quoted” [x] {y} €€€", "", math.NaN())
	f.Add("長い名前", "ok\nok\tok", ": ; . ,", 1e300)
	f.Fuzz(func(t *testing.T, site, response, why string, value float64) {
		plan := ladder()
		plan.Site = site
		r := rule("air-low", 0, rules.Low, 5.5, rules.HighPriority)
		r.Response, r.Consequence = response, why
		b := newBench(t, desk.Options{Plan: plan, Rules: []rules.Rule{r}})
		e := valued(ev(0, rules.EventStarted), value)
		e.Why = why
		m := b.step(e)[0].Message
		n, gsm := callout.Septets(m.Short)
		if gsm && n > callout.Room || !gsm && n > 70 {
			t.Errorf("%d septets, GSM %v: %q", n, gsm, m.Short)
		}
		if !strings.HasSuffix(m.Short, "Reply OK 1") {
			t.Errorf("no way to answer: %q", m.Short)
		}
		if strings.ContainsAny(m.Title+m.Short, "\r\n") {
			t.Errorf("a line end in %q, %q", m.Title, m.Short)
		}
	})
}
