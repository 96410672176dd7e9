package metrics

import (
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"roundsman/collector"
	"roundsman/exporter"
)

// discard is a response writer that costs nothing.
type discard struct{ h http.Header }

func (d discard) Header() http.Header         { return d.h }
func (d discard) Write(b []byte) (int, error) { return len(b), nil }
func (d discard) WriteHeader(int)             {}

var _ io.Writer = discard{}

// thousand returns a board with 1,000 good points in ten units.
func thousand() (*exporter.Board, func()) {
	symbols := []string{"bar", "degC", "m", "%", "L", "L/min", "FNU", "V", "A", "kW"}
	clock := collector.NewClock()
	site := &exporter.Site{Name: "bench", Zone: time.UTC}
	for i := range 1000 {
		site.Points = append(site.Points, collector.Point{
			ID: collector.PointID(i), Name: fmt.Sprintf("station.%d.quantity.%04d", i%10, i), Station: fmt.Sprintf("station-%d", i%10), Unit: symbols[i%10],
		})
	}
	random := rand.New(rand.NewPCG(1, 2))
	publish := func() *exporter.View {
		v := &exporter.View{Site: site, At: clock.Now(), Readings: make([]collector.Reading, 1000)}
		for i := range v.Readings {
			v.Readings[i] = collector.Reading{Point: collector.PointID(i), Quality: collector.Good,
				Value: float64(random.IntN(16000)) / 1000, At: v.At.Add(-time.Duration(random.IntN(1000)) * time.Millisecond)}
		}
		return v
	}
	board := exporter.NewBoard(clock, publish())
	return board, func() { board.Publish(publish()) }
}

// gauges returns promhttp over an own registry of 1,000 plain gauges in ten
// families, with the same process figures, and what sets them.
func gauges(process bool) (http.Handler, func()) {
	r := prometheus.NewRegistry()
	if process {
		r.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	}
	random := rand.New(rand.NewPCG(1, 2))
	var all []prometheus.Gauge
	for f := range 10 {
		vec := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: fmt.Sprintf("plain_%d", f), Help: "Plain gauges."}, []string{"point", "station"})
		r.MustRegister(vec)
		for i := range 100 {
			all = append(all, vec.WithLabelValues(fmt.Sprintf("station.%d.quantity.%04d", f, i), fmt.Sprintf("station-%d", f)))
		}
	}
	set := func() {
		for _, g := range all {
			g.Set(float64(random.IntN(16000)) / 1000)
		}
	}
	set()
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{EnableOpenMetrics: true, MaxRequestsInFlight: 2}), set
}

// BenchmarkScrape1000 scrapes the page of 1,000 points (value, quality and age of
// each: 3,000 samples) and a registry of 1,000 plain gauges in turn, both with
// new values each time, both with the figures of the process or both without,
// and reports the ratio.
func BenchmarkScrape1000(b *testing.B) {
	for _, c := range []struct {
		name, accept string
		process      bool
	}{
		{"text", "text/plain;version=0.0.4", false},
		{"text+process", "text/plain;version=0.0.4", true},
		{"openmetrics", "application/openmetrics-text;version=1.0.0", false},
		{"openmetrics+process", "application/openmetrics-text;version=1.0.0", true},
	} {
		b.Run(c.name, func(b *testing.B) {
			board, publish := thousand()
			m := New(board, Build{Version: "bench"})
			if !c.process {
				m.process = prometheus.NewRegistry()
			}
			ours := m.Handler()
			theirs, set := gauges(c.process)
			req := httptest.NewRequest(http.MethodGet, "/metrics", nil)
			req.Header.Set("Accept", c.accept)
			w := discard{http.Header{}}
			var own, bare time.Duration
			for b.Loop() {
				publish()
				t0 := time.Now()
				ours.ServeHTTP(w, req)
				own += time.Since(t0)
				set()
				t0 = time.Now()
				theirs.ServeHTTP(w, req)
				bare += time.Since(t0)
			}
			b.ReportMetric(own.Seconds()/bare.Seconds(), "ratio")
			b.ReportMetric(float64(own.Microseconds())/float64(b.N), "us/ours")
			b.ReportMetric(float64(bare.Microseconds())/float64(b.N), "us/bare")
		})
	}
}
