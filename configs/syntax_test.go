package configs_test

import (
	"fmt"
	"maps"
	"strings"
	"testing"

	"roundsman/configs"
	"roundsman/configs/strict"
)

func TestWhatIsNoSiteFile(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"nothing", "", "site.yaml:1:1: the file is empty"},
		{"comments only", "# nothing here\n", "site.yaml:1:1: the file is empty"},
		{"null", "~\n", "site.yaml:1:1: has no value; expected keys with values"},
		{"a text", "hello\n", `site.yaml:1:1: found "hello", expected keys with values`},
		{"a list", "- a\n- b\n", "site.yaml:1:1: found a list, expected keys with values"},
		{"a tab", "site:\n\tname: X\n", "site.yaml:2:1: a tab indents this line; YAML needs blanks"},
		{"a deeper tab", "site:\n  name: X\n  \ttime-zone: UTC\n", "site.yaml:3:3: a tab indents this line; YAML needs blanks"},
		{"unclosed bracket", "links: {plc: {modbus: tcp://h:502}\npoints: {}\n", "site.yaml:2:1: did not find expected ',' or '}' (while parsing a flow mapping that begins at 1:8)"},
		{"cut in a bracket", "site: {name: X", "site.yaml:1:7: what begins here is not finished when the file ends (did not find expected ',' or '}'): is the file cut off?"},
		{"cut in a quote", "site: {name: 'X", "site.yaml:1:14: what begins here is not finished when the file ends (found unexpected end of stream): is the file cut off?"},
		{"cut in a key", "site: {name: X}\npoi", "site.yaml:2:1: what begins here is not finished when the file ends (could not find expected ':'): is the file cut off?"},
		{"two colons", "site: name: X\n", "site.yaml:1:11: mapping values are not allowed in this context"},
		{"two documents", "site: {name: X}\nlinks: {}\npoints: {}\n---\nsite: {name: Y}\n", "site.yaml:4:1: a second document begins here; one file holds one document, remove the '---'"},
		{"a broken second document", "site: {name: X}\nlinks: {}\npoints: {}\n---\n[\n", "site.yaml:6:1: what begins here is not finished when the file ends (did not find expected node content): is the file cut off?"},
		{"unknown anchor", "site: *x\n", "site.yaml:1:7: unknown anchor 'x' referenced"},
		{"not UTF-8", "site: {name: \xff}\n", "site.yaml:1:14: byte 0xff is not UTF-8 text"},
		{"UTF-16", "s\x00i\x00t\x00e\x00", "site.yaml:1:2: control character 0x00"},
		{"control character", "site: {name: é\x07}\n", "site.yaml:1:15: control character 0x07"},
		{"a key that is a list", "? [a, b]\n: c\nlinks: {}\npoints: {}\nsite: {name: X}\n", "site.yaml:1:3: found a list where a key is expected"},
		{"a key without a name", "site: {name: X}\nlinks: {}\npoints: {'': {}}\n", `site.yaml:3:10: points: found "" where a key is expected`},
		{"nested too deep", "site: " + strings.Repeat("[", 100) + strings.Repeat("]", 100) + "\n", "site.yaml:1:71: exceeded max depth of 64 (while increasing flow level that begins at 1:71)"},
		{"too long", "#" + strings.Repeat("x", strict.MostBytes) + "\n", fmt.Sprintf("site.yaml: the file has %d bytes, more than %d", strict.MostBytes+1, strict.MostBytes)},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := site(t, map[string]string{"site.yaml": c.text})
			if got := errorsOf(t, err); got != c.want {
				t.Errorf("\n got: %s\nwant: %s", got, c.want)
			}
		})
	}
}

func TestNoSuchFile(t *testing.T) {
	_, err := site(t, nil)
	if got, want := errorsOf(t, err), "site.yaml: no such file"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	_, err = configs.LoadFile("testdata/none.yaml")
	if got, want := errorsOf(t, err), "testdata/none.yaml: no such file"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// A byte order mark is what some editors put before the text; it does no harm.
func TestByteOrderMark(t *testing.T) {
	if _, err := site(t, map[string]string{"site.yaml": "\ufeff" + handbook, "rules/a.yaml": handbookRules, "contacts.yaml": handbookContacts}); err != nil {
		t.Error(err)
	}
}

// All errors of all files come in one run, sorted by file and place.
func TestAllErrorsAtOnce(t *testing.T) {
	_, err := site(t, map[string]string{
		"site.yaml": `site: {name: X, zone: UTC}
links:
  plc: {modbus: tcp://127.0.0.1:502, timeout: 1}
points:
  b: {link: plc, holding: 11, type: int61}
  a: {link: plx, holding: 70000}
rules: rules/*.yaml
`,
		"rules/b.yaml": "rules:\n  r: {point: c, low: 5 bar, priority: hi}\n",
		"rules/a.yaml": "rules:\n\tr: {}\n",
		"rules/c.yaml": "rules:\n  s: {point: b, high: 5, deadband: 1, on-delay: 0s, priority: low}\n",
	})
	want := `rules/a.yaml:2:1: a tab indents this line; YAML needs blanks
rules/b.yaml:2:14: rules.r.point: unknown point "c"
rules/b.yaml:2:39: rules.r.priority: unknown priority "hi"; expected note, low, medium or high
site.yaml:1:17: site: unknown key "zone"
site.yaml:3:47: links.plc.timeout: "1": needs a unit: ms, s, m, h or d
site.yaml:5:37: points.b.type: unknown type "int61" (did you mean int16?)
site.yaml:6:13: points.a.link: unknown link "plx" (did you mean plc?)
site.yaml:6:27: points.a.holding: 70000 is outside 0 to 65535`
	if got := errorsOf(t, err); got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
}

// A site file cut off at any byte gives a site or a complaint, and never panics;
// cut inside its brackets it always is a complaint.
func TestCutAtEveryByte(t *testing.T) {
	whole := badLine{section: "rules", text: `  r: {point: a.pressure, low: 5 bar, low-low: {limit: 4 bar, on-delay: 2s}, deadband: 0.1 bar, on-delay: 5s,
    while: [a.running, not z, a.pressure < 6 bar], priority: low, response: "Stop \u0041ir"}`}.files()
	for name, text := range whole {
		files := maps.Clone(whole)
		open := 0
		for i := range len(text) {
			files[name] = text[:i]
			_, err := site(t, files)
			if got := errorsOf(t, err); err != nil && !strings.Contains(got, ".yaml") {
				t.Fatalf("%s cut at byte %d: %q names no file", name, i, got)
			}
			if err == nil && open > 0 {
				t.Errorf("%s cut at byte %d, inside brackets, loads", name, i)
			}
			open += strings.Count(text[i:i+1], "{") + strings.Count(text[i:i+1], "[") - strings.Count(text[i:i+1], "}") - strings.Count(text[i:i+1], "]")
		}
	}
}

// What is wrong many times over is not told for ever.
func TestManyProblems(t *testing.T) {
	var b strings.Builder
	b.WriteString("site: {name: X}\nlinks: {}\npoints:\n")
	for i := range 3000 {
		fmt.Fprintf(&b, "  p%d: {link: plc, holdin: 1}\n", i)
	}
	_, err := site(t, map[string]string{"site.yaml": b.String()})
	got := errorsOf(t, err)
	if n := strings.Count(got, "\n") + 1; n != 1001 || !strings.HasSuffix(got, "more problems are not shown") {
		t.Errorf("%d lines, ending %q", n, got[max(0, len(got)-100):])
	}
}
