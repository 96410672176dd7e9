// Package webhook sends messages as HTTPS POST requests, so that any push
// service or chat can be reached.
//
// The body is a template, by default one JSON object (see DefaultBody). A
// receiver tells a repeat by the Idempotency-Key header, which is the same at
// every try. With a signing key each request carries
//
//	Roundsman-Signature: t=1764062400,v1=5257a8...
//
// where t is the time of sending in Unix seconds and v1 the HMAC-SHA-256 (RFC
// 2104, RFC 6234), in lower-case hex, with the key's bytes over t's digits, a full stop
// and the body as sent. A receiver recomputes it, compares in constant time, and
// refuses times that are too old.
package webhook

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"time"

	"roundsman/exporter/callout"
	"roundsman/exporter/callout/internal/post"
)

// DefaultSignatureHeader carries the signature unless Options say otherwise.
const DefaultSignatureHeader = "Roundsman-Signature"

// Options describe a webhook.
type Options struct {
	// URL is read at each use when a message names no address of its own. An address is often a secret itself.
	URL func() (string, error)
	// Plain allows http to other machines than this one.
	Plain bool

	Body        string            // a text/template over Fields; "" DefaultBody
	ContentType string            // "" application/json; a JSON body is checked before it is sent
	Headers     map[string]string // values are templates over Fields
	// Secrets are headers whose whole values are read at each use: 'Authorization', 'Bearer ...'.
	Secrets map[string]func() (string, error)

	Key             func() (string, error) // signs, read at each use; nil: no signature
	SignatureHeader string                 // "" DefaultSignatureHeader

	Timeout time.Duration // of one try; 0: 10 s
	Proxy   string        // "" none, whatever the environment says
	CAFile  string        // "" the system's certificates

	// Dial opens the way, before any TLS; nil: the network. Tests give a pipe.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
	// Now tells the time of sending; nil: time.Now.
	Now func() time.Time
}

// Channel posts messages. It implements callout.Channel.
type Channel struct {
	opts   Options
	client *post.Client
	forms  forms
}

// New checks the options: the templates are run on a message with quotes and line breaks in it.
func New(o Options) (*Channel, error) {
	o = defaults(o)
	if err := checkHeaders(o); err != nil {
		return nil, fmt.Errorf("webhook: %w", err)
	}
	f, err := parse(o)
	if err != nil {
		return nil, fmt.Errorf("webhook: %w", err)
	}
	client, err := post.New(post.Options{Timeout: o.Timeout, Proxy: o.Proxy, CAFile: o.CAFile, Dial: o.Dial})
	if err != nil {
		return nil, fmt.Errorf("webhook: %w", err)
	}
	return &Channel{opts: o, client: client, forms: f}, nil
}

func defaults(o Options) Options {
	if o.Body == "" {
		o.Body = DefaultBody
	}
	if o.ContentType == "" {
		o.ContentType = "application/json"
	}
	if o.SignatureHeader == "" {
		o.SignatureHeader = DefaultSignatureHeader
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return o
}

// Kind returns "webhook".
func (c *Channel) Kind() string { return "webhook" }

// Close closes idle connections.
func (c *Channel) Close() error { c.client.Close(); return nil }

// Send posts m to its address, or to the URL of the options if it has none.
// callout.Wait tells from its error how long the receiver asks to be left alone.
func (c *Channel) Send(ctx context.Context, m *callout.Message) (callout.Receipt, error) {
	r, err := c.request(ctx, m)
	if err != nil {
		return callout.Receipt{}, fmt.Errorf("webhook: %w", err)
	}
	answer, err := c.client.Do(r)
	if err == nil {
		err = answer.Err()
	}
	if err != nil {
		return callout.Receipt{}, fmt.Errorf("webhook: %w", err)
	}
	return callout.Receipt{}, nil
}

func (c *Channel) request(ctx context.Context, m *callout.Message) (*http.Request, error) {
	address, err := c.address(m)
	if err != nil {
		return nil, err
	}
	now := c.opts.Now()
	body, headers, err := c.forms.fill(fields(m, now))
	if err != nil {
		return nil, callout.ForGood(err)
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(body))
	if err != nil {
		return nil, callout.ForGood(errors.New("address is not a URL")) // its text would quote the address
	}
	for name, value := range headers {
		r.Header.Set(name, value)
	}
	r.Header.Set("Content-Type", c.opts.ContentType)
	r.Header.Set("User-Agent", "roundsman")
	r.Header.Set("Idempotency-Key", idempotencyKey(m.Key))
	if err := c.secrets(r); err != nil {
		return nil, err
	}
	return r, c.sign(r, now, body)
}

func (c *Channel) address(m *callout.Message) (string, error) {
	address := m.To
	if address == "" {
		if c.opts.URL == nil {
			return "", callout.ForGood(errors.New("message has no address, and the channel neither"))
		}
		var err error
		if address, err = c.opts.URL(); err != nil {
			return "", fmt.Errorf("address: %w", err)
		}
	}
	if _, err := post.Check(address, c.opts.Plain); err != nil {
		return "", callout.ForGood(err)
	}
	return address, nil
}

func (c *Channel) secrets(r *http.Request) error {
	for name, read := range c.opts.Secrets {
		value, err := read()
		if err != nil {
			return fmt.Errorf("header %s: %w", name, err)
		}
		if !fieldValue(value) {
			return fmt.Errorf("header %s: its secret holds a line break or control character", name)
		}
		r.Header.Set(name, value)
	}
	return nil
}

func (c *Channel) sign(r *http.Request, now time.Time, body []byte) error {
	if c.opts.Key == nil {
		return nil
	}
	key, err := c.opts.Key()
	if err != nil {
		return fmt.Errorf("signing key: %w", err)
	}
	if key == "" {
		return errors.New("signing key: is empty")
	}
	r.Header.Set(c.opts.SignatureHeader, Sign([]byte(key), now, body))
	return nil
}

// Sign returns the value of the signature header for a body sent at a moment.
func Sign(key []byte, at time.Time, body []byte) string {
	t := strconv.FormatInt(at.Unix(), 10)
	return "t=" + t + ",v1=" + tag(key, []byte(t), []byte("."), body)
}

// tag is HMAC-SHA-256 in hex over the parts, one after the other.
func tag(key []byte, parts ...[]byte) string {
	mac := hmac.New(sha256.New, key)
	for _, p := range parts {
		mac.Write(p)
	}
	return hex.EncodeToString(mac.Sum(nil))
}

// idempotencyKey is the message's key where a header can carry it, else its hash.
func idempotencyKey(key string) string {
	if token(key) && len(key) <= 128 {
		return key
	}
	sum := sha256.Sum256([]byte(key))
	return hex.EncodeToString(sum[:16])
}
