// Package mail sends messages by SMTP (RFC 5321) to one mail server, which
// takes them further: one mail for each message and person, with a plain part
// and, where the message has one, an HTML part.
//
// The connection is encrypted: STARTTLS, which the server must offer, or TLS
// from the start. A server that has neither needs the word Plain, and gets no password.
// All mails about one alarm hang together in a mail program (References), and
// a mail that is sent again carries the same Message-ID, so that a mailbox can tell the repeat.
package mail

import (
	"context"
	"errors"
	"fmt"
	"net"
	netmail "net/mail"
	"os"
	"strings"
	"time"

	"roundsman/exporter/callout"
)

// Security is how the connection to the server is protected.
type Security uint8

// The ways. The zero value is the usual one.
const (
	StartTLS Security = iota // port 587; RFC 3207, mandatory
	TLS                      // port 465; RFC 8314, section 3.3
	Plain                    // port 25; not encrypted, never with a password
)

var securityWords = [...]string{"starttls", "tls", "plain"}

// String returns the way's word.
func (s Security) String() string {
	if int(s) < len(securityWords) {
		return securityWords[s]
	}
	return "unknown"
}

var ports = [...]int{587, 465, 25}

// DefaultTimeout is of one mail, from the first packet to the server's word that it has it.
const DefaultTimeout = 30 * time.Second

// Options describe a mail server and the sender.
type Options struct {
	Host     string
	Port     int // 0: the usual one of the security
	Security Security
	Username string
	Password func() (string, error) // read at each mail; nil: no login
	CAFile   string                 // "" the system's certificates

	From    string // 'roundsman@wash.example', or with a name: 'Roundsman <roundsman@wash.example>'
	ReplyTo string // "" none
	Domain  string // the site's own, in message ids and the greeting; "" that of From

	Timeout time.Duration // of one mail; 0: 30 s

	// Dial opens the way, before any TLS; nil: the network. Tests give a pipe.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
	// Now tells the time of sending; nil: time.Now.
	Now func() time.Time
}

// Channel sends mails. It implements callout.Channel.
type Channel struct {
	opts          Options
	from, replyTo *netmail.Address
}

// New checks the options.
func New(o Options) (*Channel, error) {
	c, err := build(o)
	if err != nil {
		return nil, fmt.Errorf("mail: %w", err)
	}
	return c, nil
}

func build(o Options) (*Channel, error) {
	from, err := address(o.From)
	if err != nil {
		return nil, fmt.Errorf("from: %w", err)
	}
	c := &Channel{from: from}
	if o.ReplyTo != "" {
		if c.replyTo, err = address(o.ReplyTo); err != nil {
			return nil, fmt.Errorf("reply-to: %w", err)
		}
	}
	if o.Domain == "" {
		o.Domain = from.Address[strings.LastIndexByte(from.Address, '@')+1:]
	}
	switch {
	case !hostName(o.Host):
		return nil, fmt.Errorf("host %q: not a host name or address", o.Host)
	case int(o.Security) >= len(ports):
		return nil, fmt.Errorf("unknown security %d", o.Security)
	case o.Port < 0 || o.Port > 65535:
		return nil, fmt.Errorf("port %d: not from 1 to 65535", o.Port)
	case o.Security == Plain && o.Password != nil:
		return nil, errors.New("a password is not sent over a connection in the clear: use starttls or tls")
	case (o.Username == "") != (o.Password == nil):
		return nil, errors.New("a user name and a password go together")
	case !hostName(o.Domain):
		return nil, fmt.Errorf("domain %q: not a host name", o.Domain)
	}
	if o.CAFile != "" {
		if _, err := os.Stat(o.CAFile); err != nil {
			return nil, fmt.Errorf("certificates: %w", err)
		}
	}
	c.opts = defaults(o)
	return c, nil
}

func defaults(o Options) Options {
	if o.Port == 0 {
		o.Port = ports[o.Security]
	}
	if o.Timeout == 0 {
		o.Timeout = DefaultTimeout
	}
	if o.Dial == nil {
		o.Dial = (&net.Dialer{}).DialContext
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return o
}

// Kind returns "mail".
func (c *Channel) Kind() string { return "mail" }

// Send hands m to the server. The receipt's reference is the Message-ID.
//
// A refusal with 5xx is for good, with 4xx temporary (RFC 5321, section 4.2.1), and so is everything before the
// server has the whole mail. If it had the whole mail and said nothing in time, the error is callout.ErrPerhaps.
func (c *Channel) Send(ctx context.Context, m *callout.Message) (callout.Receipt, error) {
	ctx, cancel := context.WithTimeout(ctx, c.opts.Timeout)
	defer cancel()
	l, err := c.compose(m)
	if err != nil {
		return callout.Receipt{}, fmt.Errorf("mail: %w", callout.ForGood(err))
	}
	if err := c.deliver(ctx, l); err != nil {
		return callout.Receipt{}, fmt.Errorf("mail: %s: %w", c.opts.Host, err)
	}
	return callout.Receipt{Reference: l.id}, nil
}

// address takes one mail address, with or without a name, and holds it to the
// limits of RFC 5321, section 4.5.3.1, and to ASCII: not every server on the way takes more (RFC 6531).
func address(text string) (*netmail.Address, error) {
	if !oneLine(text) {
		return nil, errors.New("mail address: holds a line break or control character")
	}
	a, err := netmail.ParseAddress(text)
	if err != nil {
		return nil, fmt.Errorf("mail address %q: %w", text, err)
	}
	at := strings.LastIndexByte(a.Address, '@')
	local, domain := a.Address[:at], a.Address[at+1:]
	switch {
	case len(local) > 64 || len(domain) > 255:
		return nil, fmt.Errorf("mail address %q: longer than 64 before or 255 after the @", text)
	case !ascii(a.Address):
		return nil, fmt.Errorf("mail address %q: has letters outside ASCII", text)
	case strings.ContainsAny(a.Address, " <>\"\\"):
		return nil, fmt.Errorf("mail address %q: a quoted name before the @ is not taken", text)
	case !oneLine(a.Name):
		return nil, errors.New("mail address: its name holds a line break or control character")
	}
	return a, nil
}

func ascii(s string) bool {
	for _, c := range []byte(s) {
		if c >= 0x80 {
			return false
		}
	}
	return true
}

// oneLine reports whether s can stand in a header without beginning another.
func oneLine(s string) bool {
	for _, r := range s {
		if r < ' ' && r != '\t' || r == 0x7f || r >= 0x80 && r <= 0x9f || r == '\u2028' || r == '\u2029' {
			return false
		}
	}
	return true
}

// hostName reports whether s is made of what host names and addresses are made of.
func hostName(s string) bool {
	if s == "" || len(s) > 255 {
		return false
	}
	for _, c := range []byte(s) {
		letter := c >= '0' && c <= '9' || c|0x20 >= 'a' && c|0x20 <= 'z'
		if !letter && strings.IndexByte("-._:", c) < 0 {
			return false
		}
	}
	return true
}
