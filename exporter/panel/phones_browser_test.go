package panel_test

import (
	"context"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/push"
	"roundsman/exporter/callout/push/pushtest"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
	"roundsman/rules"
)

// subscribing takes the place of the browser's own push service, which is on the internet: it gives the subscription of
// the test's phone. All else is the browser's own.
const subscribing = `PushManager.prototype.getSubscription = async () => null;
PushManager.prototype.subscribe = async function (o) {
  window.asked = { visible: o.userVisibleOnly, key: btoa(String.fromCharCode(...new Uint8Array(o.applicationServerKey))) };
  return { toJSON: () => (%s), unsubscribe: async () => true };
};`

// mast is a push service for push.example.net that keeps the bodies it got.
type mast struct {
	mu     sync.Mutex
	bodies [][]byte
}

func (m *mast) last() []byte {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.bodies) == 0 {
		return nil
	}
	return m.bodies[len(m.bodies)-1]
}

// newMast returns a push service and the options of a channel that reaches it.
func newMast(t *testing.T) (*mast, push.Options) {
	t.Helper()
	m := &mast{}
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		m.mu.Lock()
		defer m.mu.Unlock()
		m.bodies = append(m.bodies, body)
		w.WriteHeader(http.StatusCreated)
	}))
	server.Config.ErrorLog = log.New(io.Discard, "", 0)
	server.StartTLS()
	t.Cleanup(server.Close)
	folder := t.TempDir()
	ca := filepath.Join(folder, "ca.pem") // of httptest, good for push.example.com too
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	return m, push.Options{KeyFile: filepath.Join(folder, "push.key"), Contact: "desk@ardenmoor.example", CAFile: ca,
		Dial: func(ctx context.Context, network, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, network, server.Listener.Addr().String())
		}}
}

// pocket is a panel with real phones that are kept at once, as the rounds of the judge do.
type pocket struct {
	phones *push.Phones
	fan    *push.Fan
	server *httptest.Server
	actor  *actor
}

func newPocket(t *testing.T, o push.Options) *pocket {
	t.Helper()
	clock := collector.NewClock()
	channel, err := push.New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { channel.Close() })
	phones, err := push.NewPhones(push.PhonesOptions{Clock: clock, Site: "Ardenmoor Wash"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	p := &pocket{phones: phones, fan: phones.Through(channel)}
	room := exportertest.Saturday(clock)
	p.actor = &actor{room: room, board: exporter.NewBoard(clock, room.View())}
	calls := saturdayCalls(room.View())
	p.server = httptest.NewServer(panel.New(p.actor.board, panel.Options{Acts: p.actor, People: people, Phones: phones, Callouts: calls, Overdue: time.Hour}).Handler())
	t.Cleanup(p.server.Close)
	done, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for {
			phones.Save()
			phones.Kept()
			select {
			case <-done:
				return
			case <-tick.C:
			}
		}
	}()
	t.Cleanup(func() { close(done); <-ended })
	return p
}

// shown are the notifications that stand on the phone, as 'tag | title | body | actions', one behind the other.
const shown = `navigator.serviceWorker.ready.then((r) => r.getNotifications()).then((l) => l.map((n) => [n.tag, n.title, n.body, n.actions.map((a) => a.title).join()].join(" | ")).join(" || "))`

// untilShown waits until what is shown is like the pattern.
func (b *browser) untilShown(pattern string) {
	b.t.Helper()
	b.until(shown + fmt.Sprintf(`.then((s) => new RegExp(%q, "s").test(s))`, pattern))
}

// deliver hands a message to the page's worker, as the browser does when its push service has one.
func (b *browser) deliver(origin string, data []byte) {
	b.t.Helper()
	b.events = nil
	b.do("ServiceWorker.disable", nil)
	b.do("ServiceWorker.enable", nil)
	id := ""
	b.event("ServiceWorker.workerRegistrationUpdated", func(params json.RawMessage) bool {
		var got struct {
			Registrations []struct{ RegistrationID, ScopeURL string }
		}
		if err := json.Unmarshal(params, &got); err != nil {
			b.t.Fatal(err)
		}
		for _, r := range got.Registrations {
			if r.ScopeURL == origin+"/" {
				id = r.RegistrationID
			}
		}
		return id != ""
	})
	b.do("ServiceWorker.deliverPushMessage", map[string]any{"origin": origin, "registrationId": id, "data": string(data)})
}

// TestBrowserPhone has a phone called: a person presses the button, the box keeps the phone, the test message and an
// alarm arrive encrypted for that phone alone, and the worker shows them and leads to the alarms.
func TestBrowserPhone(t *testing.T) {
	m, o := newMast(t)
	p := newPocket(t, o)
	b := openBrowser(t) // after the server: it closes first and leaves no stream open
	phone, err := pushtest.NewPhone()
	if err != nil {
		t.Fatal(err)
	}
	b.call("", "Browser.grantPermissions", map[string]any{"origin": p.server.URL, "permissions": []string{"notifications"}}, nil)
	b.do("Page.addScriptToEvaluateOnNewDocument", map[string]any{"source": fmt.Sprintf(subscribing, strings.Replace(phone.Subscription("1"), "example.net", "example.com", 1))})
	b.screen(360, "light")
	b.visit(p.server.URL + "/phones")
	b.eval(`document.querySelector(".who select").value = "n.quill"`)
	b.touch(".who button")
	b.until(`location.pathname === "/phones" && document.querySelector("#install") && !document.querySelector("#install").hidden`)
	b.shoot("phones-360-light-before")
	b.eval(`document.querySelector("#install [name=name]").value = "Niamh's phone"`)
	b.touch("#install button")
	b.until(`location.search === "?said=installed"`)
	if got := b.text("#phones"); !strings.Contains(got, "Niamh's phone, since ") {
		t.Errorf("the page says %q", got)
	}
	if list := p.phones.List("n.quill"); len(list) != 1 || list[0].Name != "Niamh's phone" {
		t.Fatalf("kept: %+v", list)
	}
	if got := b.eval(`Math.max(document.documentElement.scrollWidth, document.body.scrollWidth)`); got != 360. {
		t.Errorf("the page is %v wide", got)
	}
	b.touch("#phones button")
	b.until(`location.search === "?said=test"`)
	for _, scheme := range []string{"light", "dark"} {
		for _, width := range []int{360, 1280} {
			b.screen(width, scheme)
			b.shoot(fmt.Sprintf("phones-%d-%s", width, scheme))
		}
	}
	plain, _, err := phone.Open(m.last())
	if err != nil {
		t.Fatal(err)
	}
	b.deliver(p.server.URL, plain)
	b.untilShown(`^test \| Ardenmoor Wash TEST: nothing is wrong \| A test message.* touching anything\. \| $`)
	alarm := callout.Message{Key: "k1", Subject: callout.AboutAlarm, Alarm: "air-low", Thread: "air-low-1", Priority: rules.HighPriority, To: push.Installed + " n.quill",
		Title: "Ardenmoor: AIR header pressure low", Text: "Header pressure 5.2 bar", Link: p.server.URL + exporter.LinkPath + "token", Created: time.Now(), Try: 1}
	if _, err := p.fan.Send(t.Context(), &alarm); err != nil {
		t.Fatal(err)
	}
	if plain, _, err = phone.Open(m.last()); err != nil {
		t.Fatal(err)
	}
	b.deliver(p.server.URL, plain)
	back := strings.NewReplacer("pressure low", "NORMAL again", `"subject":"alarm"`, `"subject":"return"`, "127.0.0.1", "evil.example").Replace(string(plain))
	b.untilShown(`air-low-1 \| Ardenmoor: AIR header pressure low \| Header pressure 5\.2 bar \| Acknowledge( |$)`)
	b.clicks(p.server.URL)
	b.deliver(p.server.URL, plain)
	b.untilShown(`pressure low`)
	b.deliver(p.server.URL, []byte(back)) // takes the alarm's place; a link elsewhere is not offered
	b.untilShown(`air-low-1 \| Ardenmoor: AIR header NORMAL again \| Header pressure 5\.2 bar \| ( \|\||$)`)
	if got := fmt.Sprint(b.eval(shown)); strings.Contains(got, "pressure low") {
		t.Errorf("the alarm stands beside its return: %s", got)
	}
	for odd, want := range map[string]string{"no JSON": "A message of the box that cannot be read | Open the alarms. | ", "[1]": "cannot be read", "null": "cannot be read",
		`{"title":7,"link":"javascript:alert(1)"}`: "7 | Open the alarms. | "} {
		b.eval(`navigator.serviceWorker.ready.then((r) => r.getNotifications()).then((l) => l.forEach((n) => n.close()))`)
		b.until(shown + `.then((s) => s === "")`)
		b.deliver(p.server.URL, []byte(odd))
		b.untilShown(`.`)
		if got := fmt.Sprint(b.eval(shown)); !strings.Contains(got, want) || strings.Contains(got, "Acknowledge") {
			t.Errorf("%s: shown %q", odd, got)
		}
	}
}

// clicks presses what is shown, in the worker: it must open the alarms, or the link where that was pressed.
func (b *browser) clicks(origin string) {
	b.t.Helper()
	var got struct {
		TargetInfos []struct{ TargetID, Type, URL string }
	}
	b.call("", "Target.getTargets", nil, &got)
	for _, target := range got.TargetInfos {
		if target.Type != "service_worker" || target.URL != origin+"/worker.js" {
			continue
		}
		worker := b.attach(target.TargetID)
		opened := b.evalIn(worker, `(async () => {
			const shown = (await registration.getNotifications()).find((n) => n.tag === "air-low-1"), opened = [];
			for (const action of ["", "take", "other"]) {
				opened.push(await new Promise((done) => {
					Clients.prototype.openWindow = async (url) => { done(url); return null; };
					dispatchEvent(new NotificationEvent("notificationclick", { notification: shown, action }));
				}));
			}
			return opened.join(" ") + " " + (await registration.getNotifications()).some((n) => n.tag === "air-low-1");
		})()`)
		if want := fmt.Sprintf("%[1]s/alarms %[1]s/a/token %[1]s/alarms false", origin); opened != want {
			b.t.Errorf("pressing the notification, its button and an unknown one opens %v, want %s", opened, want)
		}
		return
	}
	b.t.Errorf("no worker: %+v", got.TargetInfos)
}
