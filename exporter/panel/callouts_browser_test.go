package panel_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
)

// wired is a switchboard that a test turns while pages look at it.
type wired struct {
	*switchboard
	mu sync.Mutex
}

func (w *wired) Reach() exporter.Reach {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.switchboard.reach
}

func (w *wired) set(r exporter.Reach) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.switchboard.reach = r
}

// TestBrowserCalls: the page of calls fits phones and desks, and the sheet says within a round that nobody can be called,
// and takes it back.
func TestBrowserCalls(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Saturday(clock)
	board := exporter.NewBoard(clock, room.View())
	w := &wired{switchboard: saturdayCalls(room.View())}
	server := httptest.NewServer(panel.New(board, panel.Options{Callouts: w, Phones: &phonebook{}, Overdue: time.Hour, Throttle: 20 * time.Millisecond}).Handler())
	t.Cleanup(server.Close)
	b := openBrowser(t) // after the server: it closes first and leaves no stream open
	for _, scheme := range []string{"light", "dark"} {
		for _, width := range []int{320, 360, 1280} {
			b.screen(width, scheme)
			b.visit(server.URL + "/callouts")
			if got := b.eval(`Math.max(document.documentElement.scrollWidth, document.body.scrollWidth)`); got != float64(width) {
				t.Errorf("at %d the page is %v wide", width, got)
			}
			b.shoot(fmt.Sprintf("calls-%d-%s", width, scheme))
		}
	}
	b.screen(360, "light")
	b.visit(server.URL + "/")
	if got := b.text("#uncalled"); got != "" {
		t.Errorf("while all is well it says %q", got)
	}
	round := func(r exporter.Reach) {
		w.set(r)
		room.Pass(time.Second)
		room.Set("air.header.pressure", 5.2+float64(r.Waiting)/100) // a quiet round: no alarm changes
		board.Publish(room.View())
	}
	round(exporter.Reach{Waiting: 3, Reason: "no contact can be reached; modem: no network"})
	b.until(`document.querySelector("#uncalled").innerText.startsWith("Nobody can be called: no contact can be reached; modem: no network.")`)
	if got := b.eval(`document.querySelector("#uncalled a").href`); got != server.URL+"/callouts" {
		t.Errorf("leads to %v", got)
	}
	for _, scheme := range []string{"light", "dark"} {
		b.screen(360, scheme)
		b.shoot("uncalled-360-" + scheme)
		b.screen(1280, scheme)
		b.shoot("uncalled-1280-" + scheme)
	}
	round(exporter.Reach{Reachable: true})
	b.until(`document.querySelector("#uncalled").innerText === ""`)
}

// TestBrowserOutOfReach: the last sheet stays on the phone with its age when the box is gone, and gives way when it is back;
// nothing but the sheet is kept, and it is forgotten when its person was signed out.
func TestBrowserOutOfReach(t *testing.T) {
	h, _ := acting(panel.Options{Phones: &phonebook{}, Overdue: time.Hour})
	var mu sync.Mutex
	mode := ""
	set := func(m string) { mu.Lock(); mode = m; mu.Unlock() }
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		m := mode
		mu.Unlock()
		switch {
		case m == "gone": // as a box without power: the connection breaks
			conn, _, err := http.NewResponseController(w).Hijack()
			if err == nil {
				conn.Close()
			}
		case m == "signed out" && r.URL.Path == "/":
			http.Redirect(w, r, "/phones", http.StatusSeeOther)
		default:
			h.ServeHTTP(w, r)
		}
	}))
	t.Cleanup(server.Close)
	b := openBrowser(t)
	kept := `caches.open("roundsman-1").then((c) => c.keys()).then((l) => l.map((r) => new URL(r.url).pathname).sort().join(" "))`
	b.screen(360, "light")
	b.visit(server.URL + "/phones")
	b.eval(`navigator.serviceWorker.register("/worker.js").then(() => navigator.serviceWorker.ready).then(() => true)`)
	b.until(`navigator.serviceWorker.controller !== null`)
	b.visit(server.URL + "/alarms")
	b.visit(server.URL + "/")
	b.until(kept + `.then((s) => s === "/ /assets/live.js /assets/sheet.css")`)
	if got := b.text(".seen"); got != "" {
		t.Errorf("in reach it says %q", got)
	}
	set("gone")
	b.visit(server.URL + "/")
	got := b.text(".seen")
	if !strings.HasPrefix(got, "The box is out of reach. This is the sheet as last seen at ") || !strings.HasSuffix(got, ", 0 min ago. Look at the room.") {
		t.Errorf("out of reach it says %q", got)
	}
	if sheet := b.text("main"); !strings.Contains(sheet, "Air low") || !strings.Contains(sheet, "5.21") || !strings.Contains(fmt.Sprint(b.eval(`getComputedStyle(document.body).backgroundColor`)), "247") {
		t.Errorf("the sheet is not there as it was: %s", sheet)
	}
	b.shoot("out-of-reach-360-light")
	b.screen(1280, "dark")
	b.shoot("out-of-reach-1280-dark")
	// a day later by the phone's clock
	b.eval(`caches.open("roundsman-1").then(async (c) => { const old = await c.match("/"), h = new Headers(old.headers); h.set("X-Seen", new Date(Date.now() - 26 * 3600e3).toISOString()); await c.put("/", new Response(await old.text(), { headers: h })); })`)
	b.visit(server.URL + "/")
	if got := b.text(".seen"); !strings.Contains(got, ", 26 h 0 min ago") {
		t.Errorf("a day later it says %q", got)
	}
	set("")
	b.visit(server.URL + "/")
	if got := b.text(".seen"); got != "" {
		t.Errorf("back in reach it says %q", got)
	}
	set("signed out")
	b.visit(server.URL + "/")
	b.until(`location.pathname === "/phones"`)
	b.until(kept + `.then((s) => s === "/assets/live.js /assets/sheet.css")`)
}
