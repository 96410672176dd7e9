package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"roundsman/collector"
	"roundsman/collector/outsidetest"
	"roundsman/collector/practice"
	"roundsman/configs"
	"roundsman/exporter/certificate"
	"roundsman/exporter/signin"
)

const mop = "three brushes and a mop"

const wiredSite = `site: {name: Corner Wash, time-zone: Europe/Dublin}
listen: {address: '127.0.0.1:0', certificate: self-made, names: [box.example]}
panel: {view: people}
links: {plc: {modbus: 'tcp://127.0.0.1:1', timeout: 100ms}}
points: {air.pressure: {link: plc, holding: 10, unit: bar}}
`

// house is a whole daemon served over TLS.
type house struct {
	t       testing.TB
	path    string // of the site file
	d       *daemon
	address string // host:port
	stop    func()
}

func newHouse(t testing.TB, site string) *house {
	t.Helper()
	h := &house{t: t, path: filepath.Join(t.TempDir(), "site.yaml")}
	if err := os.WriteFile(h.path, []byte(site), 0o600); err != nil {
		t.Fatal(err)
	}
	h.person("add", "n.quill", "--role", "operator", "--shown", "Niamh Quill")
	return h
}

// person runs one of the person commands, with the usual password on standard input.
func (h *house) person(word string, args ...string) string {
	h.t.Helper()
	var out, errs bytes.Buffer
	args = append([]string{"person", word, h.path}, args...)
	if code := run(h.t.Context(), args, strings.NewReader(mop+"\n"), &out, &errs); code != exitGood {
		h.t.Fatalf("%v: exit %d: %s%s", args, code, &out, &errs)
	}
	return out.String()
}

func (h *house) start(plant *practice.Plant) {
	h.t.Helper()
	site, err := configs.LoadFile(h.path)
	if err != nil {
		h.t.Fatal(err)
	}
	if plant != nil {
		if err := readPlant(site, plant.Addresses()); err != nil {
			h.t.Fatal(err)
		}
	}
	if h.d, err = newDaemon(site, settings{log: slog.New(slog.DiscardHandler), record: beside(h.path, site.Record.Path)}); err != nil {
		h.t.Fatal(err)
	}
	l, address, err := h.d.listen(h.path)
	if err != nil {
		h.t.Fatal(err)
	}
	h.address = strings.TrimPrefix(address, "https://")
	h.d.serve(l, h.path, nil)
	ctx, cancel := context.WithCancel(context.WithoutCancel(h.t.Context()))
	var g errgroup.Group
	g.Go(func() error { return h.d.Run(ctx) })
	h.stop = sync.OnceFunc(func() {
		cancel()
		if err := errors.Join(g.Wait(), h.d.Close()); err != nil {
			h.t.Errorf("end: %v", err)
		}
	})
	h.t.Cleanup(h.stop)
}

// client trusts the house's own certificate and nothing else.
func (h *house) client(jar http.CookieJar) *http.Client {
	roots := x509.NewCertPool()
	roots.AddCert(h.d.cert.Leaf())
	return &http.Client{Jar: jar, Timeout: 20 * time.Second, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, ServerName: "box.example"}}}
}

func (h *house) get(c *http.Client, path string) (int, string) {
	h.t.Helper()
	resp, err := c.Get("https://" + h.address + path)
	if err != nil {
		h.t.Fatal(err)
	}
	defer resp.Body.Close()
	body, _ := io.ReadAll(resp.Body)
	return resp.StatusCode, string(body)
}

func (h *house) signIn(c *http.Client, password string) int {
	h.t.Helper()
	resp, err := c.PostForm("https://"+h.address+"/sign-in", url.Values{"name": {"n.quill"}, "password": {password}})
	if err != nil {
		h.t.Fatal(err)
	}
	resp.Body.Close()
	return resp.StatusCode
}

// TestSignedInOverRestart: the whole way, over real TLS: in, out of the daemon and back, and a new password ends it.
func TestSignedInOverRestart(t *testing.T) {
	h := newHouse(t, wiredSite)
	h.start(nil)
	jar, _ := cookiejar.New(nil)
	c := h.client(jar)
	if code, body := h.get(c, "/"); code != 303 || strings.Contains(body, "pressure") {
		t.Fatalf("before: %d %s", code, body)
	}
	if code := h.signIn(c, "guess-guess-guess"); code != 403 {
		t.Errorf("wrong password: %d", code)
	}
	if code := h.signIn(c, mop); code != 303 {
		t.Fatalf("sign-in: %d", code)
	}
	if code, body := h.get(c, "/"); code != 200 || !strings.Contains(body, "Corner Wash") {
		t.Errorf("signed in: %d", code)
	}
	print := certificate.Fingerprint(h.d.cert.Leaf())
	before := h.address
	h.stop()
	h.start(nil)
	c = h.client(rehost(t, jar, before, h.address))
	if got := certificate.Fingerprint(h.d.cert.Leaf()); got != print {
		t.Errorf("the certificate was %s, is %s", print, got)
	}
	if code, _ := h.get(c, "/"); code != 200 {
		t.Errorf("after a restart: %d", code)
	}
	_, lines := h.get(c, "/api/v1/journal")
	if n := strings.Count(lines, `"kind":"signed in"`); n != 1 || !strings.Contains(lines, `"who":"Niamh Quill"`) || strings.Count(lines, `"kind":"sign-in refused"`) != 1 || strings.Contains(lines, mop) {
		t.Errorf("journal: %s", lines)
	}
	kept, err := os.ReadFile(filepath.Join(filepath.Dir(h.path), "roundsman.db"))
	if u, _ := url.Parse("https://" + h.address); err != nil || bytes.Contains(kept, []byte(jarToken(c.Jar, u))) {
		t.Errorf("the record holds the token itself (%v)", err)
	}
	h.person("password", "n.quill") // the same again is another hash
	for i := 0; ; i++ {
		code, _ := h.get(c, "/")
		if code == 303 {
			break
		}
		if i == 100 {
			t.Fatalf("still in after a new password: %d", code)
		}
		time.Sleep(50 * time.Millisecond) // the file is looked at once a second
	}
}

// rehost gives the cookies of one port to another: the restarted daemon has a new one, a real one keeps its own.
func rehost(t *testing.T, old http.CookieJar, from, to string) http.CookieJar {
	t.Helper()
	jar, _ := cookiejar.New(nil)
	a, _ := url.Parse("https://" + from)
	b, _ := url.Parse("https://" + to)
	c := old.Cookies(a)
	if len(c) != 1 || c[0].Name != "__Host-roundsman" {
		t.Fatalf("cookies %v", c)
	}
	jar.SetCookies(b, []*http.Cookie{{Name: c[0].Name, Value: c[0].Value, Path: "/", Secure: true}})
	return jar
}

func jarToken(jar http.CookieJar, u *url.URL) string {
	if c := jar.Cookies(u); len(c) == 1 {
		return c[0].Value
	}
	return "no cookie at all"
}

// TestCertificateToOpenssl: what openssl sees on the wire is what the command shows, and it trusts it by that alone.
func TestCertificateToOpenssl(t *testing.T) {
	openssl := outsidetest.Program(t, "openssl", "openssl")
	h := newHouse(t, wiredSite)
	h.start(nil)
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"certificate", h.path}, nil, &out, &errs); code != exitGood {
		t.Fatalf("certificate: %d %s", code, &errs)
	}
	file := strings.TrimSuffix(h.path, "site.yaml") + "roundsman.tls.pem"
	cmd := exec.CommandContext(t.Context(), openssl, "s_client", "-connect", h.address, "-servername", "box.example", "-verify_hostname", "box.example", "-CAfile", file, "-verify_return_error", "-brief")
	said, err := cmd.CombinedOutput()
	if err != nil || !strings.Contains(string(said), "Verification: OK") || !strings.Contains(string(said), "TLSv1.3") {
		t.Errorf("openssl: %v\n%s", err, said)
	}
	cmd = exec.CommandContext(t.Context(), openssl, "s_client", "-connect", h.address, "-tls1_1", "-cipher", "ALL:@SECLEVEL=0")
	if said, err := cmd.CombinedOutput(); err == nil || !strings.Contains(string(said), "protocol version") {
		t.Errorf("TLS 1.1: %v\n%s", err, said)
	}
	cmd = exec.CommandContext(t.Context(), "sh", "-c", openssl+` s_client -connect `+h.address+` </dev/null 2>/dev/null | `+openssl+` x509 -noout -fingerprint -sha256`)
	print, err := cmd.Output()
	_, sum, _ := strings.Cut(strings.TrimSpace(string(print)), "=")
	if err != nil || sum == "" || !strings.Contains(out.String(), "sha256      "+sum+"\n") {
		t.Errorf("openssl: %v %s\nthe command: %s", err, print, &out)
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%s: %v, %v", file, info.Mode(), err)
	}
}

// head sends raw bytes over TLS and returns the head of the answer.
func (h *house) head(text string) string {
	h.t.Helper()
	conn, err := tls.Dial("tcp", h.address, &tls.Config{InsecureSkipVerify: true})
	if err != nil {
		return err.Error()
	}
	defer conn.Close()
	_ = conn.SetDeadline(time.Now().Add(10 * time.Second))
	if _, err := io.WriteString(conn, text); err != nil {
		return err.Error()
	}
	answer, _ := io.ReadAll(io.LimitReader(conn, 64<<10))
	head, _, _ := strings.Cut(string(answer), "\r\n\r\n")
	return head
}

// TestTricks: raw requests that no browser sends.
func TestTricks(t *testing.T) {
	h := newHouse(t, wiredSite)
	h.start(nil)
	for _, tt := range []struct{ ask, want string }{
		{"GET /../../etc/passwd HTTP/1.1", "307"},
		{"GET /assets/../../site.yaml HTTP/1.1", "307"},
		{"GET /assets/..%2f..%2fsite.yaml HTTP/1.1", "404"},
		{"GET /assets/%2e%2e/%2e%2e/roundsman.db HTTP/1.1", "404"},
		{"GET /assets/signin.html HTTP/1.1", "404"},
		{"GET //evil.example/ HTTP/1.1", "307"},
		{"GET http://evil.example/api/v1/points HTTP/1.1", "421"},
		{"GET /sign-in/../api/v1/points HTTP/1.1", "307"},
		{"GET /sign-in%2f..%2fapi/v1/points HTTP/1.1", "303"},
		{"CONNECT 10.0.4.10:502 HTTP/1.1", "40"},
		{"OPTIONS * HTTP/1.1", "40"},
		{"TRACE / HTTP/1.1", "401"},
		{"GET / HTTP/1.1\r\nContent-Length: 5\r\nTransfer-Encoding: chunked", ""},
		{"GET / HTTP/1.1\r\nX: " + strings.Repeat("y", 100<<10), "431"},
		{"\x00\x01\x02", "400"},
	} {
		got := h.head(tt.ask + "\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n")
		if !strings.HasPrefix(got, "HTTP/1.1 "+tt.want) || strings.HasPrefix(got, "HTTP/1.1 200") {
			t.Errorf("%.60q: %q, want %s", tt.ask, got, tt.want)
		}
		if _, to, ok := strings.Cut(got, "\r\nLocation: "); ok && (!strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//")) {
			t.Errorf("%.60q leads away: %q", tt.ask, got)
		}
	}
}

// TestLargeBodies: 100 MB are refused, at once where their size is said, and after the first bytes where it is not.
func TestLargeBodies(t *testing.T) {
	h := newHouse(t, wiredSite)
	h.start(nil)
	for _, path := range []string{"/sign-in", "/api/v1/alarms/air-low/acknowledge", "/nowhere", "/"} {
		for _, said := range []int64{100 << 20, -1} {
			body := &counted{left: 100 << 20}
			r, _ := http.NewRequestWithContext(t.Context(), "POST", "https://"+h.address+path, body)
			r.ContentLength = said
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			if strings.HasPrefix(path, "/api") {
				r.Header.Set("Content-Type", "application/json")
			}
			resp, err := h.client(nil).Do(r)
			status := 0
			if err == nil {
				status = resp.StatusCode
				resp.Body.Close()
			} // else the connection was closed while we were writing: refused as well
			if sent := body.sent.Load(); sent > 16<<20 || status != 0 && status < 400 || said > 0 && status != 413 && status != 0 {
				t.Errorf("%s, size said %t: %d, %v, %d bytes went", path, said > 0, status, err, sent)
			}
		}
	}
}

// counted is a body that counts how much of it was taken.
type counted struct {
	left int64
	sent atomic.Int64
}

func (c *counted) Read(b []byte) (int, error) {
	n := min(int64(len(b)), c.left-c.sent.Load())
	if n == 0 {
		return 0, io.EOF
	}
	for i := range b[:n] {
		b[i] = 'x'
	}
	c.sent.Add(n)
	return int(n), nil
}

// TestSlowClients: who dawdles is cut off, at whatever stage; the limits are shortened here, the server is the real one.
func TestSlowClients(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	flood := bytes.Repeat([]byte("x"), 64<<20)
	handled := make(chan error, 1)
	srv := newServer(t.Context(), http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/read":
			_, err := io.Copy(io.Discard, r.Body)
			handled <- err
		case "/write":
			_, err := w.Write(flood)
			handled <- err
		}
	}))
	if srv.ReadHeaderTimeout <= 0 || srv.ReadTimeout <= 0 || srv.WriteTimeout <= 0 || srv.IdleTimeout <= 0 || srv.MaxHeaderBytes <= 0 {
		t.Fatalf("a limit is missing: %+v", srv)
	}
	srv.ReadHeaderTimeout, srv.ReadTimeout, srv.WriteTimeout, srv.IdleTimeout = 200*time.Millisecond, 400*time.Millisecond, 600*time.Millisecond, 200*time.Millisecond
	var g errgroup.Group
	g.Go(func() error { return srv.Serve(l) })
	defer func() {
		_ = srv.Close()
		if err := g.Wait(); !errors.Is(err, http.ErrServerClosed) {
			t.Error(err)
		}
	}()
	for _, tt := range []struct {
		name, send string
		handler    bool
	}{
		{"says nothing", "", false},
		{"half a head", "GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ", false},
		{"half a body", "POST /read HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\n\r\nhalf", true},
		{"does not read", "GET /write HTTP/1.1\r\nHost: x\r\n\r\n", true},
		{"idle after an answer", "GET / HTTP/1.1\r\nHost: x\r\n\r\n", false},
	} {
		conn, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(conn, tt.send); err != nil {
			t.Fatal(err)
		}
		if tt.handler {
			if err := <-handled; err == nil {
				t.Errorf("%s: the handler was not told", tt.name)
			}
		}
		_ = conn.SetReadDeadline(time.Now().Add(20 * time.Second))
		if _, err := io.Copy(io.Discard, conn); errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("%s: still connected", tt.name)
		}
		conn.Close()
	}
}

// TestThousandStreams: a few are served, the rest is told to come later, and pages go on.
func TestThousandStreams(t *testing.T) {
	h := newHouse(t, wiredSite)
	h.start(nil)
	jar, _ := cookiejar.New(nil)
	c := h.client(jar)
	if code := h.signIn(c, mop); code != 303 {
		t.Fatal(code)
	}
	u, _ := url.Parse("https://" + h.address)
	ask := fmt.Sprintf("GET /api/v1/stream HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: __Host-roundsman=%s\r\n\r\n", jarToken(jar, u))
	var mu sync.Mutex
	count := map[string]int{}
	var open []net.Conn
	defer func() {
		for _, conn := range open {
			conn.Close()
		}
	}()
	var g errgroup.Group
	g.SetLimit(32)
	for range 1000 {
		g.Go(func() error {
			conn, err := tls.Dial("tcp", h.address, &tls.Config{InsecureSkipVerify: true})
			if err != nil {
				mu.Lock()
				defer mu.Unlock()
				count["closed"]++
				return nil
			}
			_ = conn.SetDeadline(time.Now().Add(30 * time.Second))
			_, _ = io.WriteString(conn, ask)
			resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
			mu.Lock()
			defer mu.Unlock()
			open = append(open, conn) // who was refused stays as long as it can
			switch {
			case err != nil:
				count["closed"]++
			case resp.StatusCode == 503 && resp.Header.Get("Retry-After") != "" && resp.Close:
				count["later"]++
			default:
				count[resp.Status]++
			}
			return nil
		})
	}
	_ = g.Wait()
	if count["200 OK"] != 64 || count["200 OK"]+count["later"]+count["closed"] != 1000 || count["later"] < 800 {
		t.Errorf("%v", count)
	}
	if code, _ := h.get(h.client(jar), "/"); code != 200 {
		t.Errorf("a page beside them: %d", code)
	}
}

// hall hands out connections that come from given addresses.
type hall struct {
	net.Listener
	from []string
}

func (h *hall) Accept() (net.Conn, error) {
	if len(h.from) == 0 {
		return nil, io.EOF
	}
	from := h.from[0]
	h.from = h.from[1:]
	a, _ := net.Pipe()
	return &guest{Conn: a, from: from}, nil
}

type guest struct {
	net.Conn
	from   string
	closed atomic.Bool
}

func (g *guest) RemoteAddr() net.Addr { a, _ := net.ResolveTCPAddr("tcp", g.from); return a }
func (g *guest) Close() error         { g.closed.Store(true); return g.Conn.Close() }

func TestCrowd(t *testing.T) {
	l := &hall{}
	var log bytes.Buffer
	c := newCrowd(l, slog.New(slog.NewTextHandler(&log, nil)))
	c.most, c.mostEach = 4, 2
	come := func(from ...string) (in []net.Conn) {
		l.from = from
		for {
			conn, err := c.Accept()
			if err != nil {
				return in
			}
			in = append(in, conn)
		}
	}
	first := come("192.0.2.1:1", "192.0.2.1:2", "192.0.2.1:3", "[::ffff:192.0.2.1]:4")
	if len(first) != 2 {
		t.Errorf("%d of one address", len(first))
	}
	more := come("192.0.2.2:1", "127.0.0.1:1", "192.0.2.3:1")
	if len(more) != 2 {
		t.Errorf("%d more, want 2", len(more))
	}
	first[0].Close()
	first[0].Close() // twice is once
	if again := come("192.0.2.1:9", "192.0.2.1:10"); len(again) != 1 {
		t.Errorf("%d after one left", len(again))
	}
	for _, conn := range append(more, first[1]) {
		conn.Close()
	}
	local := come("127.0.0.1:1", "127.0.0.1:2", "127.0.0.1:3")
	if len(local) != 3 {
		t.Errorf("%d on the box", len(local))
	}
	if n := strings.Count(log.String(), "too many connections"); n != 1 || strings.Count(log.String(), "there is room") != 1 {
		t.Errorf("log:\n%s", &log)
	}
}

// TestPace: some connections are taken as they come, a crowd one by one, and after a pause it is as before.
func TestPace(t *testing.T) {
	c := newCrowd(nil, slog.New(slog.DiscardHandler))
	now := time.Now()
	for i := range 3 * newAtOnce {
		want := max(0, time.Duration(i+1-newAtOnce)*newEvery)
		if got := max(0, c.pace(now)); got != want {
			t.Fatalf("connection %d waits %v, want %v", i+1, got, want)
		}
	}
	now = now.Add(2*newAtOnce*newEvery + newEvery)
	if got := c.pace(now); got > 0 {
		t.Errorf("after all of them came in, the next waits %v", got)
	}
	now = now.Add(time.Hour)
	for i := range newAtOnce {
		if got := c.pace(now); got > 0 {
			t.Fatalf("an hour later, connection %d waits %v", i+1, got)
		}
	}
}

func TestViewing(t *testing.T) {
	now := collector.Moment(0)
	for _, tt := range []struct {
		view     configs.View
		address  string
		accounts int
		want     int
	}{
		{configs.ViewUnsaid, "127.0.0.1:9480", 1, 0}, {configs.ViewUnsaid, "0.0.0.0:9480", 0, 0}, {configs.ViewUnsaid, "0.0.0.0:9480", 1, 1},
		{configs.ViewAnyone, "0.0.0.0:9480", 1, 0}, {configs.ViewPeople, "127.0.0.1:9480", 0, 2}, {configs.ViewPeople, ":9480", 1, 2},
		{configs.ViewUnsaid, "localhost:9480", 1, 0}, {configs.ViewUnsaid, "[::]:9480", 1, 1}, {configs.ViewUnsaid, "box.example:9480", 1, 1},
	} {
		door := signin.New(signin.Options{Now: func() collector.Moment { return now }, Accounts: func() ([]signin.Account, error) { return make([]signin.Account, tt.accounts), nil }})
		site := &configs.Site{Listen: configs.Listen{Address: tt.address}, Panel: configs.Panel{View: tt.view}}
		if got := int(viewing(site, door)()); got != tt.want {
			t.Errorf("%+v: %d", tt, got)
		}
	}
}
