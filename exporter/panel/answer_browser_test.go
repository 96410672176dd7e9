package panel_test

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"

	"roundsman/exporter/panel"
)

// TestBrowserLink opens a message's link on narrow phones whose browser runs no script, on the box itself and by a name
// over plain HTTP, where browsers tell no Sec-Fetch-Site: the button fits, is easy to hit, and acknowledges once.
func TestBrowserLink(t *testing.T) {
	for _, tt := range []struct {
		host  string
		width int
	}{{"127.0.0.1", 320}, {"box.wash.example", 360}} {
		t.Run(fmt.Sprint(tt.width), func(t *testing.T) {
			t.Parallel()
			b := openBrowser(t, "--host-resolver-rules=MAP box.wash.example 127.0.0.1")
			l := newLinked(t, panel.Options{Hosts: []string{tt.host}})
			server := httptest.NewServer(l)
			defer server.Close()
			url := strings.Replace(server.URL, "127.0.0.1", tt.host, 1) + l.mint("m.hartnell")
			b.screen(tt.width, "light")
			b.do("Emulation.setScriptExecutionDisabled", map[string]any{"value": true})
			b.visit(url)
			if got := b.text("h1"); got != "Maeve Hartnell, have you got it?" {
				t.Errorf("asks %q", got)
			}
			if got := b.eval(`Math.max(document.documentElement.scrollWidth, document.body.scrollWidth)`); got != float64(tt.width) {
				t.Errorf("the page is %v wide", got)
			}
			box := b.eval(`(() => { const r = document.querySelector("button").getBoundingClientRect(); return [r.left, r.right, r.height, document.querySelectorAll("button").length]; })()`).([]any)
			if box[0].(float64) < 0 || box[1].(float64) > float64(tt.width) || box[1].(float64)-box[0].(float64) < 280 || box[2].(float64) < 72 || box[3] != 1. {
				t.Errorf("the button: left, right, height, count %v", box)
			}
			b.shoot(fmt.Sprintf("link-%d", tt.width))
			if len(l.acts) != 0 {
				t.Fatalf("looking did something: %v", l.acts)
			}
			b.touch("button")
			b.until(`document.querySelector("h1").innerText.startsWith("Done")`)
			if got := b.text("h1"); got != "Done: acknowledged by Maeve Hartnell" || len(l.acts) != 1 {
				t.Errorf("%q, acts %v", got, l.acts)
			}
			b.shoot(fmt.Sprintf("link-%d-done", tt.width))
			b.visit(url)
			if got := b.text("h1"); got != "Acknowledged by Maeve Hartnell" || b.eval(`document.querySelector("form")`) != nil {
				t.Errorf("once more: %q", got)
			}
			if strings.Contains(url, "example") { // a form of another site that carries the token is refused
				l.room.Alarm("air-low", 1, 0)
				l.board.Publish(l.room.View())
				b.visit(strings.Replace(server.URL, "127.0.0.1", "localhost", 1) + "/alarms")
				b.do("Emulation.setScriptExecutionDisabled", map[string]any{"value": false})
				b.eval(fmt.Sprintf(`(() => { const f = document.createElement("form"); f.method = "post"; f.action = %q; document.body.append(f); HTMLFormElement.prototype.submit.call(f); })()`,
					strings.Replace(server.URL, "127.0.0.1", tt.host, 1)+l.mint("n.quill")))
				b.until(`location.hostname === "localhost" || document.querySelector("h1").innerText === "Not done"`)
				if len(l.acts) != 1 {
					t.Errorf("another site acted: %v", l.acts)
				}
			}
		})
	}
}
