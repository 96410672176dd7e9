package panel

import (
	"compress/gzip"
	"net/http"
	"strings"
	"sync"

	"roundsman/exporter"
)

// leastPacked bytes are worth packing: less fits into one packet as it is.
const leastPacked = 1200

// pack compresses pages and answers for those who ask (RFC 9110, section 8.4.1): a mobile link in a tunnel is slow. Streams are
// left alone, their events must not wait for more to pack. The answers hold no secrets beside what the asker sent.
func pack(next http.Handler) http.Handler {
	pool := &sync.Pool{New: func() any {
		z, err := gzip.NewWriterLevel(nil, 4) // nearly the size of the best, at a third of the time
		if err != nil {                       // cannot be: the level is one of the package's own
			return nil
		}
		return z
	}}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Add("Vary", "Accept-Encoding")
		if r.Method == http.MethodHead || !exporter.TakesGzip(r.Header) {
			next.ServeHTTP(w, r)
			return
		}
		p := &packer{ResponseWriter: w, pool: pool}
		defer p.end()
		next.ServeHTTP(p, r)
	})
}

// packer decides with the first bytes of an answer whether they are packed.
type packer struct {
	http.ResponseWriter
	pool   *sync.Pool
	status int // as the handler said; 0: not yet
	begun  bool
	gz     *gzip.Writer // nil: as it stands
}

// Unwrap lets a stream reach what flushes and sets deadlines.
func (p *packer) Unwrap() http.ResponseWriter { return p.ResponseWriter }

// WriteHeader keeps the status until it is known whether the body is packed.
func (p *packer) WriteHeader(status int) {
	if !p.begun && p.status == 0 {
		p.status = status
	}
}

// Write packs what is worth it.
func (p *packer) Write(b []byte) (int, error) {
	if !p.begun {
		p.begin(len(b))
	}
	if p.gz != nil {
		return p.gz.Write(b)
	}
	return p.ResponseWriter.Write(b)
}

func (p *packer) begin(size int) {
	p.begun = true
	h := p.Header()
	if size >= leastPacked && h.Get("Content-Encoding") == "" && packable(h.Get("Content-Type")) {
		if gz, ok := p.pool.Get().(*gzip.Writer); ok && gz != nil {
			gz.Reset(p.ResponseWriter)
			p.gz = gz
			h.Set("Content-Encoding", "gzip")
			h.Del("Content-Length")
		}
	}
	if p.status != 0 {
		p.ResponseWriter.WriteHeader(p.status)
	}
}

// packable reports whether a kind of answer gets smaller; a stream of events is none.
func packable(kind string) bool {
	kind, _, _ = strings.Cut(kind, ";")
	switch kind {
	case "text/html", "text/css", "text/javascript", "text/csv", "application/json", "application/problem+json", "image/svg+xml":
		return true
	}
	return false
}

// end sends what is left.
func (p *packer) end() {
	if !p.begun {
		p.begin(0)
	}
	if p.gz != nil {
		_ = p.gz.Close() // the client may be gone
		p.pool.Put(p.gz)
		p.gz = nil
	}
}
