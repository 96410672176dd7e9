package mail

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/smtp"
	"net/textproto"
	"strconv"
	"strings"
	"time"

	"roundsman/exporter/callout"
	"roundsman/exporter/callout/internal/post"
)

// parting is how long the server may take to say goodbye; it has the mail already.
const parting = 2 * time.Second

// deliver takes the letter to the server. The commands are given one by one, not by the library's SendMail: what an error
// means depends on which of them it answers, and a server that has the mail may do what it likes at the goodbye.
func (c *Channel) deliver(ctx context.Context, l *letter) error {
	s := session{channel: c}
	defer s.close()
	client, err := s.greet(ctx)
	if err != nil {
		return c.judge(ctx, "connection", err)
	}
	if err := c.logIn(client); err != nil {
		return c.judge(ctx, "login", err)
	}
	if err := mailFrom(client, l.from); err != nil {
		return c.judge(ctx, "sender", err)
	}
	if err := client.Rcpt(l.to); err != nil {
		return c.judge(ctx, "recipient", err)
	}
	w, err := client.Data()
	if err != nil {
		return c.judge(ctx, "data", err)
	}
	if _, err := w.Write(l.text); err != nil {
		return c.judge(ctx, "data", err) // without its end the server drops the mail
	}
	if err := w.Close(); err != nil {
		if err = c.judge(ctx, "mail", err); !replied(err) {
			err = callout.Perhaps(err)
		}
		return err
	}
	s.conn.SetDeadline(time.Now().Add(parting))
	client.Quit() // the mail is with the server, whatever it answers
	return nil
}

// session is one connection to the server.
type session struct {
	channel *Channel
	conn    net.Conn
	release func() bool // of the watch that closes conn when the context ends
}

func (s *session) close() {
	if s.conn != nil {
		s.release()
		s.conn.Close()
	}
}

// greet connects, with encryption as the options say.
func (s *session) greet(ctx context.Context) (*smtp.Client, error) {
	c := s.channel
	config := &tls.Config{ServerName: c.opts.Host, MinVersion: tls.VersionTLS12}
	if c.opts.CAFile != "" {
		pool, err := post.Roots(c.opts.CAFile)
		if err != nil {
			return nil, err
		}
		config.RootCAs = pool
	}
	conn, err := s.dial(ctx, config)
	if err != nil {
		return nil, err
	}
	s.conn, s.release = conn, context.AfterFunc(ctx, func() { conn.Close() })
	client, err := smtp.NewClient(conn, c.opts.Host)
	if err != nil {
		return nil, err
	}
	if err := client.Hello(c.opts.Domain); err != nil || c.opts.Security != StartTLS {
		return client, err
	}
	if ok, _ := client.Extension("STARTTLS"); !ok {
		return nil, errors.New("the server offers no STARTTLS, and nothing is sent in the clear")
	}
	if err := client.StartTLS(config); err != nil {
		return nil, fmt.Errorf("STARTTLS: %w", err)
	}
	return client, nil
}

// mailFrom names the sender, without the parameters that the library adds where a server offers them: the addresses are
// ASCII and the rest is encoded, so that no server on the way needs to know SMTPUTF8 (RFC 6531) or 8BITMIME (RFC 6152).
func mailFrom(client *smtp.Client, from string) error {
	id, err := client.Text.Cmd("MAIL FROM:<%s>", from)
	if err != nil {
		return err
	}
	client.Text.StartResponse(id)
	defer client.Text.EndResponse(id)
	_, _, err = client.Text.ReadResponse(250)
	return err
}

// dial opens the way, with TLS at once where the options say so.
func (s *session) dial(ctx context.Context, config *tls.Config) (net.Conn, error) {
	o := s.channel.opts
	conn, err := o.Dial(ctx, "tcp", net.JoinHostPort(o.Host, strconv.Itoa(o.Port)))
	if err != nil {
		return nil, err
	}
	if o.Security == TLS {
		secure := tls.Client(conn, config)
		if err := secure.HandshakeContext(ctx); err != nil {
			conn.Close()
			return nil, err
		}
		return secure, nil
	}
	return conn, nil
}

// logIn gives name and password, by PLAIN (RFC 4616) where the server has it, else by LOGIN; never over a connection in
// the clear.
func (c *Channel) logIn(client *smtp.Client) error {
	if c.opts.Password == nil {
		return nil
	}
	if _, secure := client.TLSConnectionState(); !secure && !loopback(c.opts.Host) {
		return errors.New("not over a connection in the clear")
	}
	ok, offered := client.Extension("AUTH")
	if !ok {
		return errors.New("the server offers none")
	}
	password, err := c.opts.Password()
	if err != nil {
		return fmt.Errorf("password: %w", err)
	}
	ways := " " + strings.ToUpper(offered) + " "
	switch {
	case strings.Contains(ways, " PLAIN "):
		return unquoted(client.Auth(smtp.PlainAuth("", c.opts.Username, password, c.opts.Host)))
	case strings.Contains(ways, " LOGIN "):
		return unquoted(client.Auth(&login{answers: []string{c.opts.Username, password}}))
	}
	return fmt.Errorf("the server offers only %s; PLAIN or LOGIN is needed", clean(offered))
}

// loopback reports whether the host is this machine, which the library too counts as safe.
func loopback(host string) bool { return host == "localhost" || host == "127.0.0.1" || host == "::1" }

// login is the way LOGIN, which no standard has but many servers: it answers each of two questions, whatever they are.
type login struct{ answers []string }

// Start names the way.
func (l *login) Start(*smtp.ServerInfo) (string, []byte, error) { return "LOGIN", nil, nil }

// Next answers the next question.
func (l *login) Next(_ []byte, more bool) ([]byte, error) {
	if !more {
		return nil, nil
	}
	if len(l.answers) == 0 {
		return nil, errors.New("a third question")
	}
	answer := l.answers[0]
	l.answers = l.answers[1:]
	return []byte(answer), nil
}

// unquoted keeps an error of the login only where its text cannot hold what the server said: that may be our secret.
func unquoted(err error) error {
	var reply *textproto.Error
	var network net.Error
	if err == nil || errors.As(err, &reply) || errors.As(err, &network) || errors.Is(err, io.EOF) {
		return err
	}
	return errors.New("the server's answers make no sense")
}

// refusal is what a server answered instead of going on.
type refusal struct {
	stage string
	code  int
	text  string // what the server says; "" at the login, where it may repeat a secret
}

func (r *refusal) Error() string {
	s := fmt.Sprintf("%s refused: %d", r.stage, r.code)
	if r.text != "" {
		s += " " + r.text
	}
	return s
}

func replied(err error) bool {
	var r *refusal
	return errors.As(err, &r)
}

// judge puts an error at a stage into words and into its class: 5xx for good, everything else temporary.
func (c *Channel) judge(ctx context.Context, stage string, err error) error {
	var reply *textproto.Error
	switch {
	case errors.As(err, &reply) && reply.Code >= 400:
		r := &refusal{stage: stage, code: reply.Code, text: clean(reply.Msg)}
		if stage == "login" {
			r.text = ""
		}
		if reply.Code >= 500 {
			return callout.ForGood(r)
		}
		return r
	case stage == "login" && reply != nil:
		return errors.New("login: the server's answer makes no sense")
	case ctx.Err() != nil:
		return fmt.Errorf("%s: no answer in %v: %w", stage, c.opts.Timeout, ctx.Err())
	}
	return fmt.Errorf("%s: %w", stage, err)
}

// clean makes one short printable line of what a server says.
func clean(text string) string {
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r <= 0x9f {
			return ' '
		}
		return r
	}, text)
	text = strings.Join(strings.Fields(text), " ")
	if r := []rune(text); len(r) > 200 {
		text = string(r[:200]) + "..."
	}
	return text
}
