package configs_test

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/callout"
)

// calling is a contacts file with a rota; what stands in it is added.
const calling = `people:
  ann: {name: Ann, channels: [{sms: '+12025550101'}]}
  bob: {name: Bob, channels: [{sms: '+12025550102'}]}
  cat: {name: Cat, channels: [{sms: '+12025550103'}]}
  dan: {name: Dan}
channels:
  sms: {modem: /dev/ttyUSB2}
`

func callingSite(t *testing.T, zone, contacts string) *configs.Site {
	t.Helper()
	s, err := site(t, map[string]string{"contacts.yaml": contacts,
		"site.yaml": "site: {name: X, time-zone: " + zone + "}\ncontacts: contacts.yaml\nlinks: {plc: {modbus: tcp://127.0.0.1:502}}\npoints: {a: {link: plc, discrete: 0}}\n"})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func rotaOf(t *testing.T, zone, rota string) (callout.Turn, *time.Location) {
	t.Helper()
	s := callingSite(t, zone, calling+"rota:\n  duty: "+rota+"\n")
	return s.Callout.Plan.Rotas[0].Turn, s.Zone
}

const weekAbout = "{hand-over: monday 08:00, since: 2026-11-02, weeks: [ann, bob]}"

// The nights of Ireland and New York in 2026 are those of TestHours. A change in an hour that comes twice
// happens the first time, one in an hour that is skipped at the skip.
func TestRota(t *testing.T) {
	const nights = "{week: {daily: {00:00-01:30: ann, 01:30-24:00: bob}}}"
	for _, c := range []struct {
		name, zone, rota, at string
		people               string
		next                 string // '' never
	}{
		{"one for ever", "Europe/Dublin", "{week: ann}", "2026-06-03 12:00:00", "ann", ""},
		{"two at once", "Europe/Dublin", "{week: [ann, bob]}", "2026-06-03 12:00:00", "ann bob", ""},
		{"before the hand-over", "Europe/Dublin", weekAbout, "2026-11-02 07:59:59", "bob", "2026-11-02 08:00:00"},
		{"at the hand-over", "Europe/Dublin", weekAbout, "2026-11-02 08:00:00", "ann", "2026-11-09 08:00:00"},
		{"the second week", "Europe/Dublin", weekAbout, "2026-11-09 08:00:00", "bob", "2026-11-16 08:00:00"},
		{"the week that ends in winter time began in summer time", "Europe/Dublin", weekAbout, "2026-10-24 12:00:00", "ann", "2026-10-26 08:00:00 +00:00"},
		{"long before", "Europe/Dublin", weekAbout, "2026-03-25 12:00:00", "ann", "2026-03-30 08:00:00 +01:00"},
		{"years after", "Europe/Dublin", weekAbout, "2031-01-01 12:00:00", "bob", "2031-01-06 08:00:00"},
		{"a word of three weeks", "UTC", "{hand-over: friday 17:00, since: 2026-11-06, weeks: [ann, bob, cat]}", "2026-11-20 17:00:00", "cat", "2026-11-27 17:00:00"},
		{"patterns that take turns", "UTC", "{hand-over: monday 00:00, since: 2026-11-02, weeks: [{monday-friday: ann, saturday-sunday: bob}, cat]}", "2026-11-06 10:00:00", "ann", "2026-11-07 00:00:00"},
		{"and the next week", "UTC", "{hand-over: monday 00:00, since: 2026-11-02, weeks: [{monday-friday: ann, saturday-sunday: bob}, cat]}", "2026-11-09 10:00:00", "cat", "2026-11-16 00:00:00"},
		{"a hole", "UTC", "{week: {monday-friday: ann}}", "2026-11-07 10:00:00", "", "2026-11-09 00:00:00"},
		{"never anybody", "UTC", "{week: nobody}", "2026-11-07 10:00:00", "", ""},
		{"a holiday", "UTC", "{week: ann, except: {2026-12-25: bob}}", "2026-12-24 10:00:00", "ann", "2026-12-25 00:00:00"},
		{"its end", "UTC", "{week: ann, except: {2026-12-25: bob}}", "2026-12-25 10:00:00", "bob", "2026-12-26 00:00:00"},
		{"a holiday that nobody works", "UTC", "{week: ann, except: {2026-12-25: nobody}}", "2026-12-25 10:00:00", "", "2026-12-26 00:00:00"},
		{"holidays", "UTC", "{week: ann, except: {2026-12-24 to 2026-12-27: bob}}", "2026-12-24 00:00:00", "bob", "2026-12-28 00:00:00"},
		{"hours of a date leave the rest as it is", "UTC", "{week: ann, except: {2026-12-24: {09:00-12:00: bob}}}", "2026-12-24 08:00:00", "ann", "2026-12-24 09:00:00"},
		{"a date over the hand-over", "Europe/Dublin", weekAbout[:len(weekAbout)-1] + ", except: {2026-11-09: cat}}", "2026-11-08 10:00:00", "ann", "2026-11-09 00:00:00"},
		{"and back into the new week", "Europe/Dublin", weekAbout[:len(weekAbout)-1] + ", except: {2026-11-09: cat}}", "2026-11-09 10:00:00", "cat", "2026-11-10 00:00:00"},
		{"far ahead", "UTC", "{week: ann, except: {2027-10-01: bob}}", "2026-01-01 00:00:00", "ann", "2027-10-01 00:00:00"},
		{"over midnight without a break", "UTC", "{week: {daily: {00:00-08:00: ann, 08:00-20:00: bob, 20:00-24:00: ann}}}", "2026-06-03 21:00:00", "ann", "2026-06-04 08:00:00"},

		{"a change in the hour that is skipped", "Europe/Dublin", nights, "2026-03-29 00:30:00 +00:00", "ann", "2026-03-29 01:00:00 +00:00"},
		{"a shift inside the hour that is skipped is left out", "Europe/Dublin", "{week: {daily: {00:00-01:15: ann, 01:15-01:45: cat, 01:45-24:00: bob}}}", "2026-03-29 00:30:00 +00:00", "ann", "2026-03-29 01:00:00 +00:00"},
		{"nor does it change anything", "Europe/Dublin", "{week: {daily: {00:00-01:15: ann, 01:15-01:45: cat, 01:45-24:00: ann}}}", "2026-03-29 00:30:00 +00:00", "ann", "2026-03-30 01:15:00 +01:00"},
		{"and whose it is then", "Europe/Dublin", "{week: {daily: {00:00-01:15: ann, 01:15-01:45: cat, 01:45-24:00: bob}}}", "2026-03-29 01:00:00 +00:00", "bob", "2026-03-30 00:00:00 +01:00"},
		{"a change in the hour that comes twice: the first", "Europe/Dublin", nights, "2026-10-25 00:00:00 +01:00", "ann", "2026-10-25 01:30:00 +01:00"},
		{"and not again", "Europe/Dublin", nights, "2026-10-25 01:10:00 +00:00", "bob", "2026-10-26 00:00:00 +00:00"},
		{"west of Greenwich", "America/New_York", nights, "2026-11-01 00:00:00 -04:00", "ann", "2026-11-01 01:30:00 -04:00"},
		{"hand-over in the hour that comes twice", "Europe/Dublin", "{hand-over: sunday 01:30, since: 2026-10-25, weeks: [ann, bob]}", "2026-10-25 00:00:00 +00:00", "bob", "2026-10-25 00:30:00 +00:00"},
		{"midnight is skipped", "America/Havana", "{week: {sunday: ann, monday-saturday: bob}}", "2026-03-07 23:59:59 -05:00", "bob", "2026-03-08 01:00:00 -04:00"},
	} {
		t.Run(c.name, func(t *testing.T) {
			turn, zone := rotaOf(t, c.zone, c.rota)
			people, next := turn.On(at(t, zone, c.at))
			want := collector.Never
			if c.next != "" {
				want = at(t, zone, c.next)
			}
			if got := strings.Join(people, " "); got != c.people || next != want {
				t.Errorf("%s: %q until %s, want %q until %s", c.at, got, say(next, zone), c.people, say(want, zone))
			}
		})
	}
}

// onPaper says who is on duty by the plainest way there is: the hand of the clock on the wall, minute by minute. The
// second time round an hour that comes twice belongs to whoever had its end.
func onPaper(zone *time.Location, m time.Time, shifts func(day time.Time, minute int) string) string {
	t := m.In(zone)
	earlier := m
	_, offset := t.Zone()
	if _, before := m.Add(-3 * time.Hour).In(zone).Zone(); before == offset { // an ordinary stretch of the day
		return shifts(time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC), t.Hour()*60+t.Minute())
	}
	for back := time.Minute; back <= 2*time.Hour; back += time.Minute { // was a later time on the wall today already?
		b := m.Add(-back).In(zone)
		if b.Day() == t.Day() && b.Hour()*60+b.Minute() > earlier.In(zone).Hour()*60+earlier.In(zone).Minute() {
			earlier = m.Add(-back)
		}
	}
	w := earlier.In(zone)
	return shifts(time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC), w.Hour()*60+w.Minute())
}

// Minute by minute through the nights of 23 and 25 hours the rota says what paper says, and announces each change.
func TestRotaAgainstPaper(t *testing.T) {
	day := func(minute int) string {
		switch {
		case minute < 75:
			return "ann"
		case minute < 100:
			return "bob"
		case minute < 125:
			return ""
		}
		return "cat"
	}
	const rota = "{week: {daily: {00:00-01:15: ann, 01:15-01:40: bob, 02:05-24:00: cat}}, except: {2026-03-28: {12:00-12:01: bob}}}"
	shifts := func(d time.Time, minute int) string {
		if minute == 720 && d.Format(time.DateOnly) == "2026-03-28" {
			return "bob"
		}
		return day(minute)
	}
	for _, zone := range []string{"Europe/Dublin", "America/New_York", "Australia/Lord_Howe", "UTC"} {
		turn, loc := rotaOf(t, zone, rota)
		for _, start := range []string{"2026-03-28", "2026-10-24", "2026-03-07", "2026-10-31", "2026-04-03", "2026-10-02"} {
			from, err := time.ParseInLocation(time.DateOnly, start, loc)
			if err != nil {
				t.Fatal(err)
			}
			was, next := "", collector.Moment(0)
			for i := range 3 * 24 * 60 {
				m := from.Add(time.Duration(i) * time.Minute)
				people, n := turn.On(collector.At(m))
				got := strings.Join(people, " ")
				if want := onPaper(loc, m, shifts); got != want {
					t.Fatalf("%s at %s: %q, on paper %q", zone, m, got, want)
				}
				if i > 0 && (got != was) != (collector.At(m) >= next) {
					t.Fatalf("%s at %s: %q after %q, announced %s", zone, m, got, was, say(next, loc))
				}
				if n <= collector.At(m) {
					t.Fatalf("%s at %s: the next change is %s", zone, m, say(n, loc))
				}
				was, next = got, n
			}
		}
	}
}

// Random rotas of weeks that take turns: each minute of a year has exactly the people that its week's list has, and
// weeks follow each other without a gap over both changes of the clock.
func TestHandOversAreWeekly(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 20 {
		weeks := 2 + r.IntN(3)
		names := []string{"ann", "bob", "cat"}
		var list []string
		for range weeks {
			list = append(list, names[r.IntN(3)])
		}
		since := time.Date(2026, 1, 1+r.IntN(60), 0, 0, 0, 0, time.UTC)
		minute := r.IntN(24 * 60)
		hand := time.Date(2026, 1, 1, 0, minute, 0, 0, time.UTC).Format("15:04")
		turn, zone := rotaOf(t, "Europe/Dublin", "{hand-over: "+strings.ToLower(since.Weekday().String())+" "+hand+", since: "+since.Format(time.DateOnly)+", weeks: ["+strings.Join(list, ", ")+"]}")
		for i := -30; i < 60; i++ {
			d := since.AddDate(0, 0, 7*i)
			for _, off := range []int{-61, 61} { // an hour of the night may be skipped or come twice
				m := time.Date(d.Year(), d.Month(), d.Day(), 0, minute+off, 0, 0, zone)
				k := i
				if off < 0 {
					k--
				}
				want := list[((k%weeks)+weeks)%weeks]
				if people, _ := turn.On(collector.At(m)); !slices.Equal(people, []string{want}) {
					t.Fatalf("%v since %s %s: at %s %q, want %s", list, since.Format(time.DateOnly), hand, m, people, want)
				}
			}
		}
	}
}
