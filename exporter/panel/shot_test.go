package panel_test

import (
	"flag"
	"math"
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

var serve = flag.String("serve", "", "serve the sample pages on this address until interrupted, to look at them")

// saturdayJournal holds what led to the room on a Saturday.
func saturdayJournal() *journal {
	now, none := time.Now().UTC(), math.NaN()
	return &journal{lines: []exporter.Line{
		{Seq: 1, Time: now.Add(-30 * time.Hour), Kind: "daemon started", Value: none, Limit: none},
		{Seq: 2, Time: now.Add(-3 * time.Hour), Kind: "started", Alarm: "drum-presoak", Priority: "note", Value: 14.8, Limit: 15, Unit: "kg"},
		{Seq: 3, Time: now.Add(-20 * time.Minute), Kind: "shelved", Alarm: "room-cold", Priority: "low", Value: none, Limit: none,
			Who: "Niamh Quill", Why: "door open for the delivery", Until: now.Add(40 * time.Minute)},
		{Seq: 4, Time: now.Add(-31 * time.Second), Kind: "started", Alarm: "compressor-fault", Priority: "high", Value: 1, Limit: 1},
		{Seq: 5, Time: now.Add(-4 * time.Second), Kind: "started", Alarm: "air-low", Priority: "high", Value: 5.21, Limit: 5.5, Unit: "bar"},
	}}
}

// TestServe lets a person look at the sample pages: go test -run TestServe -serve 127.0.0.1:9481
// '?quiet' shows the quiet room, '?who=n.quill' the pages as that person sees them,
// '?unfolded' the first alarm's forms unfolded.
func TestServe(t *testing.T) {
	if *serve == "" {
		t.Skip("only with -serve")
	}
	clock := collector.NewClock()
	quiet := panel.New(exporter.NewBoard(clock, exportertest.Ardenmoor(clock).View()), panel.Options{Overdue: 1 << 60}).Handler()
	bad, _ := acting(panel.Options{Overdue: 1 << 60, Journal: saturdayJournal()})
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Query().Has("quiet") {
			quiet.ServeHTTP(w, r)
			return
		}
		if who := r.URL.Query().Get("who"); who != "" {
			r.AddCookie(&http.Cookie{Name: "roundsman-who", Value: who})
		}
		rec := httptest.NewRecorder()
		if r.URL.Path == "/api/v1/stream" {
			bad.ServeHTTP(w, r)
			return
		}
		bad.ServeHTTP(rec, r)
		for k, v := range rec.Header() {
			w.Header()[k] = v
		}
		w.WriteHeader(rec.Code)
		body := rec.Body.String()
		if r.URL.Query().Has("unfolded") {
			body = strings.Replace(body, "<details>", "<details open>", 2)
		}
		_, _ = w.Write([]byte(body))
	}))
	s.Start()
	t.Log(s.URL)
	println(s.URL)
	select {}
}
