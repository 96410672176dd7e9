// Package push sends messages to phones on which the panel was installed: Web
// Push (RFC 8030), encrypted for the phone alone (RFC 8291), signed with a key of
// the site (RFC 8292, VAPID).
//
// It needs the internet, and a page that the phone took over HTTPS with a
// certificate it trusts. It is an addition where a site has both, never its only channel.
package push

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/mail"
	"net/url"
	"slices"
	"strings"
	"time"

	webpush "github.com/SherClockHolmes/webpush-go"

	"roundsman/exporter/callout"
	"roundsman/exporter/callout/internal/post"
	"roundsman/rules"
)

// DefaultTTL is how long a push service keeps a message for a phone that is off or out of reach.
const DefaultTTL = 4 * time.Hour

// Options describe the site as a sender of push messages.
type Options struct {
	// KeyFile holds the site's signing key, mode 0600. It is made by New if there is
	// none. Losing it makes every subscription useless: it belongs in the backup.
	KeyFile string
	// Contact is a mail address or https URL under which a push service can reach the site's people (RFC 8292,
	// section 2.1). Some services refuse names that are not public.
	Contact string
	TTL     time.Duration // whole seconds; 0: DefaultTTL
	Timeout time.Duration // of one try; 0: 10 s
	Proxy   string        // "" none, whatever the environment says
	CAFile  string        // "" the system's certificates

	// Dial opens the way, before any TLS; nil: the network. Tests give a pipe.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
}

// Channel sends push messages. It implements callout.Channel.
type Channel struct {
	opts    Options
	contact string
	client  *post.Client
}

// New checks the options, and makes the key file if there is none.
func New(o Options) (*Channel, error) {
	contact, err := parseContact(o.Contact)
	if err != nil {
		return nil, fmt.Errorf("push: contact: %w", err)
	}
	if o.TTL < 0 {
		return nil, fmt.Errorf("push: time to live %v is negative", o.TTL)
	}
	if o.TTL == 0 {
		o.TTL = DefaultTTL
	}
	if err := ensureKey(o.KeyFile); err != nil {
		return nil, fmt.Errorf("push: key: %w", err)
	}
	client, err := post.New(post.Options{Timeout: o.Timeout, Proxy: o.Proxy, CAFile: o.CAFile, Dial: o.Dial})
	if err != nil {
		return nil, fmt.Errorf("push: %w", err)
	}
	return &Channel{opts: o, contact: contact, client: client}, nil
}

// parseContact returns the contact as the library wants it: it puts 'mailto:'
// before everything that is not an https URL, even before 'mailto:'.
func parseContact(contact string) (string, error) {
	host := ""
	if strings.HasPrefix(contact, "https://") {
		u, err := url.Parse(contact)
		if err != nil || u.Host == "" {
			return "", errors.New("not a URL with a host")
		}
		host = u.Hostname()
	} else {
		contact = strings.TrimPrefix(contact, "mailto:")
		a, err := mail.ParseAddress(contact)
		if err != nil || a.Address != contact {
			return "", errors.New("neither a mail address nor an https URL")
		}
		host = contact[strings.LastIndexByte(contact, '@')+1:]
	}
	if !public(host) {
		return "", fmt.Errorf("%s is no public name; push services refuse it", host)
	}
	return contact, nil
}

// public reports whether a host can be known outside the site, by its form alone.
func public(host string) bool {
	host = strings.ToLower(strings.TrimSuffix(host, "."))
	return strings.Contains(host, ".") && net.ParseIP(host) == nil && !strings.HasSuffix(host, ".local") &&
		!strings.HasSuffix(host, ".localhost") && !strings.HasSuffix(host, ".internal")
}

// Kind returns "push".
func (c *Channel) Kind() string { return "push" }

// Close closes idle connections.
func (c *Channel) Close() error { c.client.Close(); return nil }

// PublicKey returns the site's key as a page hands it to the browser when it subscribes (applicationServerKey).
func (c *Channel) PublicKey() (string, error) {
	k, err := readKey(c.opts.KeyFile)
	if err != nil {
		return "", fmt.Errorf("push: key: %w", err)
	}
	return k.public, nil
}

// Send encrypts m for the subscription in m.To and posts it to the phone's push service. A subscription that the
// service no longer knows is callout.ErrGone; callout.Wait tells how long a service asks to be left alone.
func (c *Channel) Send(ctx context.Context, m *callout.Message) (callout.Receipt, error) {
	s, err := ParseSubscription(m.To)
	if err != nil {
		return callout.Receipt{}, fmt.Errorf("push: %w", callout.ForGood(err))
	}
	k, err := readKey(c.opts.KeyFile)
	if err != nil {
		return callout.Receipt{}, fmt.Errorf("push: key: %w", err)
	}
	// The library writes behind the end of what it is given.
	payload := slices.Clip(bytes.Clone(encode(m)))
	way := &courier{client: c.client}
	resp, err := webpush.SendNotificationWithContext(ctx, payload, s, &webpush.Options{
		HTTPClient: way, Subscriber: c.contact, TTL: int(c.opts.TTL / time.Second),
		Topic: replaceable(m.Thread), Urgency: urgency(m),
		VAPIDPublicKey: k.public, VAPIDPrivateKey: k.private,
	})
	if err == nil {
		resp.Body.Close()
		err = judge(way.answer)
	}
	if err != nil {
		return callout.Receipt{}, fmt.Errorf("push: %w", err)
	}
	// The location of the message is a secret of the service's; its host is enough to look into a trouble.
	return callout.Receipt{Reference: way.answer.Host}, nil
}

// courier makes the library's request with our client and keeps the answer.
type courier struct {
	client *post.Client
	answer post.Answer
}

// Do implements webpush.HTTPClient.
func (c *courier) Do(r *http.Request) (*http.Response, error) {
	var err error
	if c.answer, err = c.client.Do(r); err != nil {
		return nil, err
	}
	return &http.Response{StatusCode: c.answer.Status, Body: http.NoBody}, nil
}

// judge says what an answer means (RFC 8030, sections 5, 7.2, 7.3, 8.4; RFC 8292, section 4.2; from memory).
func judge(a post.Answer) error {
	err := a.Err()
	switch a.Status {
	case http.StatusNotFound:
		return callout.Gone(fmt.Errorf("%s: does not know the subscription", a.Host))
	case http.StatusUnauthorized, http.StatusForbidden:
		return fmt.Errorf("%w (the site's key has changed since the phone subscribed, or the clock is wrong)", err)
	}
	return err
}

// replaceable names the message in the push service, where the next of its
// thread replaces it while the phone is off: the return to normal the alarm (RFC 8030, section 5.4: at
// most 32 characters of base64url).
func replaceable(thread string) string {
	if thread == "" {
		return ""
	}
	sum := sha256.Sum256([]byte(thread))
	return base64.RawURLEncoding.EncodeToString(sum[:24])
}

// urgency tells the phone whether to wake up (RFC 8030, section 5.3).
func urgency(m *callout.Message) webpush.Urgency {
	switch {
	case m.Priority == rules.HighPriority, m.Subject == callout.AboutDrill:
		return webpush.UrgencyHigh
	case m.Priority == rules.LowPriority, m.Priority == rules.Note:
		return webpush.UrgencyLow
	}
	return webpush.UrgencyNormal
}
