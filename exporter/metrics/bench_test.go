package metrics

import (
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
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

// vectors returns 1,000 plain gauges in ten families.
func vectors(r *prometheus.Registry) (all []prometheus.Gauge) {
	for f := range 10 {
		vec := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: fmt.Sprintf("plain_%d", f), Help: "Plain gauges."}, []string{"point", "station"})
		r.MustRegister(vec)
		for i := range 100 {
			all = append(all, vec.WithLabelValues(fmt.Sprintf("station.%d.quantity.%04d", f, i), fmt.Sprintf("station-%d", f)))
		}
	}
	return all
}

// families returns 1,000 plain gauges, each a family of its own.
func families(r *prometheus.Registry) (all []prometheus.Gauge) {
	for i := range 1000 {
		g := prometheus.NewGauge(prometheus.GaugeOpts{Name: fmt.Sprintf("plain_%04d", i), Help: "A plain gauge."})
		r.MustRegister(g)
		all = append(all, g)
	}
	return all
}

// bare returns promhttp over an own registry of 1,000 plain gauges and nothing
// else, and what sets them.
func bare(shape func(*prometheus.Registry) []prometheus.Gauge) (http.Handler, func()) {
	r := prometheus.NewRegistry()
	all := shape(r)
	random := rand.New(rand.NewPCG(1, 2))
	set := func() {
		for _, g := range all {
			g.Set(float64(random.IntN(16000)) / 1000)
		}
	}
	set()
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{EnableOpenMetrics: true, MaxRequestsInFlight: 2}), set
}

// BenchmarkScrape1000 scrapes the real page of 1,000 points (value, quality and
// age of each: 3,000 samples, and the figures of the process) and a registry of
// 1,000 plain gauges alone in turn, both with new values each time, and reports
// the ratio of the medians.
func BenchmarkScrape1000(b *testing.B) {
	for _, c := range []struct {
		name, accept string
		shape        func(*prometheus.Registry) []prometheus.Gauge
	}{
		{"text/vectors", "text/plain;version=0.0.4", vectors},
		{"text/families", "text/plain;version=0.0.4", families},
		{"openmetrics/vectors", "application/openmetrics-text;version=1.0.0", vectors},
		{"openmetrics/families", "application/openmetrics-text;version=1.0.0", families},
	} {
		b.Run(c.name, func(b *testing.B) {
			board, publish := thousand()
			theirs, set := bare(c.shape)
			req := httptest.NewRequest(http.MethodGet, "/metrics", nil)
			req.Header.Set("Accept", c.accept)
			inTurn(b, side{New(board, Build{Version: "bench"}).Handler(), publish}, side{theirs, set}, req)
		})
	}
}

// side is a page and what gives it new values.
type side struct {
	page  http.Handler
	renew func()
}

// inTurn scrapes both sides in turn, each first every other time.
func inTurn(b *testing.B, ours, bare side, req *http.Request) {
	w := discard{http.Header{}}
	took := [2][]time.Duration{}
	for i := 0; b.Loop(); i++ {
		for k := range 2 {
			which := (i + k) % 2
			s := [2]side{ours, bare}[which]
			s.renew()
			begin := time.Now()
			s.page.ServeHTTP(w, req)
			took[which] = append(took[which], time.Since(begin))
		}
	}
	median := func(d []time.Duration) float64 {
		slices.Sort(d)
		return float64(d[len(d)/2].Nanoseconds()) / 1000
	}
	own, other := median(took[0]), median(took[1])
	b.ReportMetric(own/other, "ours/plain")
	b.ReportMetric(own, "us/ours")
	b.ReportMetric(other, "us/plain")
}

// BenchmarkItself is what the figures of the process and the runtime take.
func BenchmarkItself(b *testing.B) {
	s := newItself()
	b.ReportAllocs()
	for b.Loop() {
		s.fill()
	}
}
