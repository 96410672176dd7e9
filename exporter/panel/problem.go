package panel

import (
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"strings"
)

// handler answers a request or says why it cannot.
type handler func(w http.ResponseWriter, r *http.Request) error

// problem is an error that the client may read: a problem document of RFC 9457, section 3.
type problem struct {
	Type   string `json:"type"` // 'about:blank': the status says what kind it is (section 4.2.1)
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
	Field  string `json:"field,omitempty"` // of the request's body or query, that is missing or wrong
}

func (p *problem) Error() string { return p.Detail }

// problemf returns a problem with a status and a detail for the client.
func problemf(status int, format string, args ...any) *problem {
	return &problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: fmt.Sprintf(format, args...)}
}

// about names the field that a problem is about.
func (p *problem) about(field string) *problem {
	p.Field = field
	return p
}

// wrap allows some methods only, and turns an error into a problem document and a log
// line. What is no problem is ours alone: the client learns only that it happened.
func (p *Panel) wrap(h handler, methods ...string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !slices.Contains(methods, r.Method) {
			w.Header().Set("Allow", strings.Join(methods, ", "))
			writeProblem(w, wrongMethod(r, methods))
			return
		}
		err := h(w, r)
		if err == nil || r.Context().Err() != nil {
			return
		}
		writeProblem(w, p.problemOf(r, err))
	})
}

func wrongMethod(r *http.Request, methods []string) *problem {
	path := strings.ToValidUTF8(r.URL.Path, "?")
	last := methods[len(methods)-1]
	if last == http.MethodHead {
		return problemf(http.StatusMethodNotAllowed, "%s is only read", path)
	}
	if len(methods) > 1 {
		return problemf(http.StatusMethodNotAllowed, "%s is read, and takes %s", path, last)
	}
	return problemf(http.StatusMethodNotAllowed, "%s takes %s only", path, last)
}

// problemOf returns the problem that err is, or a bare one after a line in the log.
func (p *Panel) problemOf(r *http.Request, err error) *problem {
	var prob *problem
	if !errors.As(err, &prob) {
		p.opts.Log.Error("request not answered", "path", r.URL.Path, "err", err)
		prob = problemf(http.StatusInternalServerError, "see the log")
	}
	return prob
}

func writeProblem(w http.ResponseWriter, prob *problem) {
	body, err := json.Marshal(prob)
	if err != nil { // cannot be: four plain fields
		body = []byte("{}")
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(prob.Status)
	_, _ = w.Write(body) // the client may be gone; nobody is left to tell
}

// policy lets pages load only what this panel serves, and nothing inline.
const policy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; manifest-src 'self'; " +
	"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

// guard sets the headers that every answer carries and refuses foreign host names.
func (p *Panel) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		// not no-referrer: with it a browser sends 'Origin: null' with our own forms (Fetch, 'append a request Origin header')
		h.Set("Referrer-Policy", "same-origin")
		if !p.knownHost(r) {
			writeProblem(w, problemf(http.StatusMisdirectedRequest, "this panel is not known by the name in the Host header"))
			return
		}
		next.ServeHTTP(w, r)
	})
}

// knownHost reports whether the request names us. A page of another site can make
// its own name resolve to 127.0.0.1 and then read what a browser on the box may
// read; it cannot change the Host header. So a connection that came in on a
// loopback address must name one, or a host that was given.
func (p *Panel) knownHost(r *http.Request) bool {
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok || !loopback(hostOf(local.String())) {
		return true
	}
	host := strings.ToLower(strings.TrimSuffix(hostOf(r.Host), "."))
	if host == "localhost" || loopback(host) {
		return true
	}
	for _, h := range p.opts.Hosts {
		if strings.EqualFold(h, host) {
			return true
		}
	}
	return false
}

func hostOf(hostport string) string {
	if host, _, err := net.SplitHostPort(hostport); err == nil {
		return host
	}
	return strings.Trim(hostport, "[]")
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}
