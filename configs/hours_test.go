package configs_test

import (
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// hoursOf loads opening hours written in YAML for a time zone.
func hoursOf(t *testing.T, zone, text string) (rules.Hours, *time.Location) {
	t.Helper()
	s, err := site(t, map[string]string{"site.yaml": "site: {name: X, time-zone: " + zone + "}\nlinks: {plc: {modbus: tcp://127.0.0.1:502}}\npoints: {a: {link: plc, discrete: 0}}\nconditions:\n  o: {hours: " + text + "}\n"})
	if err != nil {
		t.Fatal(err)
	}
	return s.Rules.Conditions[0].Hours, s.Zone
}

func at(t *testing.T, zone *time.Location, wall string) collector.Moment {
	t.Helper()
	// With an offset the wall time is exact, without one it is read in the zone.
	if m, err := time.Parse("2006-01-02 15:04:05 -07:00", wall); err == nil {
		return collector.At(m)
	}
	m, err := time.ParseInLocation("2006-01-02 15:04:05", wall, zone)
	if err != nil {
		t.Fatal(err)
	}
	return collector.At(m)
}

const ardenmoor = "{monday-saturday: 07:00-20:00, sunday: 08:00-18:00, except: {2026-12-25: closed, 2026-12-24: 07:00-13:00}}"

// Daylight saving of Ireland in 2026: clocks go forward at 01:00 UTC on 29
// March and back at 01:00 UTC on 25 October (Directive 2000/84/EC); in New York
// they go back at 02:00 on 1 November (Energy Policy Act of 2005).
func TestHours(t *testing.T) {
	for _, c := range []struct {
		name, zone, hours, at string
		inside                bool
		next                  string // '' never
	}{
		{"a weekday morning", "Europe/Dublin", ardenmoor, "2026-06-03 06:59:59", false, "2026-06-03 07:00:00"},
		{"opening", "Europe/Dublin", ardenmoor, "2026-06-03 07:00:00", true, "2026-06-03 20:00:00"},
		{"just before closing", "Europe/Dublin", ardenmoor, "2026-06-03 19:59:59", true, "2026-06-03 20:00:00"},
		{"closing", "Europe/Dublin", ardenmoor, "2026-06-03 20:00:00", false, "2026-06-04 07:00:00"},
		{"Saturday night", "Europe/Dublin", ardenmoor, "2026-06-06 21:00:00", false, "2026-06-07 08:00:00"},
		{"Sunday", "Europe/Dublin", ardenmoor, "2026-06-07 07:30:00", false, "2026-06-07 08:00:00"},
		{"Christmas Eve", "Europe/Dublin", ardenmoor, "2026-12-24 12:00:00", true, "2026-12-24 13:00:00"},
		{"over Christmas", "Europe/Dublin", ardenmoor, "2026-12-24 14:00:00", false, "2026-12-26 07:00:00"},
		{"the night clocks go forward", "Europe/Dublin", ardenmoor, "2026-03-28 20:00:00", false, "2026-03-29 07:00:00 +00:00"},
		{"the night clocks go back", "Europe/Dublin", ardenmoor, "2026-10-24 20:00:00", false, "2026-10-25 08:00:00 +00:00"},
		{"summer time is an hour earlier in UTC", "Europe/Dublin", ardenmoor, "2026-07-01 06:00:00 +00:00", true, "2026-07-01 19:00:00 +00:00"},
		{"winter time is UTC", "Europe/Dublin", ardenmoor, "2026-01-07 06:59:59 +00:00", false, "2026-01-07 07:00:00 +00:00"},

		{"opening in the hour that is skipped", "Europe/Dublin", "{sunday: 01:30-05:00}", "2026-03-29 00:00:00 +00:00", false, "2026-03-29 01:00:00 +00:00"},
		{"closing in the hour that is skipped", "Europe/Dublin", "{sunday: 00:00-01:30}", "2026-03-29 00:30:00 +00:00", true, "2026-03-29 01:00:00 +00:00"},
		{"opening in the hour that comes twice: the first", "Europe/Dublin", "{sunday: 01:30-05:00}", "2026-10-25 00:00:00 +00:00", false, "2026-10-25 00:30:00 +00:00"},
		{"inside between the two", "Europe/Dublin", "{sunday: 01:30-05:00}", "2026-10-25 01:10:00 +00:00", true, "2026-10-25 05:00:00 +00:00"},
		{"closing in the hour that comes twice: the last", "Europe/Dublin", "{sunday: 00:00-01:30}", "2026-10-25 00:45:00 +00:00", true, "2026-10-25 01:30:00 +00:00"},
		{"west of Greenwich: the first", "America/New_York", "{sunday: 01:30-05:00}", "2026-11-01 05:00:00 +00:00", false, "2026-11-01 05:30:00 +00:00"},
		{"west of Greenwich: the last", "America/New_York", "{sunday: 00:00-01:30}", "2026-11-01 05:45:00 +00:00", true, "2026-11-01 06:30:00 +00:00"},

		{"over midnight without a break", "Europe/Dublin", "{friday: 18:00-24:00, saturday: 00:00-02:00}", "2026-06-05 23:00:00", true, "2026-06-06 02:00:00"},
		{"split days", "Europe/Dublin", "{daily: [08:00-12:00, 13:00-18:00]}", "2026-06-05 12:30:00", false, "2026-06-05 13:00:00"},
		{"touching hours are one", "Europe/Dublin", "{monday: [08:00-12:00, 12:00-18:00]}", "2026-06-08 09:00:00", true, "2026-06-08 18:00:00"},
		{"never", "UTC", "{monday: closed}", "2026-06-05 12:30:00", false, ""},
		{"always", "UTC", "{daily: 00:00-24:00}", "2026-06-05 12:30:00", true, ""},
		{"always but for one day", "UTC", "{daily: 00:00-24:00, except: {2026-06-10: closed}}", "2026-06-05 12:30:00", true, "2026-06-10 00:00:00"},
		{"only on one day", "UTC", "{except: {2026-06-10: 10:00-11:00}}", "2026-06-05 12:30:00", false, "2026-06-10 10:00:00"},
		{"over the year", "UTC", "{except: {2027-01-01: 00:00-01:00}}", "2026-12-31 23:59:59", false, "2027-01-01 00:00:00"},
		{"short words and a week that wraps", "UTC", "{sat-mon: 10:00-11:00}", "2026-06-08 10:30:00", true, "2026-06-08 11:00:00"},
		{"half an hour's saving", "Australia/Lord_Howe", "{daily: 02:15-05:00}", "2026-10-03 12:00:00 +00:00", false, "2026-10-03 15:30:00 +00:00"},
	} {
		t.Run(c.name, func(t *testing.T) {
			h, zone := hoursOf(t, c.zone, c.hours)
			inside, next := h.At(at(t, zone, c.at))
			want := collector.Never
			if c.next != "" {
				want = at(t, zone, c.next)
			}
			if inside != c.inside || next != want {
				t.Errorf("%s: inside %t until %s, want %t until %s", c.at, inside, say(next, zone), c.inside, say(want, zone))
			}
		})
	}
}

func say(m collector.Moment, zone *time.Location) string {
	if m == collector.Never {
		return "never"
	}
	return time.Unix(0, int64(m)).In(zone).Format(time.RFC3339)
}

// What At announces is what it does: nothing changes before, and it does change
// then. Walked minute by minute over both nights of the year.
func TestHoursAnnounceTheirChanges(t *testing.T) {
	for _, text := range []string{ardenmoor, "{sunday: 01:30-02:30}", "{daily: [00:00-01:15, 01:30-01:45, 23:00-24:00]}"} {
		h, _ := hoursOf(t, "Europe/Dublin", text)
		for _, day := range []string{"2026-03-28", "2026-10-24", "2026-12-24"} {
			start, err := time.Parse(time.DateOnly, day)
			if err != nil {
				t.Fatal(err)
			}
			was, next := h.At(collector.At(start))
			for i := 1; i < 72*60; i++ {
				m := collector.At(start.Add(time.Duration(i) * time.Minute))
				inside, n := h.At(m)
				if (inside != was) != (m >= next) {
					t.Fatalf("%s at %s: inside %t after %t, announced %s", text, say(m, time.UTC), inside, was, say(next, time.UTC))
				}
				if n <= m {
					t.Fatalf("%s at %s: the next change is %s", text, say(m, time.UTC), say(n, time.UTC))
				}
				was, next = inside, n
			}
		}
	}
}

// The hours do their work in the engine: an alarm outside them is suppressed by design.
func TestHoursInTheEngine(t *testing.T) {
	s, err := site(t, map[string]string{
		"contacts.yaml": handbookContacts,
		"site.yaml":     strings.Replace(handbook, "wash.closed: not wash.open", "wash.closed: {not: open}\n  open: {hours: {daily: 07:00-20:00}}", 1),
		"rules/a.yaml":  "rules:\n  drum: {point: air.compressor.running, equals: true, on-delay: 0s, priority: low, suppress-when: wash.closed}\n",
	})
	if err != nil {
		t.Fatal(err)
	}
	e, err := rules.New(s.Points, s.Rules)
	if err != nil {
		t.Fatal(err)
	}
	p, _ := s.Point("air.compressor.running")
	noon := at(t, s.Zone, "2026-06-03 19:59:00")
	e.Step(noon, []collector.Reading{{Point: p.ID, Value: 1, Quality: collector.Good, At: noon}}, nil)
	if got := e.Status(nil)[0].State; got != rules.Unacknowledged {
		t.Fatalf("in the hours: %v", got)
	}
	_, next := e.Step(noon+1, nil, nil)
	if want := at(t, s.Zone, "2026-06-03 20:00:00"); next != want {
		t.Fatalf("the engine wakes at %s, want %s", say(next, s.Zone), say(want, s.Zone))
	}
	e.Step(next, nil, nil)
	if got := e.Status(nil)[0].State; got != rules.SuppressedByDesign {
		t.Errorf("after closing: %v", got)
	}
}
