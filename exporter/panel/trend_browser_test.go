package panel_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
	"roundsman/rules"
)

// sleeper serves a panel to a phone that falls asleep: what its streams held goes nowhere, or they are refused.
type sleeper struct {
	panel  http.Handler
	deaf   atomic.Int64 // streams opened before this number say nothing more
	opened atomic.Int64
	refuse atomic.Bool

	mu    sync.Mutex // guards asked
	asked []time.Time
}

func (s *sleeper) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.URL.Path != "/api/v1/stream" {
		s.panel.ServeHTTP(w, r)
		return
	}
	s.mu.Lock()
	s.asked = append(s.asked, time.Now())
	s.mu.Unlock()
	if s.refuse.Load() {
		http.Error(w, "not now", http.StatusServiceUnavailable)
		return
	}
	s.panel.ServeHTTP(&deafWriter{w, s, s.opened.Add(1)}, r)
}

// tries returns when streams were asked for since a time.
func (s *sleeper) tries(since time.Time) (list []time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, t := range s.asked {
		if t.After(since) {
			list = append(list, t)
		}
	}
	return list
}

// deafWriter is a connection at whose other end nobody is any more: writing to it succeeds.
type deafWriter struct {
	http.ResponseWriter
	s *sleeper
	n int64
}

func (d *deafWriter) Unwrap() http.ResponseWriter { return d.ResponseWriter }

func (d *deafWriter) Write(b []byte) (int, error) {
	if d.n <= d.s.deaf.Load() {
		return len(b), nil
	}
	return d.ResponseWriter.Write(b)
}

// TestBrowserSleeps: a phone whose connection died without a word says so with the time, opens a new one by itself, later
// and later while it is refused, and at once when somebody looks at it again.
func TestBrowserSleeps(t *testing.T) {
	t.Parallel()
	room, clock := quiet()
	board := exporter.NewBoard(clock, room.View())
	s := &sleeper{panel: panel.New(board, panel.Options{Throttle: 20 * time.Millisecond, Heartbeat: 300 * time.Millisecond, Overdue: time.Hour}).Handler()}
	server := httptest.NewServer(s)
	t.Cleanup(server.Close) // after the browser
	b := openBrowser(t)
	b.screen(360, "dark")
	b.visit(server.URL)
	show := func(value float64) string {
		room.Pass(time.Second)
		room.Set("air.header.pressure", value)
		board.Publish(room.View())
		return fmt.Sprintf(`document.querySelector('[data-point="air.header.pressure"] .num').textContent === "%.2f"`, value)
	}
	b.until(show(7.01))

	s.deaf.Store(s.opened.Load())
	b.until(`!document.querySelector("#stale").hidden && document.body.classList.contains("silent")`)
	if words := b.text("#stale"); !strings.HasPrefix(words, "Not live: no word from the box since ") {
		t.Errorf("it says %q", words)
	}
	b.until(show(7.02) + ` && document.querySelector("#stale").hidden`)

	s.refuse.Store(true)
	begun := time.Now()
	s.deaf.Store(s.opened.Load())
	for len(s.tries(begun)) < 3 {
		b.until(`!document.querySelector("#stale").hidden`)
	}
	tries := s.tries(begun)
	for i := 2; i < len(tries); i++ {
		if before, after := tries[i-1].Sub(tries[i-2]), tries[i].Sub(tries[i-1]); after < before {
			t.Errorf("try %d came after %v, the one before after %v: no back-off", i+1, after, before)
		}
	}
	s.refuse.Store(false)
	woken := time.Now() // the next try of its own would come in 3 s at the earliest
	b.eval(`document.dispatchEvent(new Event("visibilitychange"))`)
	b.until(show(7.03) + ` && document.querySelector("#stale").hidden`)
	if list := s.tries(woken); len(list) == 0 || list[0].Sub(woken) > 2500*time.Millisecond {
		t.Errorf("woken at %v it asked at %v", woken, list)
	}
}

// TestBrowserFetchesOnce: a page that shows all of the stream's first event is not fetched a second time, neither a sheet
// full of alarms and lost readings nor a point's page; what happened between the page and the stream is.
func TestBrowserFetchesOnce(t *testing.T) {
	t.Parallel()
	clock := collector.NewClock()
	room := exportertest.Saturday(clock)
	board := exporter.NewBoard(clock, room.View())
	h := panel.New(board, panel.Options{Throttle: 20 * time.Millisecond, Overdue: time.Hour}).Handler()
	var pages, streams atomic.Int64
	var between atomic.Bool
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case r.URL.Path == "/api/v1/stream":
			if between.Load() {
				room.Pass(time.Second)
				room.Alarm("hyd-1-low", rules.Unacknowledged, 0)
				board.Publish(room.View())
			}
			streams.Add(1)
		case r.URL.Path == "/" || strings.HasPrefix(r.URL.Path, "/points/"):
			pages.Add(1)
		}
		h.ServeHTTP(w, r)
	}))
	t.Cleanup(server.Close) // after the browser
	b := openBrowser(t)
	b.screen(390, "light")
	for _, path := range []string{"/", "/points/air.header.pressure"} {
		pages.Store(0)
		streams.Store(0)
		b.visit(server.URL + path)
		b.until(`document.body.dataset.mark === undefined`) // the first event was there
		room.Pass(time.Second)
		room.Set("hyd.oil.temperature", 48.5)
		room.Set("air.dew.point", 4.4)
		board.Publish(room.View()) // a fetch that the first event asked for would be on its way before this one is shown
		b.until(`document.querySelector("#clock").textContent === ` + fmt.Sprintf("%q", clock.Time(room.Now()).In(room.Site().Zone).Format("15:04:05")))
		if pages.Load() != 1 || streams.Load() != 1 {
			t.Errorf("%s was fetched %d times, with %d streams", path, pages.Load(), streams.Load())
		}
	}
	between.Store(true)
	b.visit(server.URL + "/")
	b.until(`document.querySelector(".status").textContent.includes("Hyd 1 low") || document.querySelector('[data-alarm="hyd-1-low"]') !== null`)
}

// TestBrowserReadsOut: the value under the mouse and the arrow keys stands below a trend, and stays while the page changes
// around it. The page obeys its own policy.
func TestBrowserReadsOut(t *testing.T) {
	t.Parallel()
	room, clock := quiet()
	board := exporter.NewBoard(clock, room.View())
	server := httptest.NewServer(panel.New(board, panel.Options{Trends: swinging{}, Throttle: 20 * time.Millisecond}).Handler())
	t.Cleanup(server.Close) // after the browser
	b := openBrowser(t)
	b.do("Log.enable", nil)
	b.screen(390, "light")
	b.visit(server.URL + "/points/air.header.pressure?span=hour")
	for _, e := range b.events {
		if e.Method == "Log.entryAdded" && strings.Contains(string(e.Params), `"level":"error"`) {
			t.Errorf("the browser complains: %s", e.Params)
		}
	}
	if wide := b.eval(`document.documentElement.scrollWidth`); wide != 390.0 {
		t.Errorf("the page is %v wide on a screen of 390", wide)
	}
	box := b.eval(`(() => { const r = document.querySelector(".drawing").getBoundingClientRect(); return [r.left + r.width / 2, r.top + 60]; })()`).([]any)
	b.do("Input.dispatchMouseEvent", map[string]any{"type": "mouseMoved", "x": box[0], "y": box[1]})
	b.until(`/^\d\d:\d\d:\d\d: \d\.\d\d.bar \(\d\.\d\d to \d\.\d\d\)$/.test(document.querySelector(".readout").textContent)`)
	first := b.text(".readout")

	room.Pass(time.Second)
	room.Set("air.header.pressure", 5.21)
	room.Alarm("air-low", rules.Unacknowledged, 0)
	board.Publish(room.View())
	b.until(`document.querySelector(".sub.alarm") !== null`)
	if now := b.text(".readout"); now != first {
		t.Errorf("after a change it reads %q, before %q", now, first)
	}
	b.pointsAt(390)
	b.eval(`document.querySelector(".chart").focus()`)
	b.do("Input.dispatchKeyEvent", map[string]any{"type": "keyDown", "key": "ArrowLeft", "code": "ArrowLeft"})
	b.until(fmt.Sprintf(`document.querySelector(".readout").textContent !== %q && document.querySelector(".cursor") !== null`, first))
	b.do("Input.dispatchKeyEvent", map[string]any{"type": "keyDown", "key": "Escape", "code": "Escape"})
	b.until(`document.querySelector(".readout").textContent === "" && document.querySelector(".cursor") === null`)
	b.shoot("point-390-light")
	b.pointsAt(3840) // where the page is enlarged
}

// pointsAt has the mouse over a trend on a screen so wide and fails unless the line of what is read out stands under it.
func (b *browser) pointsAt(width int) {
	b.t.Helper()
	b.screen(width, "light")
	for _, share := range []float64{0.3, 0.85} {
		x := b.eval(fmt.Sprintf(`(() => { const r = document.querySelector(".drawing").getBoundingClientRect(); return r.left + %g * r.width; })()`, share)).(float64)
		y := b.eval(`(() => { const r = document.querySelector(".drawing").getBoundingClientRect(); return r.top + 60; })()`)
		b.do("Input.dispatchMouseEvent", map[string]any{"type": "mouseMoved", "x": x, "y": y})
		b.until(`document.querySelector(".cursor") !== null`)
		b.until(fmt.Sprintf(`Math.abs(document.querySelector(".cursor").getBoundingClientRect().left - %g) < 3`, x))
	}
}
