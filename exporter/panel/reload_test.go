package panel

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"roundsman/exporter"
	"roundsman/rules"
)

type noActs struct{}

func (noActs) Act(context.Context, string, rules.Act) error { return nil }

// Only a named person has the files read anew, and hears what is wrong with them.
func TestReload(t *testing.T) {
	for _, tt := range []struct {
		name, body string
		fault      error
		status     int
		said       string
		asked      string
	}{
		{"good", `{"by":"n.quill"}`, nil, http.StatusOK, `"reloaded":true`, "Niamh Quill"},
		{"broken file", `{"by":"n.quill"}`, errors.New("rules/air.yaml:3:1: unknown key"), http.StatusUnprocessableEntity, "rules/air.yaml:3:1", "Niamh Quill"},
		{"nobody", `{}`, nil, http.StatusUnprocessableEntity, "by is missing", ""},
		{"a stranger", `{"by":"x"}`, nil, http.StatusForbidden, "no person", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			asked := ""
			p := New(exporter.NewBoard(nil, &exporter.View{Site: &exporter.Site{}}), Options{Acts: noActs{},
				People: []exporter.Person{{ID: "n.quill", Name: "Niamh Quill"}},
				Reload: func(_ context.Context, who string) error { asked = who; return tt.fault }})
			r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1/api/v1/reload", strings.NewReader(tt.body))
			r.Header.Set("Content-Type", "application/json")
			r.RemoteAddr = "127.0.0.1:5"
			w := httptest.NewRecorder()
			p.Handler().ServeHTTP(w, r)
			if w.Code != tt.status || !strings.Contains(w.Body.String(), tt.said) || asked != tt.asked {
				t.Errorf("%d %s, asked %q; want %d, %q, %q", w.Code, w.Body, asked, tt.status, tt.said, tt.asked)
			}
		})
	}
}
