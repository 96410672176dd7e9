package panel_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
)

// drilled is what carries out test calls.
type drilled struct {
	who      string
	contacts []string
	within   time.Duration
}

func (d *drilled) Drill(_ context.Context, who string, contacts []string, within time.Duration) error {
	for _, c := range contacts {
		if c == "zoe" {
			return fmt.Errorf("zoe: %w", exporter.ErrNoContact)
		}
	}
	d.who, d.contacts, d.within = who, contacts, within
	return nil
}

func (d *drilled) Drilled() []exporter.DrillStep {
	return []exporter.DrillStep{
		{Contact: "n.quill", Number: 3, Way: "texts", Taken: 1200 * time.Millisecond, Answered: 34 * time.Second, Done: true},
		{Contact: "a.lark", Done: true, Failed: true, Way: "no network"},
	}
}

func TestDrillOverHTTP(t *testing.T) {
	clock := collector.NewClock()
	room := exportertest.Saturday(clock)
	d := &drilled{}
	options := panel.Options{Acts: nothingToAct{}, Drills: d, People: []exporter.Person{{ID: "m.hartnell", Name: "Maeve Hartnell"}}}
	h := panel.New(exporter.NewBoard(clock, room.View()), options).Handler()
	ask := func(method, query, body, origin string) (int, string) {
		r := httptest.NewRequest(method, "/api/v1/drill"+query, strings.NewReader(body))
		r.Host, r.RemoteAddr = "127.0.0.1:9480", "127.0.0.1:5555"
		r.Header.Set("Content-Type", "application/json")
		if origin != "" {
			r.Header.Set("Origin", origin)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w.Code, w.Body.String()
	}
	const steps = `[{"contact":"n.quill","number":3,"channel":"texts","takenSeconds":1.2,"answeredSeconds":34,"done":true,"failed":false},{"contact":"a.lark","channel":"no network","done":true,"failed":true}]`
	for _, tt := range []struct {
		method, query, body, origin string
		code                        int
		want                        string
	}{
		{http.MethodGet, "", "", "", http.StatusOK, steps},
		{http.MethodPost, "?contact=n.quill&contact=a.lark", `{"by":"m.hartnell","for":"5m"}`, "", http.StatusOK, steps},
		{http.MethodPost, "?contact=zoe", `{"by":"m.hartnell"}`, "", http.StatusNotFound, "zoe: there is no such contact"},
		{http.MethodPost, "", `{}`, "", http.StatusUnprocessableEntity, "by is missing"},
		{http.MethodPost, "", `{"by":"m.hartnel"}`, "", http.StatusForbidden, "did you mean m.hartnell?"},
		{http.MethodPost, "", `{"by":"m.hartnell","for":"soon"}`, "", http.StatusBadRequest, "no time to answer in"},
		{http.MethodPost, "", `{"by":"m.hartnell"}`, "https://elsewhere.example", http.StatusForbidden, ""},
	} {
		code, body := ask(tt.method, tt.query, tt.body, tt.origin)
		if code != tt.code || !strings.Contains(body, tt.want) {
			t.Errorf("%s %s %s: %d %s, want %d %s", tt.method, tt.query, tt.body, code, body, tt.code, tt.want)
		}
	}
	if d.who != "Maeve Hartnell" || fmt.Sprint(d.contacts) != "[n.quill a.lark]" || d.within != 5*time.Minute {
		t.Errorf("asked for %+v", d)
	}
	options.Drills = nil
	h = panel.New(exporter.NewBoard(clock, room.View()), options).Handler()
	if code, body := ask(http.MethodGet, "", "", ""); code != http.StatusServiceUnavailable {
		t.Errorf("without call-outs: %d %s", code, body)
	}
}
