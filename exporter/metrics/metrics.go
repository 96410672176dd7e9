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
	"sync"

	dto "github.com/prometheus/client_model/go"
	"google.golang.org/protobuf/proto"

	"roundsman/exporter"
)

// Build says which program this is.
type Build struct{ Version, Commit, Go string }

// Metrics holds the ready families. It is safe for simultaneous use.
type Metrics struct {
	board *exporter.Board
	build Build
	pages pages

	mu     sync.Mutex // guards what follows: one scrape at a time sets their values and reads them
	lay    *layout
	size   int // bytes of the page before, and a little more
	itself *itself
}

// New returns the metrics of the board's views. Nothing is registered anywhere else.
func New(board *exporter.Board, build Build) *Metrics {
	return &Metrics{board: board, build: build, lay: &layout{}, itself: newItself()}
}

// fillLocked sets all values from the latest view, building a new layout if the
// view has another site, and returns all families: the room's, then the
// program's own. The caller holds mu.
func (m *Metrics) fillLocked() []*family {
	v := m.board.View()
	if !m.lay.fits(v) {
		m.lay = newLayout(v, m.build)
		m.lay.families = append(m.lay.families, m.itself.families...)
	}
	m.lay.fill(v, m.board.Clock().Now())
	m.itself.fill()
	return m.lay.families
}

// Gather implements prometheus.Gatherer. What it returns belongs to the caller;
// the handler's own way is faster.
func (m *Metrics) Gather() ([]*dto.MetricFamily, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var all []*dto.MetricFamily
	for _, f := range shown(m.fillLocked()) {
		all = append(all, proto.Clone(f).(*dto.MetricFamily))
	}
	return all, nil
}
