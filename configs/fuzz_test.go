package configs_test

import (
	"errors"
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"

	"roundsman/configs"
	"roundsman/rules"
)

// check holds what Load promises for any input: a site that all parts take, or
// problems, each with a file and, where it is inside a file, a place that exists.
func check(t *testing.T, files map[string]string) {
	t.Helper()
	fsys := fstest.MapFS{}
	for name, text := range files {
		fsys[name] = &fstest.MapFile{Data: []byte(text)}
	}
	s, err := configs.Load(fsys, "site.yaml")
	if (s == nil) == (err == nil) {
		t.Fatalf("site %v with error %v", s, err)
	}
	found := problems(t, s, err)
	for _, p := range found {
		text, ok := files[p.File]
		if !ok || p.Text == "" || strings.ContainsAny(p.Text, "\n\r") {
			t.Errorf("a problem without file, text or on many lines: %q", p.String())
		}
		if lines := strings.Count(text, "\n") + strings.Count(text, "\r") + strings.Count(text, "\u0085") + strings.Count(text, "\u2028") + strings.Count(text, "\u2029") + 2; p.Line < 0 || p.Line > lines {
			t.Errorf("line %d of %d: %v", p.Line, lines, p)
		}
	}
	if err != nil {
		return
	}
	if _, err := rules.New(s.Points, s.Rules); err != nil {
		t.Errorf("the engine refuses a set that loaded: %v", err)
	}
	for i, p := range s.Points {
		if int(p.ID) != i || p.Name == "" {
			t.Errorf("point %d: %+v", i, p)
		}
	}
}

func problems(t *testing.T, s *configs.Site, err error) configs.Problems {
	if err == nil {
		return s.Notes
	}
	ps, ok := errors.AsType[configs.Problems](err)
	if !ok || len(ps) == 0 {
		t.Fatalf("error of type %T: %v", err, err)
	}
	return ps
}

// seeds adds the demonstration's files, the wrong lines and their like.
func seeds(f *testing.F, cases []badLine, file string) {
	for _, c := range cases {
		f.Add(c.files()[file])
	}
	fsys, _ := configs.Demo()
	names, err := fs.Glob(fsys, "rules/*.yaml")
	if err != nil {
		f.Fatal(err)
	}
	if file == "site.yaml" {
		names = []string{"site.yaml"}
	}
	for _, n := range names {
		data, err := fs.ReadFile(fsys, n)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(data))
	}
	for _, s := range []string{"", "---", "\t", "a: &x [*x]", "? \n: ", "a: !!binary x", "{", "[[[[", "%YAML 9.9\n---\n", "a: |\n  b\n", "a: >-\n\n", "'", "\"\\u0000\"", "\ufeff", "- - - -", "a: 1\r\nb: 2\rc: 3"} {
		f.Add(s)
	}
}

func FuzzSiteFile(f *testing.F) {
	seeds(f, siteCases, "site.yaml")
	f.Add(handbook)
	f.Fuzz(func(t *testing.T, text string) {
		check(t, map[string]string{"site.yaml": text, "rules/air.yaml": handbookRules, "contacts.yaml": handbookContacts})
	})
}

func FuzzRuleFile(f *testing.F) {
	seeds(f, ruleCases, "r.yaml")
	f.Add(handbookRules)
	site := strings.Replace(handbook, "rules/*.yaml", "r.yaml", 1)
	f.Fuzz(func(t *testing.T, text string) {
		check(t, map[string]string{"site.yaml": site, "r.yaml": text, "contacts.yaml": handbookContacts})
	})
}

// What a few lines can ask for is bounded: patterns over all points, each the
// cause of each, and thousands of names that nothing is near to.
func TestGrowthIsBounded(t *testing.T) {
	points := string(longList(3500))
	load := func(ruleFile string) string {
		t.Helper()
		_, err := site(t, map[string]string{"site.yaml": points + "rules: r.yaml\n", "r.yaml": ruleFile})
		return errorsOf(t, err)
	}
	many := "rules:\n"
	for i := range 7 {
		many += "  r" + strings.Repeat("x", i) + ": {points: ['hall.*'], low: 5 bar, deadband: 1, on-delay: 1s, priority: low}\n"
	}
	if got, want := load(many), "r.yaml:7:3: rules.rxxxxx: more than 20000 alarms"; got != want {
		t.Errorf("got %.200s\nwant %s", got, want)
	}
	causes := "rules:\n  a: {points: ['hall.*'], bad: true, priority: low}\n  b: {points: ['hall.*'], bad: true, priority: low, caused-by: a}\n"
	if got, want := load(causes), "r.yaml:3:3: rules.b: more than 1000000 pairs of cause and consequence"; got != want {
		t.Errorf("got %.200s\nwant %s", got, want)
	}
	unknown := "rules:\n  a: {point: hall.1.pressure, bad: true, priority: low, while: [x"
	for i := range 3000 {
		unknown += ", hall.y" + strings.Repeat("z", i%50) + "." + string(rune('a'+i%26))
	}
	if got := load(unknown + "]}\n"); !strings.Contains(got, "unknown point or condition") {
		t.Errorf("got %.200s", got)
	}
}
