package panel_test

import (
	"net/http/httptest"
	"time"

	"encoding/json"
	"fmt"
	"roundsman/collector"
	"roundsman/collector/outsidetest"
	"roundsman/exporter"
	"roundsman/exporter/certificate"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
	"strings"
	"testing"
)

// axeRules are those of WCAG 2.2, A and AA, and what axe calls best practice.
const axeRun = `axe.run(document, {runOnly: {type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}, resultTypes: ["violations"]})
	.then((r) => r.violations.filter((v) => v.impact === "serious" || v.impact === "critical")
		.map((v) => v.impact + " " + v.id + ": " + v.help + ": " + v.nodes.slice(0, 4).map((n) => n.target.join(" ") + " (" + n.any.concat(n.all).map((c) => c.message).join("; ") + ")").join(", ")))`

// axe fails for each serious or critical finding on the page.
func (b *browser) axe(script, where string) {
	b.t.Helper()
	b.eval(script + "; true")
	found, ok := b.eval(axeRun).([]any)
	if !ok {
		b.t.Fatalf("%s: axe says nothing", where)
	}
	for _, f := range found {
		b.t.Errorf("%s: %s", where, f)
	}
}

// loud fails for what the page wrote to the console as an error, and for what it threw.
func (b *browser) loud(where string) {
	b.t.Helper()
	b.eval("true") // events come before its answer
	for _, e := range b.events {
		switch e.Method {
		case "Runtime.exceptionThrown":
			b.t.Errorf("%s: thrown: %s", where, e.Params)
		case "Log.entryAdded":
			var p struct {
				Entry struct{ Level, Text, URL string }
			}
			if err := json.Unmarshal(e.Params, &p); err == nil && p.Entry.Level == "error" {
				b.t.Errorf("%s: console: %s %s", where, p.Entry.Text, p.Entry.URL)
			}
		case "Runtime.consoleAPICalled":
			if strings.Contains(string(e.Params), `"type":"error"`) {
				b.t.Errorf("%s: console: %s", where, e.Params)
			}
		}
	}
}

// controls marks all that a keyboard must reach: what is shown, not disabled, and of a group of radio buttons one.
const controls = `(() => {
	const groups = new Set();
	window.controls = [...document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']")].filter((e) => {
		if (e.disabled || e.getClientRects().length === 0 || getComputedStyle(e).visibility === "hidden") return false;
		if (e.type !== "radio") return true;
		const group = (e.form ? [...document.forms].indexOf(e.form) : "") + " " + e.name;
		return !groups.has(group) && groups.add(group);
	});
	window.reached = new Set();
	window.unseen = [];
	const name = (e) => e.outerHTML.slice(0, 90);
	document.addEventListener("focusin", (event) => {
		const e = event.target, s = getComputedStyle(e), box = e.getBoundingClientRect();
		window.reached.add(e.type === "radio" ? window.controls.find((c) => c.type === "radio" && c.name === e.name && c.form === e.form) : e);
		if (s.outlineStyle === "none" || parseFloat(s.outlineWidth) < 2) window.unseen.push(name(e));
		if (box.width < 1 || box.height < 1) window.unseen.push("no size: " + name(e));
	});
	document.activeElement.blur();
	return window.controls.length;
})()`

// tabs goes through the page by the tab key alone and fails for each control that it does not come to, or whose focus
// cannot be seen.
func (b *browser) tabs(where string) {
	b.t.Helper()
	b.do("Page.bringToFront", nil)
	n, _ := b.eval(controls).(float64)
	if n < 3 {
		b.t.Errorf("%s: only %v controls", where, n)
	}
	key := map[string]any{"key": "Tab", "code": "Tab", "windowsVirtualKeyCode": 9}
	press := func(kind string) { key["type"] = kind; b.do("Input.dispatchKeyEvent", key) }
	for range 6*int(n) + 10 { // a date has several places
		press("rawKeyDown")
		press("keyUp")
	}
	if left, _ := b.eval(`window.controls.filter((e) => !window.reached.has(e)).map((e) => e.outerHTML.slice(0, 120))`).([]any); len(left) > 0 {
		b.t.Errorf("%s: of %v controls the tab key does not reach %d: %v", where, n, len(left), left[:min(3, len(left))])
	}
	if unseen, _ := b.eval(`[...new Set(window.unseen)]`).([]any); len(unseen) > 0 {
		b.t.Errorf("%s: focus cannot be seen on %d: %v", where, len(unseen), unseen[:min(3, len(unseen))])
	}
}

// accessible looks at one page at a phone's and a desk's width, in light and dark.
func (b *browser) accessible(script, url, where string) {
	b.t.Helper()
	b.do("Log.enable", nil)
	for _, width := range []int{320, 390, 1440} {
		for _, scheme := range []string{"light", "dark"} {
			if width == 320 && scheme == "dark" {
				continue
			}
			at := fmt.Sprintf("%s at %d, %s", where, width, scheme)
			b.screen(width, scheme)
			b.visit(url)
			b.fits(width, at)
			b.axe(script, at)
			b.loud(at)
			b.shoot(strings.Trim(strings.ReplaceAll(where, "/", "-"), "-") + fmt.Sprintf("-%d-%s", width, scheme))
		}
		if width != 390 {
			b.tabs(fmt.Sprintf("%s at %d", where, width))
		}
	}
}

// TestBrowserAccess: every page, on a phone's and a desk's width, by day and by night, has nothing that axe-core calls
// serious, writes no error, is not wider than the screen, and can be used by the keyboard alone.
func TestBrowserAccess(t *testing.T) {
	script := outsidetest.Axe(t)
	clock := collector.NewClock()
	room := exportertest.Saturday(clock)
	code, err := certificate.Code(certificate.Text("https://box.example:9480", "6F:B4:55:D4"))
	if err != nil {
		t.Fatal(err)
	}
	b := &books{}
	opts := panel.Options{Duties: b, Plants: b, Reviews: b, Journal: manyLines(120), Callouts: saturdayCalls(room.View()), Overdue: time.Hour,
		Phones: &phonebook{list: []exporter.Phone{{ID: "old", Person: "n.quill", Name: "Maeve's phone", Added: sixTen, Stale: true}}},
		Certificate: func() panel.Certificate {
			return panel.Certificate{Address: "https://box.example:9480", Fingerprint: "6F:B4:55:D4", SelfMade: true, Until: "21 February 2029", Code: code}
		}}
	d := newDoorway(opts)
	d.viewing = panel.ByAnyone
	door := httptest.NewServer(d)
	t.Cleanup(door.Close)
	opts.Overdue = time.Hour
	by, _ := acting(opts) // without accounts: people say who they are
	named := httptest.NewServer(by)
	t.Cleanup(named.Close)
	l := newLinked(t, panel.Options{Overdue: time.Hour})
	links := httptest.NewServer(l)
	t.Cleanup(links.Close)
	for _, part := range [][]struct{ url, where string }{
		{{named.URL + "/", "sheet"}, {named.URL + "/pumps", "pumps"}, {named.URL + "/air", "air"}, {named.URL + "/water", "water"}, {door.URL + "/sign-in", "sign-in"}},
		{{named.URL + "/alarms", "alarms"}, {named.URL + "/callouts", "callouts"}, {named.URL + "/phones", "phones"}, {named.URL + "/points/air.header.pressure", "point"},
			{door.URL + "/certificate", "certificate"}, {links.URL + l.mint("m.hartnell"), "link"}, {named.URL + "/pumps?span=nonsense", "pumps asked wrongly"}},
	} {
		t.Run(part[0].where, func(t *testing.T) {
			t.Parallel()
			b := openBrowser(t)
			b.eval(`document.title`)
			for _, p := range part {
				b.accessible(script, p.url, p.where)
			}
		})
	}
}
