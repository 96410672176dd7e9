package panel_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"roundsman/collector/outsidetest"
	"roundsman/exporter/panel"
	"roundsman/rules"
)

// actChecks is a person at the alarms page, in a frame as wide as a phone: says who they are, acknowledges, and
// shelves in three touches while the list grows under their hands. Each act loads the page anew; the frame's parent
// remembers how far it came.
const actChecks = `"use strict";
(async () => {
  const out = parent.document.body;
  const seen = (name, value = "seen") => out.setAttribute("data-" + name, value);
  const find = (s) => document.querySelector(s);
  const card = (name) => find('[data-alarm="' + name + '"]');
  const width = () => Math.max(document.documentElement.scrollWidth, document.body.scrollWidth);
  const until = async (truth) => {
    for (let i = 0; i < 400 && !truth(); i++) await new Promise((r) => setTimeout(r, 25));
    return truth();
  };
  const key = (form) => { const k = form.querySelector("[name=key]"); if (k) k.value = "correct-horse-battery"; };
  const step = Number(out.dataset.step || 0);
  out.dataset.step = step + 1;
  if (step === 0) {
    seen("nobody", !find(".acts"));
    find(".who select").value = out.dataset.who;
    find(".who button").click();
  } else if (step === 1) {
    const button = card("air-low").querySelector("button.main");
    const box = button.getBoundingClientRect();
    seen("button", button.textContent + (box.height >= 44 && box.width > 200 && box.right <= innerWidth ? " big" : " small"));
    key(button.form);
    button.click();
  } else if (step === 2) {
    seen("acknowledged", card("air-low").querySelector(".state").textContent);
    const details = card("compressor-fault").querySelector("details");
    const form = details.querySelector("form");
    details.querySelector("summary").click(); // touch 1
    await until(() => form.offsetHeight > 0);
    seen("scroll", width());
    const low = [...form.querySelectorAll("button, label.choice, summary")].filter((e) => e.getBoundingClientRect().height < 44).length;
    seen("low", low);
    form.querySelector("[value='known and watched']").click(); // touch 2
    form.querySelector("[name=words]").value = "half a word";
    form.querySelector("[name=words]").focus();
    await fetch("/step/more");
    await until(() => card("mains-lost"));
    seen("grown", card("mains-lost") !== null && !find("#held") && card("compressor-fault").querySelector(".state").textContent.includes("Aoife"));
    seen("kept", form.isConnected && details.open && form.querySelector("[name=words]").value === "half a word" &&
      form.querySelector("[value='known and watched']").checked && document.activeElement === form.querySelector("[name=words]"));
    form.querySelector("[name=words]").value = "";
    key(form);
    form.querySelector("[value='15m']").click(); // touch 3
  } else {
    seen("shelved", find(".held [data-alarm='compressor-fault'] .state").textContent);
    await fetch("/step/end");
  }
})();
`

// actStage serves the panel with a person's hands added to its pages.
type actStage struct {
	stage
	actor *actor
}

func (s *actStage) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	switch r.URL.Path {
	case "/checks.js":
		w.Header().Set("Content-Type", "text/javascript")
		_, _ = w.Write([]byte(actChecks))
	case "/frame":
		w.Header().Set("Content-Type", "text/html")
		_, _ = fmt.Fprintf(w, `<!DOCTYPE html><body data-who="%s"><iframe src="/alarms" width="360" height="800" frameborder="0"></iframe><img src="/hold">`, r.URL.Query().Get("who"))
	case "/hold":
		select {
		case <-s.done:
		case <-time.After(40 * time.Second): // the page never came so far; what it reached is told
		case <-r.Context().Done():
		}
	case "/step/more": // a new alarm, somebody else is quicker with the old one, and nothing is held back any more
		s.actor.room.Alarm("mains-lost", rules.Unacknowledged, 0)
		s.actor.room.Alarm("compressor-fault", rules.Acknowledged, time.Minute).AcknowledgedBy = "Aoife"
		s.actor.room.Alarm("turbidity-high", rules.Normal, 0)
		s.actor.room.Alarm("room-cold", rules.Normal, 0)
		s.actor.board.Publish(s.actor.room.View())
	case "/step/end":
		close(s.done)
	case "/api/v1/stream":
		s.panel.ServeHTTP(w, r)
	default:
		s.page(w, r)
	}
}

// TestBrowserActs: on the box itself, and from elsewhere by a plain name, where browsers do not send Sec-Fetch-Site and
// the Origin alone tells our forms from those of others.
func TestBrowserActs(t *testing.T) {
	path := outsidetest.Program(t, "chromium", "chromium")
	for _, tt := range []struct{ host, who, name string }{{"127.0.0.1", "n.quill", "Niamh Quill"}, {"wash.example", "m.hartnell", "Maeve Hartnell"}} {
		t.Run(tt.host, func(t *testing.T) {
			t.Parallel()
			h, a := acting(panel.Options{Throttle: 20 * time.Millisecond, Overdue: 50 * time.Minute, Hosts: []string{tt.host}})
			s := &actStage{stage: stage{panel: h, done: make(chan struct{})}, actor: a}
			server := httptest.NewServer(s)
			defer server.Close()
			url := strings.Replace(server.URL, "127.0.0.1", tt.host, 1)
			dom := dump(t, path, url+"/frame?who="+tt.who, "--host-resolver-rules=MAP wash.example 127.0.0.1")
			for _, want := range []string{`data-nobody="true"`, `data-button="Acknowledge big"`, `data-acknowledged="acknowledged by ` + tt.name + `"`,
				`data-scroll="360"`, `data-low="0"`, `data-grown="true"`, `data-kept="true"`, `data-shelved="shelved by ` + tt.name + ` until `, `; known and watched; since `} {
				if !strings.Contains(dom, want) {
					t.Errorf("the document has no %s", want)
				}
			}
			want := []string{"air-low acknowledge by " + tt.name, "compressor-fault shelve by " + tt.name + ", known and watched for 15m0s"}
			if got := strings.Join(a.acts, "\n"); got != strings.Join(want, "\n") {
				t.Errorf("acts:\n%s\nwant %v", got, want)
			}
			if t.Failed() {
				_, body, _ := strings.Cut(dom, "<body")
				body, _, _ = strings.Cut(body, ">")
				t.Logf("body: %s", body)
			}
		})
	}
}
