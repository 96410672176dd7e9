package panel_test

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
	"roundsman/rules"
)

// gauges keeps comparisons, or refuses them all.
type gauges struct {
	list []exporter.Comparison
	err  error
}

func (g *gauges) Compare(_ context.Context, c exporter.Comparison, who string) error {
	if g.err == nil {
		g.list = append(g.list, c)
	}
	return g.err
}

// nothingToAct lets people be known without anything they could do to alarms.
type nothingToAct struct{}

func (nothingToAct) Act(context.Context, string, rules.Act) error { return rules.ErrNoAlarm }

// A comparison is kept as it was sent, or is refused with what is wrong; the tolerance is 2 % of the range where none is given.
func TestCompareWithAGauge(t *testing.T) {
	clock := collector.NewClock()
	board := exporter.NewBoard(clock, exportertest.Saturday(clock).View())
	g := &gauges{}
	server := httptest.NewServer(panel.New(board, panel.Options{Comparisons: g, Acts: nothingToAct{}, People: []exporter.Person{{ID: "n.quill", Name: "Niamh Quill"}}}).Handler())
	t.Cleanup(server.Close)
	for _, tt := range []struct {
		path, body string
		status     int
		want       string
	}{
		{"air.header.pressure/as-found", `{"by":"n.quill","gauge":5.3,"reads":5.2,"tolerance":0.32,"instrument":"PI-7"}`, 200, `"within":true`},
		{"air.header.pressure/as-left", `{"by":"n.quill","gauge":9}`, 200, `"event":"as left"`},
		{"air.header.pressure/as-left", `{"by":"n.quill"}`, 422, "gauge is missing"},
		{"air.header.pressure/as-left", `{"by":"n.quill","gauge":5,"tolerance":-1}`, 422, "below nought"},
		{"air.header.pressure/as-left", `{"by":"n.quill","gauge":1e300}`, 422, "is no value"},
		{"air.header.pressure/as-left", `{"by":"n.quill","gauge":5,"instrument":"a\u001b[2J"}`, 422, "cannot be shown"},
		{"air.header.pressure/as-left", `{"by":"n.quill","gauge":5,"gage":5}`, 400, `did you mean gauge?`},
		{"air.header.pressure/as-left", `{"by":"n.quill","gauge":"5"}`, 400, "no comparison"},
		{"air.header.pressure/as-left", `{"by":"n.quill","gauge":5} x`, 400, "something follows"},
		{"air.header.pressure/as-left", `{"by":"nobody","gauge":5}`, 403, "nobody"},
		{"air.header.presure/as-left", `{"by":"n.quill","gauge":5}`, 404, "did you mean air.header.pressure?"},
		{"air.header.pressure/as-seen", `{"by":"n.quill","gauge":5}`, 405, ""},
	} {
		resp, err := http.Post(server.URL+"/api/v1/points/"+tt.path, "application/json", strings.NewReader(tt.body))
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		said := strings.ReplaceAll(string(body), `": `, `":`)
		if err != nil || resp.StatusCode != tt.status || !strings.Contains(said, tt.want) {
			t.Errorf("%s %s: %d %s, want %d and %q", tt.path, tt.body, resp.StatusCode, said, tt.status, tt.want)
		}
	}
	if len(g.list) != 2 || g.list[0].Left || g.list[0].Reads != 5.2 || g.list[0].Instrument != "PI-7" || !g.list[1].Left || g.list[1].Reads == 0 || g.list[1].Tolerance <= 0 {
		t.Errorf("kept %+v", g.list)
	}
	g.err = errors.New("not on the record")
	resp, err := http.Post(server.URL+"/api/v1/points/air.header.pressure/as-left", "application/json", strings.NewReader(`{"by":"n.quill","gauge":5}`))
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("a record that cannot be written: %d", resp.StatusCode)
	}
}
