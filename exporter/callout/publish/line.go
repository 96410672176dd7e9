package publish

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"roundsman/collector/mqtt/socket"
	"roundsman/exporter/callout/internal/post"
)

// errLost is the end of a connection; another may do better at once.
var errLost = errors.New("connection lost")

// broker is a parsed address.
type broker struct {
	hostPort, name string
	tls            bool
}

func parseBroker(address string) (broker, error) {
	u, err := url.Parse(address)
	if err != nil || u.Hostname() == "" {
		return broker{}, errors.New("broker: not an address like tcp://host:1883")
	}
	if u.User != nil || u.Path != "" || u.RawQuery != "" {
		return broker{}, errors.New("broker: more than scheme, host and port; the password comes from a file")
	}
	b := broker{name: u.Hostname()}
	port := u.Port()
	switch u.Scheme {
	case "tcp", "mqtt":
		if port == "" {
			port = "1883"
		}
	case "ssl", "tls", "mqtts":
		b.tls = true
		if port == "" {
			port = "8883"
		}
	default:
		return broker{}, fmt.Errorf("broker: scheme %q is neither tcp nor ssl", u.Scheme)
	}
	b.hostPort = net.JoinHostPort(b.name, port)
	return b, nil
}

// line is one connection with a client of its own.
type line struct {
	client paho.Client
	way    *socket.Held
	lost   chan error
}

// connect makes a connection, or fails when ctx ends.
func (c *Channel) connect(ctx context.Context) (*line, error) {
	var password string
	if c.opts.Password != nil {
		var err error
		if password, err = c.opts.Password(); err != nil {
			return nil, fmt.Errorf("password: %w", err)
		}
	}
	l := &line{way: &socket.Held{}, lost: make(chan error, 1)}
	var openErr error
	o := paho.NewClientOptions().
		AddBroker("tcp://" + c.host.hostPort). // only a label: the open function below decides
		SetClientID(c.opts.ClientID).
		SetUsername(c.opts.Username).
		SetPassword(password).
		SetProtocolVersion(4). // 3.1.1, and no second try as 3.1 that hides why the first failed
		SetCleanSession(true). // the outbox remembers, not the broker
		SetAutoReconnect(false).
		SetConnectRetry(false).
		SetConnectTimeout(c.opts.Timeout).
		SetWriteTimeout(writeTimeout).
		SetPingTimeout(pingTimeout).
		SetKeepAlive(keepAlive).
		SetConnectionLostHandler(func(_ paho.Client, err error) { l.lost <- err })
	o.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) {
		conn, err := c.dial(ctx)
		if err != nil {
			openErr = err
			return nil, err
		}
		l.way.Hold(conn)
		return conn, nil
	})
	l.client = paho.NewClient(o)
	stop := context.AfterFunc(ctx, l.way.Close) // ends a greeting that is not answered
	token := l.client.Connect()
	<-token.Done()
	if !stop() {
		l.close(0)
		return nil, fmt.Errorf("no connection in time: %w", ctx.Err())
	}
	if openErr != nil {
		return nil, openErr
	}
	if err := token.Error(); err != nil {
		l.close(0)
		return nil, c.explain(err)
	}
	return l, nil
}

// explain says in words why the broker did not take the connection, without what the client's error quotes.
func (c *Channel) explain(err error) error {
	// Brokers differ in which of the two codes a wrong password gets.
	refused := errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword) || errors.Is(err, packets.ErrorRefusedNotAuthorised)
	switch {
	case refused && c.opts.Username == "":
		return errors.New("the broker refuses a client without user name")
	case refused:
		return fmt.Errorf("the broker refuses user %q: wrong name or password, or not allowed", c.opts.Username)
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return fmt.Errorf("the broker refuses the client id %q", c.opts.ClientID)
	case errors.Is(err, io.EOF):
		return errors.New("the broker closes the connection without a greeting")
	}
	// The client joins its own 'network Error' with the reason.
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		if parts := joined.Unwrap(); len(parts) > 0 {
			return parts[len(parts)-1]
		}
	}
	return err
}

// dial opens the way to the broker, with TLS where the address asks for it.
func (c *Channel) dial(ctx context.Context) (net.Conn, error) {
	dialled, err := c.opts.Dial(ctx, "tcp", c.host.hostPort)
	if err != nil {
		return nil, err
	}
	conn := socket.Impatient(dialled, writeTimeout)
	if !c.host.tls {
		return conn, nil
	}
	config := &tls.Config{ServerName: c.host.name, MinVersion: tls.VersionTLS12}
	if c.opts.CAFile != "" {
		if config.RootCAs, err = post.Roots(c.opts.CAFile); err != nil {
			conn.Close()
			return nil, err
		}
	}
	secure := tls.Client(conn, config)
	if err := secure.HandshakeContext(ctx); err != nil {
		conn.Close()
		return nil, err
	}
	return secure, nil
}

// open reports whether the connection stands, as far as anybody knows. The
// client's IsConnected would also say yes while it only tries.
func (l *line) open() bool { return len(l.lost) == 0 && l.client.IsConnectionOpen() }

// publish returns nil when the broker has acknowledged the message; of a QoS 1
// message a completed token without error says just that, as long as the client
// does not reconnect by itself. When it fails, went says whether the message may have gone out.
func (l *line) publish(ctx context.Context, topic string, retain bool, payload []byte) (went bool, err error) {
	token := l.client.Publish(topic, 1, retain, payload)
	select {
	case <-token.Done():
		if err := token.Error(); err != nil {
			return !errors.Is(err, paho.ErrNotConnected), fmt.Errorf("%w: %w", errLost, err)
		}
		return true, nil
	case err := <-l.lost:
		if errors.Is(err, io.EOF) {
			return true, fmt.Errorf("%w: the broker closed it", errLost)
		}
		return true, fmt.Errorf("%w: %w", errLost, err)
	case <-ctx.Done():
		return true, fmt.Errorf("no acknowledgement in time: %w", ctx.Err())
	}
}

// close ends the connection, after up to wait for what is under way.
func (l *line) close(wait time.Duration) {
	if wait > 0 && l.open() {
		l.client.Disconnect(uint(wait / time.Millisecond))
	} else {
		// The socket first: without it the client has nothing left to send.
		l.way.Close()
		l.client.Disconnect(0)
	}
	l.way.Close()
}
