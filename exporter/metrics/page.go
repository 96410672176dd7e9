package metrics

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"math"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"

	"roundsman/exporter"
)

// The text formats that are written from ready lines.
const (
	plain = iota // Prometheus text 0.0.4
	open         // OpenMetrics 1.0
	texts
)

// maxScrapes is how many scrapes may run at once: the server, and a person looking.
const maxScrapes = 2

// Handler serves the families. Both text formats are written from ready lines;
// what else may be asked for (the protobuf format, a choice of names) goes
// through promhttp. A scrape beyond two at once gets 503.
func (m *Metrics) Handler() http.Handler {
	other := promhttp.HandlerForTransactional(transactional{m}, promhttp.HandlerOpts{
		EnableOpenMetrics:   true,
		MaxRequestsInFlight: maxScrapes,
		Timeout:             5 * time.Second,
		ErrorHandling:       promhttp.ContinueOnError,
	})
	slots := make(chan struct{}, maxScrapes)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		format := expfmt.NegotiateAccept(r.Header, expfmt.DefaultOpenMetricsAcceptedFormats()...)
		text, ok := textOf(format)
		if !ok || strings.Contains(r.URL.RawQuery, "name") {
			other.ServeHTTP(w, r)
			return
		}
		select {
		case slots <- struct{}{}:
			defer func() { <-slots }()
			m.serve(w, r, format, text)
		default:
			http.Error(w, fmt.Sprintf("%d scrapes run already, try again later", maxScrapes), http.StatusServiceUnavailable)
		}
	})
}

func textOf(f expfmt.Format) (text int, ok bool) {
	switch f.FormatType() {
	case expfmt.TypeTextPlain:
		return plain, true
	case expfmt.TypeOpenMetrics:
		return open, true
	}
	return 0, false
}

// transactional lets promhttp read the layout itself, locked until it is done.
type transactional struct{ m *Metrics }

// Gather implements prometheus.TransactionalGatherer.
func (t transactional) Gather() ([]*dto.MetricFamily, func(), error) {
	t.m.mu.Lock()
	return shown(t.m.fillLocked()), t.m.mu.Unlock, nil
}

var _ prometheus.TransactionalGatherer = transactional{}

// pages are the buffers of finished pages, so that a scrape allocates little.
type pages struct{ pool sync.Pool }

func (p *pages) get() *bytes.Buffer {
	if b, ok := p.pool.Get().(*bytes.Buffer); ok {
		b.Reset()
		return b
	}
	return new(bytes.Buffer)
}

func (m *Metrics) serve(w http.ResponseWriter, r *http.Request, format expfmt.Format, text int) {
	page := m.pages.get()
	defer m.pages.pool.Put(page)
	m.write(page, text)
	if text == open {
		page.WriteString("# EOF\n")
	}
	h := w.Header()
	h.Set("Content-Type", string(format))
	h.Set("Vary", "Accept, Accept-Encoding")
	send(w, r, page)
}

// send writes the page, compressed for those who ask. The fastest level: a page
// is scraped again and again on a small box, and its lines resemble each other.
func send(w http.ResponseWriter, r *http.Request, page *bytes.Buffer) {
	if !exporter.TakesGzip(r.Header) {
		w.Header().Set("Content-Length", strconv.Itoa(page.Len()))
		_, _ = w.Write(page.Bytes()) // the client may be gone
		return
	}
	w.Header().Set("Content-Encoding", "gzip")
	z, err := gzip.NewWriterLevel(w, gzip.BestSpeed)
	if err != nil { // cannot be: the level is one of the package's own
		return
	}
	_, _ = io.Copy(z, bytes.NewReader(page.Bytes()))
	_ = z.Close()
}

// write appends all families in a text format.
func (m *Metrics) write(page *bytes.Buffer, text int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	page.Grow(m.size) // as many as the page before, so that it is not made in pieces of twice the size
	line := page.AvailableBuffer()
	for _, f := range m.fillLocked() {
		line = f.append(line, text)
	}
	page.Write(line)
	m.size = page.Len() + page.Len()/32
}

// append appends the family's lines, nothing if no series is shown.
func (f *family) append(b []byte, text int) []byte {
	headed := false
	for _, s := range f.series {
		if !s.shown {
			continue
		}
		if !headed {
			b, headed = append(b, f.head[text]...), true
		}
		if s.histogram != nil {
			b = s.histogram.append(b, text)
			continue
		}
		b = append(append(b, f.stem[text]...), s.labels...)
		b = append(appendFloat(b, s.value, text), '\n')
	}
	return b
}

// append appends the lines in the library's order: buckets, +Inf, sum, count.
func (s *histogram) append(b []byte, text int) []byte {
	lines, h := s.lines[text], s.dto
	count := func(line []byte, n uint64) {
		b = append(append(b, line...), strconv.AppendUint(nil, n, 10)...)
		b = append(b, '\n')
	}
	for i, bucket := range h.Bucket {
		count(lines[i], bucket.GetCumulativeCount())
	}
	rest := lines[len(h.Bucket):]
	count(rest[0], h.GetSampleCount())
	b = append(b, rest[1]...)
	b = append(appendFloat(b, h.GetSampleSum(), text), '\n')
	count(rest[2], h.GetSampleCount())
	return b
}

// appendFloat writes a value as the format wants it: the shortest decimal that
// reads back the same; in OpenMetrics a float carries a point or an exponent.
func appendFloat(b []byte, v float64, text int) []byte {
	if thousandths := math.Round(v * 1000); math.Abs(v) < 1e6 && v == thousandths/1000 && (v != 0 || !math.Signbit(v)) {
		return appendThousandths(b, int64(thousandths), text)
	}
	start := len(b)
	b = strconv.AppendFloat(b, v, 'g', -1, 64)
	if text == open && !bytes.ContainsAny(b[start:], "e.IN") {
		b = append(b, '.', '0')
	}
	return b
}

// appendThousandths writes n/1000. Most values have no more decimals, and this is
// several times as fast as the search for the shortest: with at most nine digits
// there is no shorter one (any decimal of up to 15 digits survives a float64).
func appendThousandths(b []byte, n int64, text int) []byte {
	if n < 0 {
		b, n = append(b, '-'), -n
	}
	b = strconv.AppendInt(b, n/1000, 10)
	rest := n % 1000
	if rest == 0 {
		if text == open {
			b = append(b, '.', '0')
		}
		return b
	}
	b = append(b, '.', byte('0'+rest/100), byte('0'+rest/10%10), byte('0'+rest%10))
	for b[len(b)-1] == '0' {
		b = b[:len(b)-1]
	}
	return b
}
