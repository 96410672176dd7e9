package panel_test

import (
	"context"
	"encoding/json"
	"errors"
	"iter"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/panel"
)

// trends is a fake that keeps the contract of exporter.Trends over one answer, and remembers what it was asked.
type trends struct {
	unit     string
	steps    []exporter.TrendStep
	err      error
	point    string
	from, to time.Time
	step     time.Duration
}

func (f *trends) Steps(_ context.Context, point string, from, to time.Time, step time.Duration) (string, []exporter.TrendStep, error) {
	f.point, f.from, f.to, f.step = point, from, to, step
	return f.unit, f.steps, f.err
}

// Each gives the same of every point.
func (f *trends) Each(_ context.Context, points []string, from, to time.Time, step time.Duration) iter.Seq2[exporter.PointSteps, error] {
	return func(yield func(exporter.PointSteps, error) bool) {
		f.from, f.to, f.step = from, to, step
		for _, point := range points {
			if !yield(exporter.PointSteps{Point: point, Unit: f.unit, Steps: f.steps}, f.err) {
				return
			}
		}
	}
}

func withTrends(o panel.Options) http.Handler {
	room, clock := quiet()
	return panel.New(exporter.NewBoard(clock, room.View()), o).Handler()
}

const readingsPath = "/api/v1/points/air.header.pressure/readings"

func TestReadingsJSON(t *testing.T) {
	fake := &trends{unit: "bar", steps: []exporter.TrendStep{
		{Milli: 1764310205000, Min: 7.8, Mean: 7.8123, Max: 7.9}, {Milli: 1764310215000, Min: math.NaN(), Mean: 1, Max: 1}, {Milli: 1764310225000, Min: 0, Mean: 0, Max: 1e-9},
	}}
	h := withTrends(panel.Options{Trends: fake})
	res := get(t, h, readingsPath+"?from=2026-11-28T06:00:00Z&to=2026-11-28T07:00:00%2B01:00&step=10s")
	want := `{"point":"air.header.pressure","unit":"bar","readings":[[1764310205000,7.8,7.8123,7.9],[1764310225000,0,0,1e-09]]}`
	if got := strings.TrimSpace(res.Body.String()); res.Code != 200 || got != want {
		t.Errorf("%d %s\nwant %s", res.Code, got, want)
	}
	if fake.point != "air.header.pressure" || fake.step != 10*time.Second || fake.to.Sub(fake.from) != 0 {
		t.Errorf("asked for %+v", fake)
	}
}

func TestReadingsQueries(t *testing.T) {
	for _, c := range []struct {
		query string
		step  time.Duration
		span  time.Duration
	}{
		{"", 5 * time.Minute, 24 * time.Hour},
		{"?from=2026-11-28T06:00:00Z&to=2026-11-28T06:10:00Z", time.Second, 10 * time.Minute},
		{"?from=2025-11-28T06:00:00Z&to=2026-11-28T06:00:00Z", 24 * time.Hour, 365 * 24 * time.Hour},
		{"?from=2016-11-28T06:00:00Z&to=2026-11-28T06:00:00Z", 7 * 24 * time.Hour, 3652 * 24 * time.Hour},
		{"?from=2026-11-28T06:00:00Z&to=2026-11-28T06:10:00Z&step=2.5", 2500 * time.Millisecond, 10 * time.Minute},
	} {
		fake := &trends{}
		res := get(t, withTrends(panel.Options{Trends: fake}), readingsPath+c.query)
		if res.Code != 200 || fake.step != c.step || fake.to.Sub(fake.from) != c.span {
			t.Errorf("%q: %d, %v in steps of %v, want %v in %v", c.query, res.Code, fake.to.Sub(fake.from), fake.step, c.span, c.step)
		}
	}
}

func TestReadingsProblems(t *testing.T) {
	fake := &trends{unit: "bar"}
	for _, c := range []struct {
		path   string
		trends exporter.Trends
		status int
		detail string
	}{
		{"/api/v1/points/nowhere/readings", fake, 404, `there is no point "nowhere"`},
		{readingsPath, nil, 503, "no readings are kept here"},
		{readingsPath + "?steps=1s", fake, 400, `there is no parameter "steps" (did you mean step?)`},
		{readingsPath + "?from=yesterday", fake, 400, `from: "yesterday" is no time such as 2026-11-28T06:10:00Z (RFC 3339)`},
		{readingsPath + "?from=2026-11-28T07:00:00Z&to=2026-11-28T06:00:00Z", fake, 400, "to: 2026-11-28T06:00:00Z is before from"},
		{readingsPath + "?from=0001-01-01T00:00:00Z", fake, 400, "from: no readings are kept from before 1970 or after 2199"},
		{readingsPath + "?step=soon", fake, 400, `step: "soon" is no time such as 10s, 5m or 1h`},
		{readingsPath + "?step=0", fake, 400, `step: "0" is no time such as 10s, 5m or 1h`},
		{readingsPath + "?step=1s", fake, 400, "step: 1s makes more than 20000 steps of 24h0m0s"},
		{readingsPath, &trends{err: errors.New("the disk is gone")}, 500, ""},
	} {
		res := get(t, withTrends(panel.Options{Trends: c.trends}), c.path)
		var p struct {
			Status int
			Detail string
		}
		if err := json.Unmarshal(res.Body.Bytes(), &p); err != nil {
			t.Errorf("%s: %v: %s", c.path, err, res.Body)
			continue
		}
		if res.Code != c.status || p.Status != c.status || c.detail != "" && p.Detail != c.detail {
			t.Errorf("%s: %d %q, want %d %q", c.path, res.Code, p.Detail, c.status, c.detail)
		}
		if strings.Contains(res.Body.String(), "disk") {
			t.Errorf("%s: %s: what is ours alone was told", c.path, res.Body)
		}
	}
	res := get(t, withTrends(panel.Options{Trends: &trends{err: exporter.ErrNoTrend}}), readingsPath)
	if got := strings.TrimSpace(res.Body.String()); !strings.HasSuffix(got, `"readings":[]}`) || res.Code != 200 {
		t.Errorf("nothing kept: %d %s", res.Code, got)
	}
}
