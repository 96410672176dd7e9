package panel_test

import (
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/callout"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
	"roundsman/rules"
)

// linked is a panel with one-time links over a room in which air-low waits for somebody; its first activation.
type linked struct {
	http.Handler
	*actor
	links *callout.Links
	clock *collector.Clock
}

func newLinked(t testing.TB, opts panel.Options) *linked {
	t.Helper()
	clock := collector.NewClock()
	l := &linked{clock: clock}
	l.actor = &actor{room: exportertest.Saturday(clock)}
	l.room.Alarm("air-low", rules.Unacknowledged, 4*time.Minute).Activations = 1
	l.board = exporter.NewBoard(clock, l.room.View())
	var err error
	if l.links, err = callout.NewLinks([]byte(strings.Repeat("k", 32)), time.Hour, nil); err != nil {
		t.Fatal(err)
	}
	if opts.People == nil {
		opts.People = people
	}
	opts.Acts, opts.Links = l.actor, l.links
	l.Handler = panel.New(l.board, opts).Handler()
	return l
}

func (l *linked) now() time.Time { return l.clock.Time(l.clock.Now()) }

func (l *linked) mint(person string) string {
	return exporter.LinkPath + l.links.Mint("air-low", 1, person, l.now())
}

// open is what a browser sends from far away, which holds no key: the link is the key.
func (l *linked) open(method, path string, headers ...string) *httptest.ResponseRecorder {
	body := ""
	if method == http.MethodPost {
		headers = append([]string{"Content-Type: application/x-www-form-urlencoded"}, headers...)
	}
	return do(l, request(method, path, body, append([]string{"From: 192.0.2.7:40000", "Host: box.wash.example"}, headers...)...))
}

var heading = regexp.MustCompile(`<h1[^>]*>([^<]*)</h1>`)

func head(w *httptest.ResponseRecorder) string {
	if m := heading.FindStringSubmatch(w.Body.String()); m != nil {
		return strings.ReplaceAll(m[1], "&#39;", "'")
	}
	return ""
}

func TestLinkAcknowledgesOnce(t *testing.T) {
	l := newLinked(t, panel.Options{})
	path := l.mint("m.hartnell")
	for _, tt := range []struct {
		method  string
		headers []string
	}{{"GET", nil}, {"HEAD", nil}, {"GET", []string{"Sec-Purpose: prefetch;prerender"}}, {"GET", []string{"User-Agent: scanner"}}} {
		for range 20 {
			if w := l.open(tt.method, path, tt.headers...); w.Code != 200 {
				t.Fatalf("%s: %d %s", tt.method, w.Code, w.Body)
			}
		}
	}
	if len(l.acts) != 0 {
		t.Fatalf("looking did something: %v", l.acts)
	}
	w := l.open("GET", path)
	for _, want := range []string{"Maeve Hartnell, have you got it?", `<form class="take" method="post"><button class="main">Acknowledge</button>`, "Ardenmoor Wash",
		"Air low", "high priority", "Air, header pressure: <b class=\"num\">", "below 5.50\u00a0bar", "(4 min", "Stop loading. Check the compressor", "Not a safety device"} {
		if !strings.Contains(w.Body.String(), want) {
			t.Errorf("the page has no %q", want)
		}
	}
	if strings.Contains(w.Body.String(), "<script") || strings.Contains(w.Body.String(), "10.0.4") {
		t.Error("the page has a script, or tells of the site's network")
	}
	if got := l.open("POST", path, "Origin: http://box.wash.example"); got.Code != 200 || head(got) != "Done: acknowledged by Maeve Hartnell" {
		t.Errorf("%d %q", got.Code, head(got))
	}
	if want := "air-low acknowledge by Maeve Hartnell, by the link of a message"; len(l.acts) != 1 || l.acts[0] != want {
		t.Errorf("acts %q, want %q", l.acts, want)
	}
	for method, status := range map[string]int{"POST": 410, "GET": 410, "HEAD": 410} {
		got := l.open(method, path)
		if got.Code != status || method != "HEAD" && head(got) != "Acknowledged by Maeve Hartnell" || strings.Contains(got.Body.String(), "<form") {
			t.Errorf("%s again: %d %q", method, got.Code, head(got))
		}
	}
	if len(l.acts) != 1 {
		t.Errorf("a second act: %v", l.acts)
	}
}

func TestLinkHeaders(t *testing.T) {
	l := newLinked(t, panel.Options{})
	for _, path := range []string{l.mint("n.quill"), exporter.LinkPath + "forged"} {
		h := l.open("GET", path).Header()
		for name, want := range map[string]string{"Cache-Control": "no-store", "X-Robots-Tag": "noindex, nofollow", "X-Content-Type-Options": "nosniff",
			"X-Frame-Options": "DENY", "Referrer-Policy": "same-origin", "Content-Type": "text/html; charset=utf-8"} {
			if h.Get(name) != want {
				t.Errorf("%s: %s is %q, want %q", path, name, h.Get(name), want)
			}
		}
		if csp := h.Get("Content-Security-Policy"); !strings.Contains(csp, "form-action 'self'") || !strings.Contains(csp, "frame-ancestors 'none'") {
			t.Errorf("policy %q", csp)
		}
	}
	if w := l.open("DELETE", l.mint("n.quill")); w.Code != 405 || w.Header().Get("Allow") != "GET, HEAD, POST" {
		t.Errorf("DELETE: %d %v", w.Code, w.Header())
	}
}

// TestLinkInWords holds each end of a link against its status and its words.
func TestLinkInWords(t *testing.T) {
	path := func(l *linked) string { return l.mint("n.quill") }
	for _, tt := range []struct {
		name      string
		prepare   func(l *linked) string // returns the path
		get, post int
		head      string // of the answer to the POST; "" as for GET
		shows     bool   // the alarm may be seen
		acts      int
	}{
		{"good", path, 200, 200, "Done: acknowledged by Niamh Quill", true, 1},
		{"cut short", func(l *linked) string { p := path(l); return p[:len(p)-3] }, 404, 404, "This link is not valid", false, 0},
		{"forged for another", func(l *linked) string { return strings.Replace(path(l), "A", "B", 1) + "x" }, 404, 404, "This link is not valid", false, 0},
		{"nothing", func(*linked) string { return exporter.LinkPath + "x" }, 404, 404, "This link is not valid", false, 0},
		{"endless", func(*linked) string { return exporter.LinkPath + strings.Repeat("A", 9000) }, 404, 404, "This link is not valid", false, 0},
		{"of another box", func(l *linked) string {
			other, _ := callout.NewLinks([]byte(strings.Repeat("j", 32)), time.Hour, nil)
			return exporter.LinkPath + other.Mint("air-low", 1, "n.quill", l.now())
		}, 404, 404, "This link is not valid", false, 0},
		{"too old", func(l *linked) string {
			return exporter.LinkPath + l.links.Mint("air-low", 1, "n.quill", l.now().Add(-61*time.Minute))
		}, 410, 410, "This link is too old", false, 0},
		{"used and too old", func(l *linked) string {
			token := l.links.Mint("air-low", 1, "n.quill", l.now().Add(-61*time.Minute))
			if _, err := l.links.Use(token, l.now().Add(-30*time.Minute)); err != nil {
				panic(err)
			}
			return exporter.LinkPath + token
		}, 410, 410, "This link is too old", false, 0},
		{"person is gone", func(l *linked) string { return l.mint("a.nobody") }, 403, 403, "You are not known here any more", false, 0},
		{"alarm is gone", func(l *linked) string {
			return exporter.LinkPath + l.links.Mint("air-gone", 1, "n.quill", l.now())
		}, 410, 410, "This alarm is gone", false, 0},
		{"began anew", func(l *linked) string {
			p := path(l)
			l.room.Alarm("air-low", rules.Unacknowledged, 0).Activations = 2
			return p
		},
			410, 410, "This link is for an earlier call", false, 0},
		{"somebody was quicker", func(l *linked) string {
			l.room.Alarm("air-low", rules.Acknowledged, 0).AcknowledgedBy = "Aoife Byrne"
			return path(l)
		}, 200, 409, "Acknowledged by Aoife Byrne", true, 0},
		{"returned, not acknowledged", func(l *linked) string { l.room.Alarm("air-low", rules.ReturnUnacknowledged, 0); return path(l) },
			200, 200, "Done: acknowledged by Niamh Quill", true, 1},
		{"over", func(l *linked) string { l.room.Alarm("air-low", rules.Normal, 0); return path(l) }, 200, 409, "Nothing to acknowledge", true, 0},
		{"shelved", func(l *linked) string { l.room.Alarm("air-low", rules.Shelved, 0); return path(l) }, 200, 409, "Nothing to acknowledge", true, 0},
		{"used, yet it waits", func(l *linked) string {
			p := path(l)
			if _, err := l.links.Use(strings.TrimPrefix(p, exporter.LinkPath), l.now()); err != nil {
				panic(err)
			}
			return p
		}, 410, 410, "This link was used already", true, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			l := newLinked(t, panel.Options{})
			path := tt.prepare(l)
			l.board.Publish(l.room.View())
			get := l.open("GET", path)
			if get.Code != tt.get || strings.Contains(get.Body.String(), "Stop loading") != tt.shows {
				t.Errorf("GET: %d %q, shows the alarm: %v", get.Code, head(get), strings.Contains(get.Body.String(), "Stop loading"))
			}
			if asks := strings.Contains(get.Body.String(), "<form"); asks != (tt.acts > 0) {
				t.Errorf("GET asks: %v", asks)
			}
			post := l.open("POST", path)
			if post.Code != tt.post || head(post) != tt.head || strings.Contains(post.Body.String(), "<form") {
				t.Errorf("POST: %d %q, want %d %q", post.Code, head(post), tt.post, tt.head)
			}
			if len(l.acts) != tt.acts {
				t.Errorf("acts %v", l.acts)
			}
		})
	}
}

// TestLinkNoOracle: a token that is not ours gets the same answer byte for byte, whatever it names, also where no links
// are made at all.
func TestLinkNoOracle(t *testing.T) {
	l := newLinked(t, panel.Options{})
	other, err := callout.NewLinks([]byte(strings.Repeat("j", 32)), time.Hour, nil)
	if err != nil {
		t.Fatal(err)
	}
	none := panel.New(l.board, panel.Options{}).Handler()
	idle := panel.New(l.board, panel.Options{Links: l.links, People: people}).Handler() // nothing can be done there
	if w := do(idle, request("GET", l.mint("n.quill"), "")); w.Code != 404 {
		t.Errorf("a link where nothing can be done: %d", w.Code)
	}
	want := l.open("POST", exporter.LinkPath+"x").Body.String()
	for _, token := range []string{other.Mint("air-low", 1, "n.quill", l.now()), other.Mint("no-such", 1, "n.quill", l.now()),
		other.Mint("air-low", 1, "nobody", l.now()), other.Mint("air-low", 1, "n.quill", l.now().Add(-48*time.Hour)), "%00", "..."} {
		for _, h := range []http.Handler{l, none, idle} {
			w := do(h, request("POST", exporter.LinkPath+token, "", "From: 192.0.2.7:1"))
			if w.Code != 404 || w.Body.String() != want {
				t.Errorf("%s: %d, another body", token, w.Code)
			}
		}
	}
}

func TestLinkFromOtherSites(t *testing.T) {
	for _, tt := range []struct {
		headers []string
		status  int
	}{
		{nil, 200}, // a browser that tells neither
		{[]string{"Origin: http://box.wash.example"}, 200},
		{[]string{"Origin: http://box.wash.example", "Sec-Fetch-Site: same-origin"}, 200},
		{[]string{"Origin: https://evil.example"}, 403},
		{[]string{"Origin: null"}, 403},
		{[]string{"Origin: https://evil.example", "Sec-Fetch-Site: cross-site"}, 403},
		{[]string{"Sec-Fetch-Site: same-site"}, 403},
		{[]string{"Content-Type: text/plain"}, 415},
	} {
		l := newLinked(t, panel.Options{})
		path := l.mint("n.quill")
		w := l.open("POST", path, tt.headers...)
		if w.Code != tt.status || (len(l.acts) == 1) != (tt.status == 200) {
			t.Errorf("%v: %d %q, acts %v", tt.headers, w.Code, head(w), l.acts)
		}
		if tt.status != 200 {
			if w := l.open("POST", path); w.Code != 200 {
				t.Errorf("%v: then the link is spent: %d %q", tt.headers, w.Code, head(w))
			}
		}
	}
}

// TestLinkGivenBack: an act that could not be done does not spend the link.
func TestLinkGivenBack(t *testing.T) {
	for _, tt := range []struct {
		err    error
		status int
		head   string
	}{
		{errors.New("the disk is on fire"), 500, "Not done"},
		{fmt.Errorf("judge: %w", http.ErrServerClosed), 500, "Not done"},
	} {
		l := newLinked(t, panel.Options{})
		l.err = tt.err
		path := l.mint("n.quill")
		w := l.open("POST", path)
		if w.Code != tt.status || head(w) != tt.head || strings.Contains(w.Body.String(), tt.err.Error()) {
			t.Errorf("%v: %d %q", tt.err, w.Code, head(w))
		}
		if !strings.Contains(w.Body.String(), `<button class="main">`) {
			t.Errorf("%v: no way to press again", tt.err)
		}
		l.err = nil
		if w := l.open("POST", path); w.Code != 200 || len(l.acts) != 2 {
			t.Errorf("%v: the second time: %d %q, acts %v", tt.err, w.Code, head(w), l.acts)
		}
	}
	// refused by the rules, because it changed in the meantime: the link is not spent either
	l := newLinked(t, panel.Options{})
	l.err = fmt.Errorf("air-low: %w", rules.ErrNotNow)
	path := l.mint("n.quill")
	if w := l.open("POST", path); w.Code != 409 {
		t.Errorf("%d %q", w.Code, head(w))
	}
	l.err = nil
	if w := l.open("POST", path); w.Code != 200 {
		t.Errorf("the second time: %d %q", w.Code, head(w))
	}
}
