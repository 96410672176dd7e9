package main

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"roundsman/configs"
)

// Only what a link is made of makes it end; where its points stand in the file, and what is said of others, does not.
func TestSiteDiff(t *testing.T) {
	const site = `site: {name: Corner Wash, time-zone: Europe/Dublin}
rules: [rules.yaml]
record: {path: corner.db}
links:
  a: {modbus: 'tcp://127.0.0.1:1', units: {1: {max-registers: 60}}}
  b: {modbus: 'tcp://127.0.0.1:2'}
  yard: {mqtt: 'tcp://127.0.0.1:3'}
points:
  air.pressure: {station: air, link: a, unit-id: 1, holding: 10, type: int16, unit: bar, range: [0 bar, 16 bar], every: 1s}
  air.running: {station: air, link: a, unit-id: 1, discrete: 0, type: bool, every: 1s}
  tank.level: {station: tank, link: b, unit-id: 1, holding: 10, type: int16, unit: '%', every: 1s}
  yard.level: {station: yard, link: yard, topic: yard/level, unit: '%', stale-after: 1m}
  air.mean: {station: air, mean: air.pressure, over: 10m}
equipment:
  compressor: {run: air.running, rated: 11 kW}
`
	swap := func(old, now string) func(string) string {
		return func(s string) string {
			if !strings.Contains(s, old) {
				t.Fatalf("no %q in the site", old)
			}
			return strings.Replace(s, old, now, 1)
		}
	}
	line := func(name string) string {
		for l := range strings.Lines(site) {
			if strings.HasPrefix(l, "  "+name+":") {
				return l
			}
		}
		t.Fatalf("no line of %s", name)
		return ""
	}
	for _, tt := range []struct {
		name  string
		edit  func(string) string
		words string
		same  bool
	}{
		{"nothing", func(s string) string { return s }, "", true},
		{"a comment", swap("links:\n", "# to be moved\nlinks:\n"), "", true},
		{"points put in another order", func(s string) string {
			return swap("points:\n", "points:\n"+line("air.running"))(swap(line("air.running"), "")(s))
		}, "", false},
		{"links put in another order", func(s string) string { return swap("links:\n", "links:\n"+line("b"))(swap(line("b"), "")(s)) }, "", false},
		{"a machine's rated power", swap("11 kW", "15 kW"), "", true},
		{"a station's name", swap("station: tank", "station: yard"), "points +0 -0, 1 changed; links changed: b", false},
		{"a register", swap("link: b, unit-id: 1, holding: 10", "link: b, unit-id: 1, holding: 11"), "points +0 -0, 1 changed; links changed: b", false},
		{"an address", swap("127.0.0.1:2", "127.0.0.1:4"), "links changed: b", true},
		{"what is said of a unit", swap("max-registers: 60", "max-registers: 20"), "links changed: a", true},
		{"a topic", swap("yard/level", "yard/tank"), "points +0 -0, 1 changed; links changed: yard", false},
		{"a range", swap("16 bar", "10 bar"), "points +0 -0, 1 changed; links changed: a", false},
		{"a topic's unit", swap("yard/level, unit: '%'", "yard/level, unit: mm"), "points +0 -0, 1 changed; links changed: yard", false},
		{"a new name", swap("tank.level:", "tank.depth:"), "points +1 -1; links changed: b", false},
		{"another link", func(s string) string { return swap("  yard:", "  shed:")(swap("link: yard", "link: shed")(s)) }, "points +1 -1, 1 changed; links new: shed; links gone: yard", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			old, now := loadText(t, site), loadText(t, tt.edit(site))
			d := diffSites(old, now)
			if got := d.words(); got != tt.words {
				t.Errorf("%q, want %q", got, tt.words)
			}
			if d.same != tt.same {
				t.Errorf("the points are the same: %v, want %v", d.same, tt.same)
			}
			for i, id := range d.ids {
				if id >= 0 && old.Points[i].Name != now.Points[id].Name {
					t.Errorf("%s became %s", old.Points[i].Name, now.Points[id].Name)
				}
			}
		})
	}
	for _, tt := range []struct{ old, now, want string }{
		{"rules: [rules.yaml]", "rules: [rules.yaml]\nlisten: 127.0.0.1:9999", "listen"},
		{"path: corner.db", "path: corner.db, keep: {readings: 10d}", "record"},
		{"path: corner.db", "path: other.db", "record"},
		{"Europe/Dublin", "Europe/Vienna", "site.time-zone"},
		{"rules: [rules.yaml]", "rules: [rules.yaml]\npanel: {view: people}", "panel"},
		{"Corner Wash", "Broad Wash", ""},
	} {
		old, now := loadText(t, site), loadText(t, swap(tt.old, tt.now)(site))
		if got := needRestart(old, now); !slices.Equal(got, strings.Fields(tt.want)) {
			t.Errorf("%s: %q, want %q", tt.now, got, tt.want)
		}
	}
	old, now := loadText(t, site), loadText(t, site)
	old.Callout.Links.Address, now.Callout.Links.Address = "https://a.example", "https://b.example"
	if got := needRestart(old, now); len(got) != 0 {
		t.Errorf("another address of links: %q", got)
	}
	old.Callout.Links.Address = ""
	if got := needRestart(old, now); !slices.Equal(got, []string{"contacts.links"}) {
		t.Errorf("links for the first time: %q", got)
	}
}

func loadText(t *testing.T, site string) *configs.Site {
	t.Helper()
	dir := t.TempDir()
	write(t, dir, "site.yaml", site)
	write(t, dir, "rules.yaml", "rules: {}\n")
	s, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return s
}
