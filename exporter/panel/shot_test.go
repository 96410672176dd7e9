package panel_test

import (
	"flag"
	"net/http"
	"net/http/httptest"
	"testing"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
)

var serve = flag.String("serve", "", "serve the sample pages on this address until interrupted, to look at them")

// TestServe lets a person look at the sample pages: go test -run TestServe -serve 127.0.0.1:9481
func TestServe(t *testing.T) {
	if *serve == "" {
		t.Skip("only with -serve")
	}
	clock := collector.NewClock()
	quiet := panel.New(exporter.NewBoard(clock, exportertest.Ardenmoor(clock).View()), panel.Options{Overdue: 1 << 60}).Handler()
	bad := panel.New(exporter.NewBoard(clock, exportertest.Saturday(clock).View()), panel.Options{Overdue: 1 << 60}).Handler()
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Query().Has("quiet") {
			quiet.ServeHTTP(w, r)
			return
		}
		bad.ServeHTTP(w, r)
	}))
	s.Start()
	t.Log(s.URL)
	println(s.URL)
	select {}
}
