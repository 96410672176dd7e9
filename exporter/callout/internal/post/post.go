// Package post makes one HTTP request as a call-out needs it: within a time
// limit, without following redirects, without a proxy from the environment, with
// little of the answer read, and with errors that name the host but never the
// path, the query or a header, because those carry secrets.
//
//	client, err := post.New(post.Options{})
//	answer, err := client.Do(request) // an error only if no answer came
//	err = answer.Err()                // what its status means
package post

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptrace"
	"net/netip"
	"net/url"
	"os"
	"strings"
	"sync/atomic"
	"time"

	"roundsman/exporter/callout"
)

// Limits of one exchange.
const (
	DefaultTimeout = 10 * time.Second
	bodyLimit      = 64 << 10  // of an answer, in bytes; the rest is not read
	headerLimit    = 16 << 10  // of an answer, in bytes
	longestWait    = time.Hour // however long the far side asks: an alarm does not sleep longer
)

// Options describe a client.
type Options struct {
	Timeout time.Duration // of the whole exchange; 0: 10 s
	Proxy   string        // the URL of a proxy; "" none, whatever the environment says
	CAFile  string        // PEM certificates to trust; "" the system's
	// Dial opens the way, before any TLS; nil: the network.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
}

// Client makes requests. It is safe for simultaneous use.
type Client struct {
	http    http.Client
	timeout time.Duration
}

// New checks the options and returns a client with connections of its own.
func New(o Options) (*Client, error) {
	if o.Timeout == 0 {
		o.Timeout = DefaultTimeout
	}
	t := &http.Transport{
		DialContext: dialer(o),
		// The transport goes on making a connection whose request has been given up. Against a host that
		// accepts and keeps silent each try would leave two goroutines and a socket for ever.
		TLSHandshakeTimeout:    o.Timeout,
		TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12},
		ForceAttemptHTTP2:      true,
		MaxResponseHeaderBytes: headerLimit,
		MaxIdleConnsPerHost:    1,
		IdleConnTimeout:        90 * time.Second,
	}
	if o.CAFile != "" {
		pool, err := Roots(o.CAFile)
		if err != nil {
			return nil, err
		}
		t.TLSClientConfig.RootCAs = pool
	}
	if o.Proxy != "" {
		u, err := url.Parse(o.Proxy)
		if err != nil || u.Host == "" {
			return nil, errors.New("proxy: not a URL")
		}
		t.Proxy = http.ProxyURL(u)
	}
	c := &Client{timeout: o.Timeout}
	c.http.Transport = t
	c.http.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return c, nil
}

// dialer opens the way within the time limit.
func dialer(o Options) func(ctx context.Context, network, address string) (net.Conn, error) {
	dial := o.Dial
	if dial == nil {
		dial = (&net.Dialer{}).DialContext
	}
	return func(ctx context.Context, network, address string) (net.Conn, error) {
		ctx, cancel := context.WithTimeout(ctx, o.Timeout)
		defer cancel()
		return dial(ctx, network, address)
	}
}

// Close closes idle connections.
func (c *Client) Close() { c.http.CloseIdleConnections() }

// Roots reads a file of PEM certificates.
func Roots(file string) (*x509.CertPool, error) {
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("certificates: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("certificates: %s holds none", file)
	}
	return pool, nil
}

// Check parses an address to which alarms may be sent: https, or http to the
// box itself, or http anywhere where plain says so. Its errors do not quote the address.
func Check(address string, plain bool) (*url.URL, error) {
	u, err := url.Parse(address)
	switch {
	case err != nil || u.Host == "" || u.Hostname() == "":
		return nil, errors.New("address is not a URL with a host")
	case u.User != nil:
		return nil, fmt.Errorf("%s: a name or password inside a URL is not taken; give it as a header from a file", u.Host)
	case u.Scheme == "https", u.Scheme == "http" && (plain || Loopback(u.Hostname())):
		return u, nil
	case u.Scheme == "http":
		return nil, fmt.Errorf("%s: http is not encrypted: use https, or say that plain http is meant", u.Host)
	}
	return nil, fmt.Errorf("%s: scheme %q is neither https nor http", u.Host, u.Scheme)
}

// Loopback reports whether a host is this machine, by its name or address alone.
func Loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// Answer is what came back.
type Answer struct {
	Host   string
	Status int
	Header http.Header
	Body   []byte // its beginning
}

// Do makes the request. Without an answer the error is temporary, or callout.ErrPerhaps if the request had been written.
func (c *Client) Do(r *http.Request) (Answer, error) {
	ctx, cancel := context.WithTimeout(r.Context(), c.timeout)
	defer cancel()
	var wrote atomic.Bool
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{
		WroteRequest: func(i httptrace.WroteRequestInfo) { wrote.Store(i.Err == nil) },
	})
	resp, err := c.http.Do(r.WithContext(ctx))
	if err != nil {
		err = c.clean(ctx, r.URL.Host, err)
		if wrote.Load() {
			err = callout.Perhaps(err)
		}
		return Answer{}, err
	}
	defer resp.Body.Close()
	// The status is the answer; a body that breaks off does not change it.
	body, _ := io.ReadAll(io.LimitReader(resp.Body, bodyLimit))
	return Answer{Host: r.URL.Host, Status: resp.StatusCode, Header: resp.Header, Body: body}, nil
}

// clean keeps what an error says of the network and drops what it quotes: the
// URL, and bytes of an answer that may repeat our request. It does not wrap the
// original, which still holds the URL.
func (c *Client) clean(ctx context.Context, host string, err error) error {
	if errors.Is(ctx.Err(), context.DeadlineExceeded) || isTimeout(err) {
		return fmt.Errorf("%s: no answer in %v: %w", host, c.timeout, context.DeadlineExceeded)
	}
	if errors.Is(err, context.Canceled) {
		return fmt.Errorf("%s: %w", host, context.Canceled)
	}
	var wrapped *url.Error
	if errors.As(err, &wrapped) {
		err = wrapped.Err
	}
	text, _, _ := strings.Cut(err.Error(), `"`)
	return fmt.Errorf("%s: %s", host, strings.TrimSpace(text))
}

func isTimeout(err error) bool {
	var n net.Error
	return errors.As(err, &n) && n.Timeout()
}

// Err says what the status means for a message: nil for 2xx; for good for 4xx, except 408, 425 and 429, which are
// temporary as 3xx and 5xx are (a redirect may be the log-in page of a network that is not up yet); gone for 410
// (RFC 9110, section 15; 425: RFC 8470, 429: RFC 6585).
func (a Answer) Err() error {
	if a.Status >= 200 && a.Status <= 299 {
		return nil
	}
	err := fmt.Errorf("%s: answers %d %s", a.Host, a.Status, http.StatusText(a.Status))
	switch {
	case a.Status == http.StatusGone:
		return callout.Gone(err)
	case a.Status >= 300 && a.Status <= 399:
		return fmt.Errorf("%w: redirects are not followed", err)
	case a.Status == http.StatusRequestTimeout, a.Status == http.StatusTooEarly, a.Status == http.StatusTooManyRequests:
		return callout.Later(a.RetryAfter(), err)
	case a.Status >= 400 && a.Status <= 499:
		return callout.ForGood(err)
	}
	return callout.Later(a.RetryAfter(), err)
}

// RetryAfter returns the wait that the answer asks for (RFC 9110, section 10.2.3), at most an hour, 0 if none. A date
// counts from the answer's own date, because the clock of the box may be wrong.
func (a Answer) RetryAfter() time.Duration {
	value := strings.TrimSpace(a.Header.Get("Retry-After"))
	if value == "" {
		return 0
	}
	if n, ok := seconds(value); ok {
		return min(n, longestWait)
	}
	until, err := http.ParseTime(value)
	if err != nil {
		return 0
	}
	from, err := http.ParseTime(a.Header.Get("Date"))
	if err != nil {
		return 0
	}
	return max(0, min(until.Sub(from), longestWait))
}

// seconds reads a whole number of seconds; one beyond a day is a day.
func seconds(digits string) (time.Duration, bool) {
	n := 0
	for _, d := range []byte(digits) {
		if d < '0' || d > '9' {
			return 0, false
		}
		n = min(10*n+int(d-'0'), 86400)
	}
	return time.Duration(n) * time.Second, true
}
