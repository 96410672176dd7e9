package panel_test

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/outsidetest"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
	"roundsman/rules"
)

// checks runs in the page beside its own script: each step asks the server to
// change the room, then waits until the page shows it. The page counts as loaded
// when the last step is done, which is when the browser prints the document.
const checks = `"use strict";
(async () => {
  const find = (s) => document.querySelector(s);
  const text = (s) => { const e = find(s); return e ? e.textContent : ""; };
  const body = document.body;
  const out = parent.document.body; // the page is in a frame: a window is never narrower than 500
  const row = '[data-point="air.header.pressure"] ';
  const until = async (name, truth) => {
    await fetch("/step/" + name);
    for (let i = 0; i < 400; i++) {
      if (truth()) { out.setAttribute("data-" + name, "seen"); return; }
      await new Promise((r) => setTimeout(r, 25));
    }
  };
  out.dataset.inner = innerWidth;
  const width = () => Math.max(document.documentElement.scrollWidth, body.scrollWidth);
  const marks = () => [...document.querySelectorAll("svg.bar")].filter((b) => b.getBoundingClientRect().width < 30).length;
  out.dataset.scroll = width();
  out.dataset.thin = marks();
  const kept = find(row);
  await until("value", () => text(row + ".num") === "7.01" && find(row + ".needle").getAttribute("x") !== "` + "47.6%" + `");
  out.dataset.kept = kept === find(row);
  await until("alarm", () => text(".status").includes("Air low") && find(row.trim()).classList.contains("alarmed"));
  await until("lost", () => find(row.trim()).classList.contains("bad") && text(row).includes("3.48 mA"));
  await until("link", () => text(".links").includes("cable pulled"));
  out.dataset.scrollafter = width();
  await until("silent", () => !find("#stale").hidden && body.classList.contains("silent"));
  out.dataset.words = find("#stale").textContent;
  await until("again", () => find("#stale").hidden && !body.classList.contains("silent"));
  await until("overdue", () => text("header").includes("judging has stopped"));
  await fetch("/step/end");
})();
`

// stage is the server of a browser test: the panel, with the checks added to its pages.
type stage struct {
	panel http.Handler
	board *exporter.Board
	room  *exportertest.Room
	done  chan struct{}
	mute  atomic.Bool                        // the streams are refused
	cut   atomic.Pointer[context.CancelFunc] // ends the open stream
}

func (s *stage) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	switch {
	case r.URL.Path == "/checks.js":
		w.Header().Set("Content-Type", "text/javascript")
		_, _ = w.Write([]byte(checks))
	case r.URL.Path == "/frame":
		w.Header().Set("Content-Type", "text/html")
		_, _ = fmt.Fprintf(w, `<!DOCTYPE html><body><iframe src="/" width="%s" height="800" frameborder="0"></iframe><img src="/hold">`, r.URL.Query().Get("width"))
	case r.URL.Path == "/hold":
		select {
		case <-s.done:
		case <-r.Context().Done():
		}
	case strings.HasPrefix(r.URL.Path, "/step/"):
		s.step(strings.TrimPrefix(r.URL.Path, "/step/"))
	case r.URL.Path == "/api/v1/stream":
		if s.mute.Load() {
			http.Error(w, "mute", http.StatusServiceUnavailable)
			return
		}
		ctx, cancel := context.WithCancel(r.Context())
		s.cut.Store(&cancel)
		s.panel.ServeHTTP(w, r.WithContext(ctx))
	default:
		s.page(w, r)
	}
}

// page adds the checks, and lets the page be framed.
func (s *stage) page(w http.ResponseWriter, r *http.Request) {
	rec := httptest.NewRecorder()
	r.Header.Del("Accept-Encoding") // what is packed cannot be added to
	s.panel.ServeHTTP(rec, r)
	for k, v := range rec.Header() {
		w.Header()[k] = v
	}
	w.Header().Del("X-Frame-Options")
	w.Header().Set("Content-Security-Policy", strings.Replace(rec.Header().Get("Content-Security-Policy"), "frame-ancestors 'none'", "frame-ancestors 'self'", 1))
	w.WriteHeader(rec.Code)
	body := bytes.Replace(rec.Body.Bytes(), []byte("</body>"), []byte(`<script src="/checks.js" defer></script></body>`), 1)
	_, _ = w.Write(body)
}

// step changes the room. The checks ask one step at a time.
func (s *stage) step(name string) {
	s.room.Pass(time.Second)
	switch name {
	case "value":
		s.room.Set("air.header.pressure", 7.01)
	case "alarm":
		s.room.Set("air.header.pressure", 5.21)
		s.room.Alarm("air-low", rules.Unacknowledged, 0)
	case "lost":
		s.room.Fail("air.header.pressure", collector.SignalLow, 0, "3.48 mA is below 3.6 mA")
	case "link":
		s.room.Link(0).Up, s.room.Link(0).LastError = false, "cable pulled"
	case "silent":
		s.mute.Store(true)
		(*s.cut.Load())()
		return
	case "again":
		s.mute.Store(false)
	case "overdue":
		s.room.Pass(-time.Hour)
	case "end":
		close(s.done)
		return
	}
	s.board.Publish(s.room.View())
}

// TestBrowser opens the round sheet in a real browser, on a phone's and a desk's
// width: the script keeps it live, tells when it is not, and nothing is wider than the page.
func TestBrowser(t *testing.T) {
	path := outsidetest.Program(t, "chromium", "chromium")
	for _, width := range []int{360, 1280} {
		t.Run(fmt.Sprint(width), func(t *testing.T) {
			t.Parallel()
			clock := collector.NewClock()
			room := exportertest.Ardenmoor(clock)
			board := exporter.NewBoard(clock, room.View())
			// The views are published by steps, minutes apart for a slow machine: only the step 'overdue' makes one old.
			s := &stage{board: board, room: room, done: make(chan struct{}), panel: panel.New(board, panel.Options{
				Throttle: 20 * time.Millisecond, Heartbeat: 300 * time.Millisecond, Overdue: 50 * time.Minute}).Handler()}
			server := httptest.NewServer(s)
			defer server.Close()
			dom := dump(t, path, fmt.Sprintf("%s/frame?width=%d", server.URL, width))
			for _, want := range []string{`data-value="seen"`, `data-alarm="seen"`, `data-lost="seen"`, `data-link="seen"`, `data-silent="seen"`,
				`data-again="seen"`, `data-overdue="seen"`, `data-kept="true"`, `data-words="Not live: no word from the box since `,
				fmt.Sprintf(`data-inner="%d"`, width), fmt.Sprintf(`data-scroll="%d"`, width), fmt.Sprintf(`data-scrollafter="%d"`, width), `data-thin="0"`} {
				if !strings.Contains(dom, want) {
					t.Errorf("the document has no %s", want)
				}
			}
			if t.Failed() {
				_, body, _ := strings.Cut(dom, "<body")
				body, _, _ = strings.Cut(body, ">")
				t.Logf("body: %s", body)
			}
		})
	}
}

// dump returns the document as the browser has it when the page is loaded.
func dump(t *testing.T, chromium, url string, flags ...string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
	defer cancel()
	args := append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars",
		"--user-data-dir=" + t.TempDir(), "--window-size=1400,900"}, flags...)
	cmd := exec.CommandContext(ctx, chromium, append(args, "--dump-dom", url)...)
	cmd.WaitDelay = 5 * time.Second
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("chromium: %v\n%s", err, errs.String())
	}
	return out.String()
}
