package panel_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"roundsman/collector/duty"
	"roundsman/exporter"
	"roundsman/exporter/panel"
)

// meters is a fake of what takes explanations: it notes them and refuses when told to.
type meters struct {
	said []string
	err  error
}

func (m *meters) Explained(_ context.Context, equipment string, hours bool, e duty.Explanation, who, why string) (duty.Explained, error) {
	m.said = append(m.said, fmt.Sprintf("%s hours %v %v last %v first %v by %s: %s", equipment, hours, e.Was, e.Last, e.First, who, why))
	if m.err != nil {
		return duty.Explained{}, m.err
	}
	return duty.Explained{Jump: duty.Jump{Hours: hours, From: 500.2, To: 20}, Was: e.Was, Run: 18 * time.Minute}, nil
}

// asking is a panel over a room in which a pump's hour meter jumped.
func asking(m *meters) (http.Handler, *actor) {
	books := &books{}
	h, a := acting(panel.Options{Meters: m, Duties: books, Overdue: time.Hour})
	v := a.room.View()
	v.Equipment = append([]exporter.Equipment(nil), v.Equipment...)
	v.Equipment[0].Asked = []exporter.MeterQuestion{
		{Hours: true, Time: v.Time.Add(-time.Hour), From: 500.2, To: 20, Looks: duty.Replaced},
		{Hours: true, Time: v.Time, From: 30, To: 0.1, Looks: duty.Reset},
	}
	a.board.Publish(v)
	return h, a
}

// TestPumpsPageAsks: who said who they are finds a form for the oldest question, which fits the interface behind it; who
// did not, and who asks where nothing can be noted, finds none.
func TestPumpsPageAsks(t *testing.T) {
	m := &meters{}
	h, a := asking(m)
	name := a.board.View().Equipment[0].Name
	plain := page(t, h, "/pumps")
	has(t, words(plain), "Asked about meters", "the hour meter went from 500.2 to 20 , seen", "from 30 to 0.1 , seen", "The question above comes first.")
	hasNot(t, plain, "/explained")
	r := request(http.MethodGet, "/pumps", "")
	r.AddCookie(&http.Cookie{Name: "roundsman-who", Value: "n.quill"})
	mine := do(h, r).Body.String()
	if n := strings.Count(mine, `action="/equipment/`+name+`/explained"`); n != 1 {
		t.Fatalf("%d forms", n)
	}
	has(t, mine, `value="replaced" required checked`, `value="rolled-over" required>`, `name="meter" value="hours"`, `name="back" value="/pumps"`)
	w := posted(h, "/equipment/"+name+"/explained", url.Values{"by": {"n.quill"}, "back": {"/pumps"}, "meter": {"hours"}, "was": {"replaced"}, "last": {" 500,4 "}, "first": {""}, "words": {" display dead "}})
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/pumps" {
		t.Errorf("%d to %q: %s", w.Code, w.Header().Get("Location"), w.Body)
	}
	if want := name + " hours true replaced last 500.4 first NaN by Niamh Quill: display dead"; len(m.said) != 1 || m.said[0] != want {
		t.Errorf("said is %q, want %q", m.said, want)
	}
	without, _ := acting(panel.Options{Duties: &books{}, Overdue: time.Hour})
	hasNot(t, page(t, without, "/pumps"), "Asked about meters")
}

// TestExplainedRefused: an explanation that is of nobody, from elsewhere, incomplete or hostile is noted nowhere.
func TestExplainedRefused(t *testing.T) {
	m := &meters{}
	h, _ := asking(m)
	const path, good = "/api/v1/equipment/p/explained", `{"by":"n.quill","meter":"hours","was":"reset"}`
	for _, tt := range []struct {
		body, want string
		code       int
		headers    []string
	}{
		{`{"meter":"hours","was":"reset"}`, "by", 422, nil},
		{`{"by":"n.quil","meter":"hours","was":"reset"}`, "n.quill", 403, nil},
		{`{"by":"m.hartnell","meter":"hours","was":"reset"}`, "key", 401, nil},
		{good, "no key", 403, []string{"From: 203.0.113.9:40000"}},
		{good, "another site", 403, []string{"Sec-Fetch-Site: cross-site"}},
		{good, "application/json", 415, []string{"Content-Type: text/plain"}},
		{`{"by":"n.quill","was":"reset"}`, "meter", 422, nil},
		{`{"by":"n.quill","meter":"hours"}`, "what was done to it?", 422, nil},
		{`{"by":"n.quill","meter":"hours","was":"reset","last":"NaN"}`, "nothing that a meter shows", 422, nil},
		{`{"by":"n.quill","meter":"hours","was":"reset","first":"-3"}`, "nothing that a meter shows", 422, nil},
		{`{"by":"n.quill","meter":"hours","was":"reset","last":"1e300"}`, "nothing that a meter shows", 422, nil},
		{`{"by":"n.quill","meter":"hours","was":"reset","reason":"a\nb"}`, "one line", 422, nil},
		{`{"by":"n.quill","meter":"hours","was":"reset","reason":"` + strings.Repeat("x", 201) + `"}`, "200 letters", 422, nil},
		{`{"by":"n.quill","meter":"hours","was":"reset","from":"1"}`, "there is no field", 400, nil},
	} {
		if w := do(h, request(http.MethodPost, path, tt.body, tt.headers...)); w.Code != tt.code || !strings.Contains(w.Body.String(), tt.want) {
			t.Errorf("%s: %d %s; want %d and %q", tt.body, w.Code, w.Body, tt.code, tt.want)
		}
	}
	if w := do(h, request(http.MethodGet, path, "")); w.Code != http.StatusMethodNotAllowed {
		t.Errorf("GET: %d", w.Code)
	}
	if len(m.said) != 0 {
		t.Errorf("noted was %q", m.said)
	}
	for _, tt := range []struct {
		err  error
		code int
	}{{exporter.ErrNoEquipment, 404}, {duty.ErrNotAsked, 409}, {duty.ErrUnlikely, 422}, {errors.New("disk"), 503}, {nil, 200}} {
		m.err = tt.err
		if w := do(h, request(http.MethodPost, path, good)); w.Code != tt.code {
			t.Errorf("%v: %d %s", tt.err, w.Code, w.Body)
		}
	}
	if want := fmt.Sprintf("p hours true reset last %v first %v by Niamh Quill: ", math.NaN(), math.NaN()); m.said[0] != want {
		t.Errorf("said is %q, want %q", m.said[0], want)
	}
}
