package configs_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/configs/strict"
	"roundsman/rules"
)

// provenSite has a high rule a-high and a low rule a-low that ring by the call-out 'duty'.
func provenSite(t *testing.T, zone, contacts string) *configs.Site {
	t.Helper()
	s, err := site(t, map[string]string{"contacts.yaml": contacts,
		"site.yaml": "site: {name: X, time-zone: " + zone + "}\ncontacts: contacts.yaml\nrules: r.yaml\nlinks: {plc: {modbus: tcp://127.0.0.1:502}}\n" +
			"points: {a: {link: plc, discrete: 0}}\nconditions: {shop: {hours: {daily: 08:00-18:00}}}\n",
		"r.yaml": "rules:\n  a-high: {point: a, equals: true, on-delay: 0s, priority: high, call-out: duty}\n  a-low: {point: a, equals: true, on-delay: 0s, priority: low, call-out: duty}\n"})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// From Monday 2 November 2026 at noon, eight weeks.
func TestHoles(t *testing.T) {
	const whole = "rota:\n  duty.rota: {week: ann}\n"
	const weekdays = "rota:\n  duty.rota: {week: {monday-friday: ann}}\n"
	for _, c := range []struct{ name, rest, want string }{
		{"none", whole + "call-outs:\n  duty: {steps: [{who: duty.rota}]}\n", ""},
		{"a person", "call-outs:\n  duty: {steps: [{who: ann}]}\n", ""},
		{"a holiday", "rota:\n  duty.rota: {week: ann, except: {2026-12-25: nobody}}\ncall-outs:\n  duty: {steps: [{who: duty.rota}]}\n",
			"contacts.yaml:11:3: call-outs.duty: reaches nobody from Fri 2026-12-25 00:00 GMT to Sat 2026-12-26 00:00 GMT (a-high, a-low)"},
		{"a holiday beyond eight weeks", "rota:\n  duty.rota: {week: ann, except: {2026-12-29: nobody}}\ncall-outs:\n  duty: {steps: [{who: duty.rota}]}\n", ""},
		{"weekends but for one step", weekdays + "call-outs:\n  duty: {steps: [{who: duty.rota}, {after: 10m, who: bob}], open: {saturday: 08:00-10:00, except: {2026-11-14: closed, 2026-11-21: closed, 2026-11-28: closed, 2026-12-05: closed, 2026-12-12: closed, 2026-12-19: closed, 2026-12-26: closed}}}\n",
			"contacts.yaml:11:3: warning: call-outs.duty: reaches nobody by its first step, the next comes 10m later, from Sat 2026-11-07 08:00 GMT to Sat 2026-11-07 10:00 GMT (a-high, a-low)"},
		{"a later step is on duty when it comes", "rota:\n  duty.rota: {week: {daily: {08:00-24:00: ann}}}\n  night: {week: {daily: {00:00-07:55: bob}}}\ncall-outs:\n  duty: {steps: [{who: night}, {after: 5m, who: duty.rota}], open: {sunday: 07:00-09:00, except: {2026-11-15: closed, 2026-11-22: closed, 2026-11-29: closed, 2026-12-06: closed, 2026-12-13: closed, 2026-12-20: closed, 2026-12-27: closed}}}\n",
			"contacts.yaml:12:3: warning: call-outs.duty: reaches nobody by its first step, the next comes 5m later, from Sun 2026-11-08 07:55 GMT to Sun 2026-11-08 09:00 GMT (a-high, a-low)"},
		{"a later step is off duty when it comes", "rota:\n  duty.rota: {week: {daily: {00:00-08:00: ann, 08:10-24:00: ann}}, except: {2026-11-08: nobody}}\n  night: {week: {daily: {00:00-24:00: bob}}, except: {2026-11-08: {08:20-08:30: nobody}}}\ncall-outs:\n  duty: {steps: [{who: duty.rota}, {after: 5m, who: night}], open: {sunday: 08:00-09:00, except: {2026-11-15: closed, 2026-11-22: closed, 2026-11-29: closed, 2026-12-06: closed, 2026-12-13: closed, 2026-12-20: closed, 2026-12-27: closed}}}\n",
			"contacts.yaml:12:3: call-outs.duty: reaches nobody from Sun 2026-11-08 08:15 GMT to Sun 2026-11-08 08:25 GMT (a-high, a-low)\n" +
				"contacts.yaml:12:3: warning: call-outs.duty: reaches nobody by its first step, the next comes 5m later, from Sun 2026-11-08 08:00 GMT to Sun 2026-11-08 08:15 GMT (a-high, a-low)\n" +
				"contacts.yaml:12:3: warning: call-outs.duty: reaches nobody by its first step, the next comes 5m later, from Sun 2026-11-08 08:25 GMT to Sun 2026-11-08 09:00 GMT (a-high, a-low)"},
		{"outside its hours", "rota:\n  duty.rota: {week: {daily: {08:00-18:00: ann}}}\ncall-outs:\n  duty: {steps: [{who: duty.rota}], open: shop}\n", ""},
		{"quiet hours are not for high alarms", "rota:\n  duty.rota: {week: {daily: {07:00-24:00: ann}}, except: {2026-11-02 to 2026-12-26: ann}}\nquiet-hours: {low: {daily: 00:00-07:00}}\ncall-outs:\n  duty: {steps: [{who: duty.rota}]}\n",
			"contacts.yaml:12:3: call-outs.duty: reaches nobody from Sun 2026-12-27 00:00 GMT to Sun 2026-12-27 07:00 GMT (a-high)\n" +
				"contacts.yaml:12:3: call-outs.duty: reaches nobody from Mon 2026-12-28 00:00 GMT to Mon 2026-12-28 07:00 GMT (a-high)"},
		{"always quiet", "quiet-hours: {low: {daily: 00:00-24:00}}\ncall-outs:\n  duty: {steps: [{who: ann}]}\n",
			"contacts.yaml:10:3: call-outs.duty: rings at no time at all: it is always quiet, or closed (a-low)"},
		{"quiet hours that this call-out has not", "quiet-hours: {low: {daily: 00:00-24:00}}\ncall-outs:\n  duty: {steps: [{who: ann}], quiet-hours: none}\n", ""},
		{"quiet hours of its own", "call-outs:\n  duty: {steps: [{who: ann}], quiet-hours: {low: {daily: 00:00-24:00}}}\n",
			"contacts.yaml:9:3: call-outs.duty: rings at no time at all: it is always quiet, or closed (a-low)"},
		{"weekends", weekdays + "call-outs:\n  duty: {steps: [{who: duty.rota}], open: {friday-sunday: 23:00-24:00}}\n", strings.Join(weekends(), "\n")},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := provenSite(t, "Europe/Dublin", calling+c.rest)
			if got := s.Holes(at(t, s.Zone, "2026-11-02 12:00:00"), configs.EightWeeks).Error(); got != c.want {
				t.Errorf("%s\n got: %s\nwant: %s", c.rest, got, c.want)
			}
		})
	}
}

// weekends are what the last case says: ten holes by name, the other six by number.
func weekends() []string {
	var out []string
	for d := time.Date(2026, 11, 7, 23, 0, 0, 0, time.UTC); len(out) < 10; d = d.AddDate(0, 0, 1) {
		if d.Weekday() == time.Saturday || d.Weekday() == time.Sunday {
			out = append(out, fmt.Sprintf("contacts.yaml:11:3: call-outs.duty: reaches nobody from %s GMT to %s GMT (a-high, a-low)",
				d.Format("Mon 2006-01-02 15:04"), d.Add(time.Hour).Format("Mon 2006-01-02 15:04")))
		}
	}
	return append(out, "contacts.yaml:11:3: call-outs.duty: reaches nobody at 6 more times until Mon 2026-12-28 12:00 GMT (a-high, a-low)")
}

// The hour that comes twice is told by the name of its zone.
func TestHoleInTheNightOf25Hours(t *testing.T) {
	s := provenSite(t, "Europe/Dublin", calling+"rota:\n  duty.rota: {week: ann, except: {2026-10-25: {00:00-01:30: ann, 01:30-02:00: nobody}}}\ncall-outs:\n  duty: {steps: [{who: duty.rota}]}\n")
	const want = "contacts.yaml:11:3: call-outs.duty: reaches nobody from Sun 2026-10-25 01:30 IST to Sun 2026-10-25 02:00 GMT (a-high, a-low)"
	if got := s.Holes(at(t, s.Zone, "2026-10-20 00:00:00"), configs.EightWeeks).Error(); got != want {
		t.Errorf("\n got: %s\nwant: %s", got, want)
	}
}

// manned asks each rota at each minute whether it has anybody on duty, a day longer than the span.
func manned(s *configs.Site, from time.Time, minutes int) [][]bool {
	out := make([][]bool, len(s.Callout.Plan.Rotas))
	for i, rota := range s.Callout.Plan.Rotas {
		out[i] = make([]bool, minutes+24*60)
		for m := range out[i] {
			people, _ := rota.Turn.On(collector.At(from.Add(time.Duration(m) * time.Minute)))
			out[i][m] = len(people) > 0
		}
	}
	return out
}

// sampled finds the holes the slow way, asking at each minute who would hear of an alarm that starts then.
func sampled(s *configs.Site, on [][]bool, p rules.Priority, from time.Time, minutes int) (holes []collector.Moment, rings int) {
	route := s.Callout.Plan.Routes[0]
	for i := range minutes {
		m := collector.At(from.Add(time.Duration(i) * time.Minute))
		if route.Open != nil {
			if open, _ := route.Open.At(m); !open {
				continue
			}
		}
		if q := route.Quiet[p]; q != nil {
			if quiet, _ := q.At(m); quiet {
				continue
			}
		}
		rings++
		reached := false
		for _, step := range route.Steps {
			for _, w := range step.Who {
				reached = reached || w.Person != "" || on[w.Rota][i+int(step.After/time.Minute)]
			}
		}
		if !reached {
			holes = append(holes, m)
		}
	}
	return holes, rings
}

// Random rotas and routes over the change of the clock, one for all eight weeks, the others for the days around it:
// what the walk names is what asking at each minute finds.
func TestHolesAgainstEachMinute(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const rounds = 8
	broken := 0
	for i := range rounds {
		text := calling + randomPlan(r)
		s := provenSite(t, "Europe/Dublin", text)
		from, span := time.Date(2026, time.Month(3+7*(i%2)), 27-4*(i%2), r.IntN(24), r.IntN(60), 0, 0, time.UTC), 4*24*time.Hour
		if i == 0 {
			span = configs.EightWeeks
		}
		minutes := int(span / time.Minute)
		on := manned(s, from, minutes)
		found := s.Holes(collector.At(from), span).Of(strict.Error)
		for alarm, p := range map[string]rules.Priority{"a-high": rules.HighPriority, "a-low": rules.LowPriority} {
			want, rings := sampled(s, on, p, from, minutes)
			named, more := stretches(t, found, alarm)
			if len(want) > 0 {
				broken++
			}
			if rings == 0 {
				continue // that is said in other words
			}
			if missing := compare(named, want, more); missing != "" {
				t.Fatalf("%s\n%s from %s: %s\nsaid:\n%v", text, alarm, from, missing, found)
			}
		}
	}
	if broken < rounds/2 {
		t.Errorf("only %d of %d had a hole; the test sees too little", broken, 2*rounds)
	}
}

// compare holds the named stretches to the minutes. With more, only the first ones are named.
func compare(named [][2]collector.Moment, sample []collector.Moment, more bool) string {
	inside := func(m collector.Moment) bool {
		for _, s := range named {
			if s[0] <= m && m < s[1] {
				return true
			}
		}
		return false
	}
	count := 0
	for _, m := range sample {
		if inside(m) {
			count++
		} else if !more || len(named) > 0 && m < named[len(named)-1][1] {
			return "not named: " + say(m, time.UTC)
		}
	}
	total := time.Duration(0)
	for _, s := range named {
		total += s[1].Sub(s[0])
	}
	if total != time.Duration(count)*time.Minute {
		return fmt.Sprintf("%v are named, %d minutes found", total, count)
	}
	return ""
}

// stretches reads back the times that are named for an alarm.
func stretches(t *testing.T, ps configs.Problems, alarm string) (out [][2]collector.Moment, more bool) {
	t.Helper()
	for _, p := range ps {
		if !strings.Contains(p.Text, alarm) {
			continue
		}
		if strings.Contains(p.Text, " more times ") {
			more = true
			continue
		}
		_, times, ok := strings.Cut(p.Text, "reaches nobody from ")
		if !ok {
			continue
		}
		first, rest, _ := strings.Cut(times, " to ")
		last, _, _ := strings.Cut(rest, " (")
		var pair [2]collector.Moment
		for i, text := range []string{first, last} {
			zone := map[string]string{"IST": "+01:00", "GMT": "+00:00"}[text[len(text)-3:]]
			m, err := time.Parse("Mon 2006-01-02 15:04 -07:00", text[:len(text)-3]+zone)
			if err != nil {
				t.Fatal(err)
			}
			pair[i] = collector.At(m)
		}
		out = append(out, pair)
	}
	return out, more
}

func randomPlan(r *rand.Rand) string {
	var b strings.Builder
	b.WriteString("rota:\n")
	for i := range 3 {
		fmt.Fprintf(&b, "  r%d: {hand-over: sunday %s, since: 2026-10-25, weeks: [%s, %s]", i, clockOf(r.IntN(240)), randomWeek(r), randomWeek(r))
		if r.IntN(2) == 0 {
			fmt.Fprintf(&b, ", except: {2026-10-25: {00:%02d-0%d:30: nobody}, 2026-03-29: nobody}", r.IntN(60), 1+r.IntN(8))
		}
		b.WriteString("}\n")
	}
	if r.IntN(2) == 0 {
		fmt.Fprintf(&b, "quiet-hours: {low: {daily: [00:00-%s, 22:00-24:00]}}\n", clockOf(1+r.IntN(1200)))
	}
	fmt.Fprintf(&b, "call-outs:\n  duty:\n    steps: [{who: [r0]}, {after: %dm, who: [r1]}, {after: %dm, who: [r2, r0]}]\n", 1+r.IntN(100), 200+r.IntN(500))
	if r.IntN(2) == 0 {
		fmt.Fprintf(&b, "    open: {monday-saturday: 06:%02d-20:00, sunday: 00:30-0%d:10}\n", r.IntN(60), 2+r.IntN(7))
	}
	return b.String()
}

// randomWeek is on duty for parts of single days, more or fewer.
func randomWeek(r *rand.Rand) string {
	if r.IntN(5) == 0 {
		return "nobody"
	}
	var days []string
	for _, d := range []string{"monday", "tuesday-friday", "saturday", "sunday"} {
		from := r.IntN(700)
		to := from + 1 + r.IntN(1439-from)
		if r.IntN(4) == 0 {
			from, to = 0, 1440
		}
		days = append(days, fmt.Sprintf("%s: {%s-%s: %s}", d, clockOf(from), clockOf(to), []string{"ann", "bob", "cat"}[r.IntN(3)]))
	}
	return "{" + strings.Join(days, ", ") + "}"
}

func clockOf(minute int) string { return fmt.Sprintf("%02d:%02d", minute/60, minute%60) }

// The demonstration's calls have no hole, whenever it is started within two years.
func TestDemoHasNoHoles(t *testing.T) {
	fsys, name := configs.Demo()
	s, err := configs.Load(fsys, name)
	if err != nil {
		t.Fatal(err)
	}
	for d := time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC); d.Year() < 2029; d = d.AddDate(0, 0, 50) {
		if found := s.Holes(collector.At(d), configs.EightWeeks); len(found) > 0 {
			t.Fatalf("from %s: %v", d, found)
		}
	}
}

// The proof of the demonstration.
func BenchmarkHoles(b *testing.B) {
	fsys, name := configs.Demo()
	s, err := configs.Load(fsys, name)
	if err != nil {
		b.Fatal(err)
	}
	from := collector.At(time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC))
	for b.Loop() {
		s.Holes(from, configs.EightWeeks)
	}
}
