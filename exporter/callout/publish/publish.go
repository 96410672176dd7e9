// Package publish tells an MQTT 3.1.1 broker of alarms: QoS 1, and the state of
// each alarm retained on a topic of its own, so that a lamp or a desk screen
// that connects later knows at once.
//
// The topic is a pattern: 'wash/{site}/alarm/{alarm}'. The payload is one JSON
// object (see Payload). An alarm and its return to normal are retained; drills,
// what was held back and heartbeats are not, since they must not stand where the state of an
// alarm belongs.
package publish

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"roundsman/exporter/callout"
)

// The times of a channel.
const (
	DefaultTimeout = 10 * time.Second // of one message: connecting, sending, and the broker's acknowledgement
	keepAlive      = 30 * time.Second
	pingTimeout    = 5 * time.Second
	writeTimeout   = 5 * time.Second
	goodbye        = 250 * time.Millisecond
)

// Options describe a broker and where alarms go on it.
type Options struct {
	Broker   string // tcp://host:1883, ssl://host:8883
	ClientID string // one of its own: two clients with one id throw each other out
	Username string
	Password func() (string, error) // read at each connection; nil: none
	CAFile   string                 // "" the system's certificates

	Topic   string        // the pattern for messages that name no topic themselves
	Timeout time.Duration // of one message; 0: 10 s

	// Dial opens the way, before any TLS; nil: the network. Tests give a pipe.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
	// Now tells the time of sending; nil: time.Now.
	Now func() time.Time
}

// Channel publishes messages. It implements callout.Channel.
//
// The client's own reconnecting and its store are not used: while it reconnects
// it takes messages that it may lose or send again much later. Here a message is
// with the broker, or Send says that it is not; the connection is made
// when a message needs it and held until it breaks.
type Channel struct {
	opts   Options
	host   broker
	line   *line
	newest latest
}

// New checks the options.
func New(o Options) (*Channel, error) {
	host, err := parseBroker(o.Broker)
	if err != nil {
		return nil, fmt.Errorf("mqtt: %w", err)
	}
	if o.ClientID == "" {
		return nil, errors.New("mqtt: no client id")
	}
	if o.Password != nil && o.Username == "" {
		return nil, errors.New("mqtt: a password without user name")
	}
	if o.CAFile != "" {
		if _, err := os.Stat(o.CAFile); err != nil {
			return nil, fmt.Errorf("mqtt: certificates: %w", err)
		}
	}
	if o.Topic != "" {
		if err := CheckTopic(o.Topic); err != nil {
			return nil, fmt.Errorf("mqtt: %w", err)
		}
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
	return &Channel{opts: o, host: host}, nil
}

// Kind returns "mqtt".
func (c *Channel) Kind() string { return "mqtt" }

// Close says goodbye to the broker.
func (c *Channel) Close() error {
	if c.line != nil {
		c.line.close(goodbye)
		c.line = nil
	}
	return nil
}

// Send publishes m and waits for the broker's acknowledgement. If the connection
// breaks before it, the message goes once more over a new one.
func (c *Channel) Send(ctx context.Context, m *callout.Message) (callout.Receipt, error) {
	topic, err := c.topic(m)
	if err != nil {
		return callout.Receipt{}, fmt.Errorf("mqtt: %w", callout.ForGood(err))
	}
	ctx, cancel := context.WithTimeout(ctx, c.opts.Timeout)
	defer cancel()
	retain := isState(m.Subject) && c.newest.take(topic, m.Created)
	payload := encode(m, c.opts.Now())
	perhaps := false
	for range 2 {
		var went bool
		if went, err = c.try(ctx, topic, retain, payload); err == nil {
			return callout.Receipt{Reference: topic}, nil
		}
		perhaps = perhaps || went
		if ctx.Err() != nil || !errors.Is(err, errLost) {
			break
		}
	}
	if perhaps {
		err = callout.Perhaps(err)
	}
	return callout.Receipt{}, fmt.Errorf("mqtt: %s: %w", c.host.hostPort, err)
}

// try publishes once and reports whether the message may have gone out when it fails. After a
// failure the connection is given up, and with it the client's memory of the message: it must not send it later.
func (c *Channel) try(ctx context.Context, topic string, retain bool, payload []byte) (went bool, err error) {
	if c.line != nil && !c.line.open() {
		c.line.close(0)
		c.line = nil
	}
	if c.line == nil {
		if c.line, err = c.connect(ctx); err != nil {
			c.line = nil
			return false, err
		}
	}
	if went, err = c.line.publish(ctx, topic, retain, payload); err != nil {
		c.line.close(0)
		c.line = nil
	}
	return went, err
}

func (c *Channel) topic(m *callout.Message) (string, error) {
	pattern := m.To
	if pattern == "" {
		pattern = c.opts.Topic
	}
	if pattern == "" {
		return "", errors.New("message has no topic, and the channel neither")
	}
	return Topic(pattern, m)
}

// isState reports whether a message is what stands for its alarm until the next one.
func isState(s callout.Subject) bool { return s == callout.AboutAlarm || s == callout.AboutReturn }

// remembered is how many topics' newest messages are kept in mind.
const remembered = 4096

// latest knows the newest state sent to each topic, so that an alarm that is
// tried again after its return to normal went out is told, but does not stand as the state.
type latest struct{ at map[string]time.Time }

// take reports whether nothing newer was sent to topic, and notes the moment.
func (l *latest) take(topic string, at time.Time) bool {
	if at.Before(l.at[topic]) {
		return false
	}
	if l.at == nil || len(l.at) >= remembered {
		l.at = make(map[string]time.Time)
	}
	l.at[topic] = at
	return true
}
