package panel_test

import (
	"bufio"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"roundsman/collector/outsidetest"
)

// browser is a real browser driven over the pipe of its developer tools (Chrome DevTools Protocol): what a person does
// with finger and keys, and what they see. One goroutine uses it.
type browser struct {
	t      testing.TB
	in     *os.File
	out    *os.File
	lines  *bufio.Reader
	last   int
	events []message // not looked at yet
	page   string    // the session of the page
}

type message struct {
	ID      int             `json:"id,omitzero"`
	Session string          `json:"sessionId,omitzero"`
	Method  string          `json:"method,omitzero"`
	Params  json.RawMessage `json:"params,omitzero"`
	Result  json.RawMessage `json:"result,omitzero"`
	Error   *struct {
		Message string `json:"message"`
	} `json:"error,omitzero"`
}

// patience is how long the browser may take for one step on a slow machine.
const patience = 40 * time.Second

func openBrowser(t testing.TB, flags ...string) *browser {
	t.Helper()
	path := outsidetest.Program(t, "chromium", "chromium")
	theirIn, in, err := os.Pipe()
	out, theirOut, err2 := os.Pipe()
	profile, err3 := os.MkdirTemp("", "panel-browser-")
	if err := errors.Join(err, err2, err3); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), path, append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars",
		"--remote-debugging-pipe", "--user-data-dir=" + profile}, flags...)...)
	cmd.ExtraFiles = []*os.File{theirIn, theirOut} // 3 and 4
	cmd.WaitDelay = 5 * time.Second
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	theirIn.Close()
	theirOut.Close()
	b := &browser{t: t, in: in, out: out, lines: bufio.NewReader(out)}
	t.Cleanup(func() {
		_, _ = in.WriteString(`{"id":1000000,"method":"Browser.close"}` + "\x00")
		_ = cmd.Wait()
		in.Close()
		out.Close()
		remove(profile)
	})
	var made struct{ TargetID string }
	b.call("", "Target.createTarget", map[string]any{"url": "about:blank"}, &made)
	b.page = b.attach(made.TargetID)
	for _, domain := range []string{"Page", "Runtime", "DOM"} {
		b.do(domain+".enable", nil)
	}
	return b
}

// remove takes the profile away. Helpers of the browser outlive it for a moment and may write into it still.
func remove(profile string) {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for range 100 {
		if os.RemoveAll(profile) == nil {
			return
		}
		<-tick.C
	}
}

func (b *browser) attach(target string) string {
	b.t.Helper()
	var got struct{ SessionID string }
	b.call("", "Target.attachToTarget", map[string]any{"targetId": target, "flatten": true}, &got)
	return got.SessionID
}

// do asks something of the page.
func (b *browser) do(method string, params any) { b.t.Helper(); b.call(b.page, method, params, nil) }

func (b *browser) call(session, method string, params, into any) {
	b.t.Helper()
	if err := b.try(session, method, params, into); err != nil {
		b.t.Fatal(err)
	}
}

// try is call for what may go wrong.
func (b *browser) try(session, method string, params, into any) error {
	b.t.Helper()
	b.last++
	m := map[string]any{"id": b.last, "method": method}
	if params != nil {
		m["params"] = params
	}
	if session != "" {
		m["sessionId"] = session
	}
	text, err := json.Marshal(m)
	if err != nil {
		b.t.Fatal(err)
	}
	if _, err := b.in.Write(append(text, 0)); err != nil {
		b.t.Fatal(err)
	}
	for {
		got := b.read(method)
		if got.ID != b.last {
			b.events = append(b.events, got)
			continue
		}
		if got.Error != nil {
			return fmt.Errorf("%s: %s", method, got.Error.Message)
		}
		if into != nil {
			return json.Unmarshal(got.Result, into)
		}
		return nil
	}
}

func (b *browser) read(waiting string) message {
	b.t.Helper()
	_ = b.out.SetReadDeadline(time.Now().Add(patience))
	text, err := b.lines.ReadBytes(0)
	if err != nil {
		b.t.Fatalf("chromium: waiting for %s: %v", waiting, err)
	}
	var m message
	if err := json.Unmarshal(text[:len(text)-1], &m); err != nil {
		b.t.Fatal(err)
	}
	return m
}

// event returns the next event of that method which truth likes.
func (b *browser) event(method string, truth func(params json.RawMessage) bool) {
	b.t.Helper()
	for {
		var m message
		if len(b.events) > 0 {
			m, b.events = b.events[0], b.events[1:]
		} else {
			m = b.read(method)
		}
		if m.Method == method && (truth == nil || truth(m.Params)) {
			return
		}
	}
}

// visit opens a page and returns when it is loaded.
func (b *browser) visit(url string) {
	b.t.Helper()
	b.events = nil
	b.do("Page.navigate", map[string]any{"url": url})
	b.event("Page.loadEventFired", nil)
}

// eval returns what an expression is in the page; promises are waited for.
func (b *browser) eval(expression string) any { b.t.Helper(); return b.evalIn(b.page, expression) }

func (b *browser) evalIn(session, expression string) any {
	b.t.Helper()
	value, err := b.tryEval(session, expression)
	for range 100 { // between two pages there is no body for a moment
		if err == nil || !strings.Contains(err.Error(), "Cannot read properties of null") {
			break
		}
		time.Sleep(20 * time.Millisecond)
		value, err = b.tryEval(session, expression)
	}
	if err != nil {
		b.t.Fatal(err)
	}
	return value
}

func (b *browser) tryEval(session, expression string) (any, error) {
	b.t.Helper()
	var got struct {
		Result           struct{ Value any }
		ExceptionDetails *struct{ Exception struct{ Description string } }
	}
	err := b.try(session, "Runtime.evaluate", map[string]any{"expression": expression, "returnByValue": true, "awaitPromise": true, "userGesture": true}, &got)
	if err == nil && got.ExceptionDetails != nil {
		err = fmt.Errorf("%s: %s", expression, got.ExceptionDetails.Exception.Description)
	}
	return got.Result.Value, err
}

func (b *browser) text(selector string) string {
	b.t.Helper()
	return strings.Join(strings.Fields(fmt.Sprint(b.eval(fmt.Sprintf(`(document.querySelector(%q) || {innerText: ""}).innerText`, selector)))), " ")
}

// until waits until an expression of the page is true; it may be between two pages meanwhile.
func (b *browser) until(expression string) {
	b.t.Helper()
	end := time.Now().Add(patience)
	tick := time.NewTicker(25 * time.Millisecond)
	defer tick.Stop()
	for {
		loaded := `document.readyState === "complete" && document.body !== null && (` + expression + `)`
		if value, err := b.tryEval(b.page, loaded); err == nil && value == true {
			return
		}
		if time.Now().After(end) {
			b.t.Fatalf("waited in vain for %s; the page says: %s", expression, b.text("body"))
		}
		<-tick.C
	}
}

// screen makes the screen as wide as that, as a phone's or a desk's, in light or dark.
func (b *browser) screen(width int, scheme string) {
	b.t.Helper()
	b.do("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": 740, "deviceScaleFactor": 1, "mobile": width < 700})
	b.do("Emulation.setEmulatedMedia", map[string]any{"features": []any{map[string]any{"name": "prefers-color-scheme", "value": scheme}}})
}

// touch presses what a selector finds, where it is on the screen.
func (b *browser) touch(selector string) {
	b.t.Helper()
	box, ok := b.eval(fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center"}); const r = e.getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]; })()`, selector)).([]any)
	if !ok {
		b.t.Fatalf("nothing to press: %s", selector)
	}
	for _, kind := range []string{"mousePressed", "mouseReleased"} {
		b.do("Input.dispatchMouseEvent", map[string]any{"type": kind, "x": box[0], "y": box[1], "button": "left", "clickCount": 1})
	}
}

// shoot keeps a picture of the whole page among the test's artifacts ('go test -artifacts').
func (b *browser) shoot(name string) {
	b.t.Helper()
	var got struct{ Data string }
	b.call(b.page, "Page.captureScreenshot", map[string]any{"format": "png", "captureBeyondViewport": true}, &got)
	data, err := base64.StdEncoding.DecodeString(got.Data)
	if err == nil {
		err = os.WriteFile(filepath.Join(b.t.ArtifactDir(), name+".png"), data, 0o644)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}
