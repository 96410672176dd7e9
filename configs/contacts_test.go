package configs_test

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/configs/strict"
	"roundsman/exporter/callout/desk"
)

// withContacts are the files of a site that is right, with a contacts file.
func withContacts(contacts string) map[string]string {
	return map[string]string{"contacts.yaml": contacts,
		"site.yaml": "site: {name: X, time-zone: UTC}\ncontacts: contacts.yaml\nlinks:\n  plc: {modbus: tcp://127.0.0.1:502}\npoints:\n  a: {link: plc, holding: 1}\n"}
}

func TestPeople(t *testing.T) {
	s, err := site(t, withContacts(handbookContacts))
	if err != nil {
		t.Fatal(err)
	}
	want := []configs.Person{
		{ID: "n.quill", Name: "Niamh Quill", Role: "technician", KeyFile: "/run/credentials/n.quill"},
		{ID: "a.lark", Name: "Aoife Lark"},
	}
	if !slices.Equal(s.People, want) {
		t.Errorf("got %+v\nwant %+v", s.People, want)
	}
	if len(s.Notes) != 0 {
		t.Errorf("notes: %v", s.Notes)
	}
}

// A site without people is good, and 'check' says what that means.
func TestNobodyMayAct(t *testing.T) {
	files := withContacts("")
	files["site.yaml"] = strings.Replace(files["site.yaml"], "contacts: contacts.yaml\n", "", 1)
	s, err := site(t, files)
	if err != nil {
		t.Fatal(err)
	}
	const want = "site.yaml:1:1: remark: site: no contacts file is given; nobody may act on alarms"
	if got := s.Notes.Of(strict.Remark).Error(); got != want || len(s.People) != 0 {
		t.Errorf("notes %q, people %v; want %q", got, s.People, want)
	}
}

func TestBadContacts(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "contacts.yaml:1:1: the file is empty"},
		{"no people", "peeple: {}", `contacts.yaml:1:1: unknown key "peeple" (did you mean people?)`},
		{"nobody", "people: {}", `contacts.yaml:1:9: people: is empty`},
		{"no name", "people:\n  a: {role: lead}", `contacts.yaml:2:3: people.a: name is missing`},
		{"empty name", "people:\n  a: {name: '  '}", `contacts.yaml:2:13: people.a.name: is empty; expected a text`},
		{"near key", "people:\n  a: {name: A, key-fil: /k}", `contacts.yaml:2:16: people.a: unknown key "key-fil" (did you mean key-file?)`},
		{"secret in the file", "people:\n  a: {name: A, key: s3cret}", `contacts.yaml:2:16: people.a: unknown key "key"`},
		{"twice", "people:\n  a: {name: A}\n  a: {name: B}", `contacts.yaml:3:3: people: "a" stands twice, first in line 2`},
		{"bad short name", "people:\n  'a b': {name: A}", `contacts.yaml:2:3: people.a b: "a b" is no good name: letters, digits, dots, dashes and underscores, at most 100`},
		{"one name", "people:\n  a: {name: Niamh Quill}\n  b: {name: niamh quill}",
			`contacts.yaml:3:13: people.b.name: niamh quill is that of a too; the journal could not tell them apart`},
		{"one key", "people:\n  a: {name: A, key-file: /k}\n  b: {name: B, key-file: /k}",
			`contacts.yaml:3:26: people.b.key-file: /k is that of a too; with one key each could act as the other`},
		{"long name", "people:\n  a: {name: " + strings.Repeat("x", 61) + "}", `contacts.yaml:2:13: people.a.name: has 61 letters, at most 60 are shown`},
		{"unprintable name", "people:\n  a: {name: \"A\\u202eB\"}", `contacts.yaml:2:13: people.a.name: "A\u202eB" holds a character that cannot be shown`},
		{"what is not there", "people:\n  a: {name: A, mobile: x}\nchanels: {}\nrota: {}\nquiet-hours: 22:00-06:00\nescalation: []",
			`contacts.yaml:2:16: people.a: unknown key "mobile"
contacts.yaml:3:1: unknown key "chanels" (did you mean channels?)
contacts.yaml:5:14: quiet-hours: found "22:00-06:00", expected keys with values
contacts.yaml:6:1: unknown key "escalation"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := site(t, withContacts(c.text))
			if got := errorsOf(t, err); got != c.want {
				t.Errorf("%s\n got: %s\nwant: %s", c.text, got, c.want)
			}
		})
	}
}

func TestContactsFileIsNamed(t *testing.T) {
	for _, c := range []struct{ contacts, want string }{
		{"people.yaml", "site.yaml:2:11: contacts: people.yaml: no such file"},
		{"../contacts.yaml", "site.yaml:2:11: contacts: ../contacts.yaml lies outside the folder of the site file"},
		{"/etc/contacts.yaml", "site.yaml:2:11: contacts: /etc/contacts.yaml lies outside the folder of the site file"},
		{"x/../../contacts.yaml", "site.yaml:2:11: contacts: x/../../contacts.yaml lies outside the folder of the site file"},
		{"..contacts.yaml", "site.yaml:2:11: contacts: ..contacts.yaml: no such file"},
		{"x/../contacts.yaml", ""},
	} {
		files := withContacts(handbookContacts)
		files["site.yaml"] = strings.Replace(files["site.yaml"], "contacts: contacts.yaml", "contacts: "+c.contacts, 1)
		_, err := site(t, files)
		if got := errorsOf(t, err); got != c.want {
			t.Errorf("%s\n got: %s\nwant: %s", c.contacts, got, c.want)
		}
	}
}

// Any contacts file that loads can be proven, and its rotas asked.
func FuzzContactsFile(f *testing.F) {
	f.Add(handbookContacts)
	f.Add(wholeContacts)
	f.Add(calling + "rota:\n  r: " + weekAbout + "\ncall-outs:\n  duty: {steps: [{who: r}], open: {sunday: closed}}\nbox: duty\n")
	f.Add("people: {a: {name: x, key-file: y}, a: {name: x, key-file: y}}")
	r := rand.New(rand.NewPCG(5, 6))
	f.Add(calling + randomPlan(r) + "box: duty\n")
	f.Fuzz(func(t *testing.T, text string) {
		files := withContacts(text)
		check(t, files)
		s, err := site(t, files)
		if err != nil {
			return
		}
		now := collector.At(time.Date(2026, 3, 20, 0, 0, 0, 0, time.UTC))
		s.Holes(now, configs.EightWeeks)
		if _, err := desk.New(desk.Options{Plan: s.Callout.Plan, Rules: s.Rules.Rules, Points: s.Points, Zone: s.Zone}); err != nil {
			t.Errorf("the desk refuses a plan that loaded: %v", err)
		}
		s.Callout.DrillContacts(now)
		for _, c := range s.Callout.Plan.Contacts {
			if len(c.Addresses) == 0 || c.Patience <= 0 {
				t.Errorf("a contact that nothing reaches: %+v", c)
			}
		}
		for _, rota := range s.Callout.Plan.Rotas {
			if _, next := rota.Turn.On(now); next <= now {
				t.Errorf("%s changes at %v, before %v", rota.Name, next, now)
			}
		}
		for _, route := range s.Callout.Plan.Routes {
			if len(route.Steps) == 0 || len(route.Steps[0].Who) == 0 {
				t.Errorf("a call-out to nobody: %+v", route)
			}
		}
	})
}
