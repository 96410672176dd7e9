// Package metrics exposes the room at /metrics, in the Prometheus text format
// 0.0.4 and in OpenMetrics 1.0.
//
// The families and their labels are built once for a site; a scrape only sets
// values in place from the board's latest view. Values are in base units, one
// unit a family (roundsman_pressure_pascals). A point without a good reading has
// no sample: NaN would be a value, and the last one would be a lie. 'Good' is
// meant strictly: a doubted reading is judged by the limits but drawn by nobody.
//
//	m := metrics.New(board, metrics.Build{Version: "1.2.0"})
//	mux.Handle("/metrics", m.Handler())
package metrics

import (
	"fmt"
	"slices"
	"sync"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	dto "github.com/prometheus/client_model/go"
	"google.golang.org/protobuf/proto"

	"roundsman/exporter"
)

// Build says which program this is.
type Build struct{ Version, Commit, Go string }

// Metrics holds the ready families. It is safe for simultaneous use.
type Metrics struct {
	board   *exporter.Board
	build   Build
	process prometheus.Gatherer // the Go runtime and the process
	pages   pages

	mu  sync.Mutex // guards lay: one scrape at a time sets its values and reads them
	lay *layout
}

// New returns the metrics of the board's views. Nothing is registered anywhere else.
func New(board *exporter.Board, build Build) *Metrics {
	r := prometheus.NewRegistry()
	r.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return &Metrics{board: board, build: build, process: withoutClash{r}, lay: newLayout(board.View(), build)}
}

// withoutClash leaves out the one family of the Go collector that OpenMetrics has
// no room for: without its suffix, which is how its TYPE line names it, the
// counter go_memstats_alloc_bytes_total has the name of a gauge.
type withoutClash struct{ from prometheus.Gatherer }

// Gather implements prometheus.Gatherer.
func (g withoutClash) Gather() ([]*dto.MetricFamily, error) {
	families, err := g.from.Gather()
	return slices.DeleteFunc(families, func(f *dto.MetricFamily) bool {
		return f.GetName() == "go_memstats_alloc_bytes_total"
	}), err
}

// fill sets all values of the layout from the latest view, building a new layout
// if the view has another site. The caller holds mu.
func (m *Metrics) fillLocked() *layout {
	v := m.board.View()
	if !m.lay.fits(v) {
		m.lay = newLayout(v, m.build)
	}
	m.lay.fill(v, m.board.Clock().Now())
	return m.lay
}

// Gather implements prometheus.Gatherer. What it returns belongs to the caller;
// the handler's own way is faster.
func (m *Metrics) Gather() ([]*dto.MetricFamily, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var all []*dto.MetricFamily
	for _, f := range m.fillLocked().shown() {
		all = append(all, proto.Clone(f).(*dto.MetricFamily))
	}
	own, err := m.process.Gather()
	if err != nil {
		return nil, fmt.Errorf("process metrics: %w", err)
	}
	return append(all, own...), nil
}
