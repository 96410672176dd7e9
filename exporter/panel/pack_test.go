package panel_test

import (
	"compress/gzip"
	"context"
	"errors"
	"hash/crc32"
	"io"
	"iter"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
)

// packed asks as a browser does.
func packed(h http.Handler, target string, header ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodGet, target, nil)
	r.Header.Set("Accept-Encoding", "gzip, deflate, br")
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// swinging is a record in which every point swings around 5 for as long as is asked for.
type swinging struct{}

func (swinging) Steps(_ context.Context, point string, from, to time.Time, step time.Duration) (string, []exporter.TrendStep, error) {
	var list []exporter.TrendStep
	for t := from; t.Before(to); t = t.Add(step) {
		x := float64(t.Unix()/int64(max(step.Seconds(), 1))%977) + float64(crc32.ChecksumIEEE([]byte(point))%1009) // no two alike
		mean := 5 + 2*math.Sin(x*x)
		list = append(list, exporter.TrendStep{Milli: t.UnixMilli(), Min: mean - 1, Mean: mean, Max: mean + 1})
	}
	for _, p := range exportertest.Ardenmoor(collector.NewClock()).View().Site.Points {
		if p.Name == point {
			return p.Unit, list, nil
		}
	}
	return "", nil, exporter.ErrNoTrend
}

// Each gives the same of many.
func (s swinging) Each(ctx context.Context, points []string, from, to time.Time, step time.Duration) iter.Seq2[exporter.PointSteps, error] {
	return func(yield func(exporter.PointSteps, error) bool) {
		for _, point := range points {
			unit, list, err := s.Steps(ctx, point, from, to, step)
			if err == nil && !yield(exporter.PointSteps{Point: point, Unit: unit, Steps: list}, nil) {
				return
			}
		}
	}
}

// TestPagesPacked: what a page is made of comes packed and within its measure, the sheet with all its traces within
// 60 kB with style sheet and script, and unpacks to what is sent plain.
func TestPagesPacked(t *testing.T) {
	room, clock := quiet()
	p := panel.New(exporter.NewBoard(clock, room.View()), panel.Options{Trends: swinging{}})
	drawOnce(t, p)
	h := p.Handler()
	total := 0
	for _, path := range []string{"/", "/assets/sheet.css", "/assets/live.js"} {
		w := packed(h, path)
		size := w.Body.Len()
		total += size
		z, err := gzip.NewReader(w.Body)
		if err != nil || w.Header().Get("Content-Encoding") != "gzip" || !strings.Contains(w.Header().Get("Vary"), "Accept-Encoding") {
			t.Fatalf("%s: %v, %v", path, err, w.Header())
		}
		body, err := io.ReadAll(z)
		if plain := get(t, h, path).Body.String(); err != nil || string(body) != plain {
			t.Errorf("%s: %v, %d bytes unpacked, %d plain", path, err, len(body), len(plain))
		}
		if path == "/" && strings.Count(string(body), `class="trace"`) < 40 {
			t.Errorf("%d traces on the sheet", strings.Count(string(body), `class="trace"`))
		}
		t.Logf("%s: %d of %d bytes", path, size, len(body))
	}
	if total > 60_000 {
		t.Errorf("the first page has %d bytes, packed", total)
	}
}

// running runs the panel's own part until the function it returns is called.
func running(t testing.TB, p *panel.Panel) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- p.Run(ctx) }()
	return func() {
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("run: %v", err)
		}
	}
}

// drawOnce has the panel draw its traces.
func drawOnce(t testing.TB, p *panel.Panel) {
	t.Helper()
	defer running(t, p)()
	for range 400 {
		w := httptest.NewRecorder()
		p.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/", nil))
		if strings.Contains(w.Body.String(), `class="trace"`) {
			return
		}
		<-time.After(10 * time.Millisecond)
	}
	t.Error("no trace was drawn")
}

func TestNotPacked(t *testing.T) {
	h := saturday()
	for _, c := range []struct{ target, accept string }{{"/", "identity"}, {"/", "gzip;q=0"}, {"/api/v1/equipment/nothing/duty", "gzip"}} {
		if w := packed(h, c.target, "Accept-Encoding", c.accept); w.Header().Get("Content-Encoding") != "" || w.Body.Len() == 0 {
			t.Errorf("%v: %v, %d bytes", c, w.Header(), w.Body.Len())
		}
	}
	r := httptest.NewRequest(http.MethodHead, "/", nil)
	r.Header.Set("Accept-Encoding", "gzip")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != 200 || w.Header().Get("Content-Encoding") != "" {
		t.Errorf("HEAD: %d %v", w.Code, w.Header())
	}
}

// TestAssetsOnce: a browser that has the style sheet is told so instead of being sent it again; its answer stays whole
// when it is packed, status and length too.
func TestAssetsOnce(t *testing.T) {
	h := saturday()
	tag := packed(h, "/assets/sheet.css").Header().Get("ETag")
	w := packed(h, "/assets/sheet.css", "If-None-Match", tag)
	if w.Code != http.StatusNotModified || w.Body.Len() != 0 || w.Header().Get("Content-Encoding") != "" {
		t.Errorf("%d, %d bytes, %v", w.Code, w.Body.Len(), w.Header())
	}
	if w := packed(h, "/assets/sheet.css", "If-None-Match", `W/"another"`); w.Code != http.StatusOK {
		t.Errorf("with another tag: %d", w.Code)
	}
	if w := packed(h, "/points/none"); w.Code != http.StatusNotFound || w.Header().Get("Content-Type") != "application/problem+json" {
		t.Errorf("a problem: %d %v", w.Code, w.Header())
	}
}

// TestAssetsForEver: the addresses that pages name hold what never changes, so no later page waits for a question about them;
// those without a version, or with an old one, do not. Each page's parts are there.
func TestAssetsForEver(t *testing.T) {
	h := saturday()
	named := regexp.MustCompile(`(?:href|src)="(/assets/[a-z]+\.(?:css|js)\?v=[0-9a-f]{12})"`)
	seen := map[string]bool{}
	for _, page := range []string{"/", "/alarms", "/points/air.header.pressure"} {
		for _, m := range named.FindAllStringSubmatch(get(t, h, page).Body.String(), -1) {
			seen[m[1]] = true
		}
	}
	if len(seen) != 3 {
		t.Fatalf("the pages name %v", seen)
	}
	for target := range seen {
		bare, _, _ := strings.Cut(target, "?")
		if w := packed(h, target); w.Code != 200 || w.Header().Get("Cache-Control") != "max-age=31536000, immutable" {
			t.Errorf("%s: %d %v", target, w.Code, w.Header())
		}
		for _, other := range []string{bare, bare + "?v=000000000000", bare + "?v="} {
			if w := packed(h, other); w.Code != 200 || w.Header().Get("Cache-Control") != "no-cache" {
				t.Errorf("%s: %d %v", other, w.Code, w.Header())
			}
		}
	}
}

// TestStreamIsNotPacked: events go out one by one.
func TestStreamIsNotPacked(t *testing.T) {
	room, clock := quiet()
	server := httptest.NewServer(panel.New(exporter.NewBoard(clock, room.View()), panel.Options{}).Handler())
	defer server.Close()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, server.URL+"/api/v1/stream", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Accept-Encoding", "gzip")
	res, err := http.DefaultTransport.RoundTrip(r)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b := make([]byte, 13)
	if _, err := io.ReadFull(res.Body, b); err != nil || string(b) != "retry: 2000\n\n" || res.Header.Get("Content-Encoding") != "" {
		t.Errorf("%q, %v, %v", b, err, res.Header)
	}
}
