package panel_test

import (
	"bytes"
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
	if n < 2 {
		b.t.Errorf("%s: only %v controls", where, n)
	}
	key := map[string]any{"type": "rawKeyDown", "key": "Tab", "code": "Tab", "windowsVirtualKeyCode": 9}
	for range 8 { // a date has several places
		for range int(n) {
			b.do("Input.dispatchKeyEvent", key)
		}
		if b.eval(`window.controls.every((e) => window.reached.has(e))`) == true {
			break
		}
	}
	if left, _ := b.eval(`window.controls.filter((e) => !window.reached.has(e)).map((e) => e.outerHTML.slice(0, 120))`).([]any); len(left) > 0 {
		b.t.Errorf("%s: of %v controls the tab key does not reach %d: %v", where, n, len(left), left[:min(3, len(left))])
	}
	if unseen, _ := b.eval(`[...new Set(window.unseen)]`).([]any); len(unseen) > 0 {
		b.t.Errorf("%s: focus cannot be seen on %d: %v", where, len(unseen), unseen[:min(3, len(unseen))])
	}
}

// accessible looks at one page on the narrowest phone, on a usual one by night, on a desk, and on a wall by night.
func (b *browser) accessible(script, url, where string) {
	b.t.Helper()
	b.do("Log.enable", nil)
	for _, screen := range []struct {
		width  int
		scheme string
	}{{320, "light"}, {390, "dark"}, {1440, "light"}, {3840, "dark"}} {
		at := fmt.Sprintf("%s at %d, %s", where, screen.width, screen.scheme)
		b.screen(screen.width, screen.scheme)
		b.visit(url)
		b.fits(screen.width, at)
		b.loud(at)
		b.shoot(fmt.Sprintf("%s-%d-%s", where, screen.width, screen.scheme))
		if screen.width == 3840 { // the desk's, but larger
			if size := b.eval(`document.querySelector("main p, main td, main label").getBoundingClientRect().height`).(float64); size < 24 {
				b.t.Errorf("%s: a line of text is %v px high", at, size)
			}
			continue
		}
		b.axe(script, at)
		if screen.width != 320 {
			b.tabs(at)
		}
	}
}

// TestBrowserAccess: every page, on phones and a desk, by day and by night, has nothing that axe-core calls
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
	opts.Overdue, opts.Suggestions = time.Hour, &rehearsed{body: `{"from":"2026-11-23T00:00:00Z","to":"2026-11-30T00:00:00Z","actors":[{"alarm":"air-low","point":"air.header.pressure","alarms":40,"share":0.8,"words":"An on-delay of 12 s would have left 3 of 40.","found":true}]}`}
	by, _ := acting(opts) // without accounts: people say who they are
	named := httptest.NewServer(by)
	t.Cleanup(named.Close)
	q, _ := asking(&meters{})
	asked := httptest.NewServer(q)
	t.Cleanup(asked.Close)
	l := newLinked(t, panel.Options{Overdue: time.Hour})
	links := httptest.NewServer(l)
	t.Cleanup(links.Close)
	for _, part := range [][]struct{ url, where string }{
		{{named.URL + "/", "sheet"}, {named.URL + "/pumps", "pumps"}, {named.URL + "/air", "air"}, {named.URL + "/water", "water"}, {door.URL + "/sign-in", "sign-in"}},
		{{named.URL + "/alarms", "alarms"}, {named.URL + "/callouts", "callouts"}, {named.URL + "/phones", "phones"}, {named.URL + "/points/air.header.pressure", "point"},
			{door.URL + "/certificate", "certificate"}, {links.URL + l.mint("m.hartnell"), "link"}, {named.URL + "/pumps?span=nonsense", "pumps asked wrongly"},
			{named.URL + "/alarms/suggestions", "suggestions"}, {asked.URL + "/pumps", "pumps with questions"}},
	} {
		t.Run(part[0].where, func(t *testing.T) {
			t.Parallel()
			b := openBrowser(t)
			b.visit(part[0].url)
			b.eval(script + `; document.querySelector("main").insertAdjacentHTML("beforeend", "<button></button>"); true`)
			if found, _ := b.eval(axeRun).([]any); len(found) != 1 || !strings.Contains(found[0].(string), "critical button-name") {
				t.Fatalf("axe does not see a button without a name: %v", found)
			}
			for _, p := range part {
				b.accessible(script, p.url, p.where)
			}
		})
	}
}

// TestBrowserPrint: each review fits A4 and Letter paper, without what can only be pressed.
func TestBrowserPrint(t *testing.T) {
	h, _ := reviewed(nil)
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	b := openBrowser(t)
	for _, path := range []string{"/pumps", "/air", "/water", "/alarms"} {
		for name, inches := range map[string][2]float64{"a4": {8.27, 11.69}, "letter": {8.5, 11}} {
			width := int(96*inches[0] - 2*13/25.4*96) // between the margins of the style sheet
			b.do("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": int(96 * inches[1]), "deviceScaleFactor": 2, "mobile": false})
			b.do("Emulation.setEmulatedMedia", map[string]any{"media": "print"})
			b.visit(server.URL + path)
			if got := b.eval(`Math.max(document.documentElement.scrollWidth, document.body.scrollWidth)`); got != float64(width) {
				t.Errorf("%s on %s: %v px wide, the paper %d", path, name, got, width)
			}
			if got := b.eval(`[...document.querySelectorAll("nav, form, .spanlinks, button, .links")].filter((e) => e.getClientRects().length > 0).length`); got != 0. {
				t.Errorf("%s on %s: %v things to press are printed", path, name, got)
			}
			if got := b.eval(`[...document.querySelectorAll("main .wide, figure, main h2")].filter((e) => e.getClientRects().length > 0).length`); got == 0. {
				t.Errorf("%s on %s: nothing is printed", path, name)
			}
			b.shoot("print" + strings.ReplaceAll(path, "/", "-") + "-" + name)
			var pdf struct{ Data []byte }
			b.call(b.page, "Page.printToPDF", map[string]any{"paperWidth": inches[0], "paperHeight": inches[1], "preferCSSPageSize": false, "printBackground": false}, &pdf)
			if n := bytes.Count(pdf.Data, []byte("/Type /Page\n")); n < 1 || n > 6 {
				t.Errorf("%s on %s: %d pages", path, name, n)
			}
		}
	}
}
