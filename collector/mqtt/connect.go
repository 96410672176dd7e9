package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/url"
	"os"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"roundsman/collector"
	"roundsman/collector/mqtt/socket"
)

// The times of a connection. The client's own reconnecting is not used: its
// back-off grows to ten minutes, has no jitter, and its sleep outlives the client.
const (
	connectTimeout = 10 * time.Second // to open, greet, and again to subscribe
	writeTimeout   = 5 * time.Second  // of each packet, pings too
	pingTimeout    = 5 * time.Second
	keepAlive      = 10 * time.Second
	goodbye        = 250 * time.Millisecond
	firstPause     = time.Second
	longestPause   = 15 * time.Second
	settled        = 15 * time.Second // a connection that held so long was a good one
)

// filtersAtOnce is how many filters one SUBSCRIBE packet asks for; brokers limit the size of a packet.
const filtersAtOnce = 100

// refusedCode in a SUBACK: MQTT 3.1.1, section 3.9.3.
const refusedCode = 0x80

// keep makes connection after connection until ctx ends.
func (l *Link) keep(ctx context.Context, events chan<- event) error {
	pause := firstPause
	timer := time.NewTimer(0)
	defer timer.Stop()
	<-timer.C
	for {
		l.meter.Beat(collector.Keeper)
		held, err := l.session(ctx, events)
		if ctx.Err() != nil {
			return nil
		}
		l.meter.SetUp(false, l.clock.Now(), err.Error())
		l.meter.Count(collector.Disconnect, 0)
		select {
		case events <- event{why: err.Error()}:
		case <-ctx.Done():
			return nil
		}
		if held >= settled {
			pause = firstPause
		}
		// Up to a quarter less, so that many boxes do not come back at one moment.
		if !wait(ctx, timer, pause-rand.N(pause/4)) {
			return nil
		}
		pause = min(2*pause, longestPause)
	}
}

// session makes one connection and holds it until it breaks or ctx ends. It
// returns how long it stood and why it ended.
func (l *Link) session(ctx context.Context, events chan<- event) (held time.Duration, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var way socket.Held
	lost := make(chan error, 1)
	opts, err := l.clientOptions(ctx, &way, lost)
	if err != nil {
		return 0, err
	}
	client := paho.NewClient(opts)
	l.meter.Beat(collector.Keeper)
	stop := context.AfterFunc(ctx, way.Close) // ends a greeting that is not answered
	token := client.Connect()
	<-token.Done()
	if err := token.Error(); err != nil {
		stop()
		return 0, l.explain(err)
	}
	if !stop() {
		return 0, ctx.Err() // the connection is closed already
	}
	defer client.Disconnect(uint(goodbye / time.Millisecond))
	l.meter.Beat(collector.Keeper)
	start := l.clock.Now()
	refused, err := l.subscribe(ctx, client, lost)
	if err != nil {
		return 0, err
	}
	l.meter.SetUp(true, l.clock.Now(), refusal(refused))
	select {
	case events <- event{up: true, refused: refused}:
	case <-ctx.Done():
		return 0, ctx.Err()
	}
	err = l.hold(ctx, lost)
	held = l.clock.Now().Sub(start)
	return held, l.explainLoss(err, held)
}

// hold waits until the connection is lost or ctx ends, and returns why.
func (l *Link) hold(ctx context.Context, lost <-chan error) error {
	beat := time.NewTicker(collector.BeatEvery)
	defer beat.Stop()
	for {
		l.meter.Beat(collector.Keeper)
		select {
		case err := <-lost:
			return err
		case <-ctx.Done():
			return ctx.Err()
		case <-beat.C:
		}
	}
}

func (l *Link) clientOptions(ctx context.Context, way *socket.Held, lost chan<- error) (*paho.ClientOptions, error) {
	password, err := l.password()
	if err != nil {
		return nil, err
	}
	o := paho.NewClientOptions().
		AddBroker("tcp://" + l.host.hostPort). // only a label: the open function below decides
		SetClientID(l.opts.ClientID).
		SetUsername(l.opts.Username).
		SetPassword(password).
		SetProtocolVersion(4). // 3.1.1, and no second try as 3.1 that hides why the first failed
		SetCleanSession(true). // what was missed meanwhile is too old to be of use
		SetAutoReconnect(false).
		SetConnectRetry(false).
		SetConnectTimeout(connectTimeout).
		SetPingTimeout(pingTimeout).
		SetKeepAlive(l.opts.KeepAlive).
		SetOrderMatters(true).
		SetDefaultPublishHandler(l.handle).
		SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	o.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) {
		conn, err := l.open(ctx)
		if err == nil {
			way.Hold(conn)
		}
		return conn, err
	})
	return o, nil
}

// password reads the password anew for each connection: it may have been changed.
func (l *Link) password() (string, error) {
	if l.opts.PasswordFile == "" {
		return "", nil
	}
	if l.opts.Password != nil {
		p, err := l.opts.Password()
		if err != nil {
			return "", fmt.Errorf("password: %w", err)
		}
		return p, nil
	}
	b, err := os.ReadFile(l.opts.PasswordFile)
	if err != nil {
		return "", fmt.Errorf("password: %w", err)
	}
	return strings.TrimRight(string(b), "\r\n"), nil
}

// open opens the way to the broker, with TLS where the address asks for it.
func (l *Link) open(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, connectTimeout)
	defer cancel()
	dialled, err := l.opts.Dial(ctx, "tcp", l.host.hostPort)
	if err != nil {
		return nil, err
	}
	conn := socket.NewPace(socket.Impatient(dialled, writeTimeout), gather)
	if !l.host.tls {
		return l.sieve(conn, conn), nil
	}
	config, err := l.tlsConfig()
	if err != nil {
		conn.Close()
		return nil, err
	}
	secure := tls.Client(conn, config)
	if err := secure.HandshakeContext(ctx); err != nil {
		conn.Close()
		return nil, err
	}
	return l.sieve(secure, conn), nil
}

// sieve takes the messages out of what comes on conn.
func (l *Link) sieve(conn net.Conn, pace *socket.Pace) net.Conn {
	return socket.NewSieve(conn, pace, l.opts.MaxPayload, newIntake(l))
}

func (l *Link) tlsConfig() (*tls.Config, error) {
	config := &tls.Config{ServerName: l.host.name, MinVersion: tls.VersionTLS12}
	if l.opts.CAFile == "" {
		return config, nil
	}
	pem, err := os.ReadFile(l.opts.CAFile)
	if err != nil {
		return nil, fmt.Errorf("certificates: %w", err)
	}
	config.RootCAs = x509.NewCertPool()
	if !config.RootCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("certificates: %s holds none", l.opts.CAFile)
	}
	return config, nil
}

// subscribe asks for all filters and returns those that the broker refused.
func (l *Link) subscribe(ctx context.Context, client paho.Client, lost <-chan error) (refused []string, err error) {
	for filters := l.table.filters; len(filters) > 0; {
		l.meter.Beat(collector.Keeper)
		n := min(len(filters), filtersAtOnce)
		some, err := l.subscribeTo(ctx, client, lost, filters[:n])
		if err != nil {
			return nil, err
		}
		refused = append(refused, some...)
		filters = filters[n:]
	}
	return refused, nil
}

func (l *Link) subscribeTo(ctx context.Context, client paho.Client, lost <-chan error, filters []string) (refused []string, err error) {
	ask := make(map[string]byte, len(filters))
	for _, f := range filters {
		ask[f] = l.opts.QoS
	}
	token := client.SubscribeMultiple(ask, nil)
	timeout := time.NewTimer(connectTimeout)
	defer timeout.Stop()
	select {
	case <-token.Done():
	case err := <-lost:
		return nil, fmt.Errorf("subscribe: %w", l.explainLoss(err, 0))
	case <-timeout.C:
		return nil, fmt.Errorf("subscribe: no answer in %v", connectTimeout)
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if err := token.Error(); err != nil {
		return nil, fmt.Errorf("subscribe: %w", err)
	}
	granted := token.(*paho.SubscribeToken).Result()
	for _, f := range filters {
		if code, ok := granted[f]; !ok || code&refusedCode != 0 {
			refused = append(refused, f)
		}
	}
	return refused, nil
}

// refusal puts refused filters into words, "" for none.
func refusal(filters []string) string {
	switch len(filters) {
	case 0:
		return ""
	case 1:
		return fmt.Sprintf("the broker refuses the subscription to %q", filters[0])
	}
	return fmt.Sprintf("the broker refuses %d subscriptions, first %q", len(filters), filters[0])
}

// explain says in words why a connection could not be made.
func (l *Link) explain(err error) error {
	// Brokers differ in which of the two codes a wrong password gets.
	refused := errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword) || errors.Is(err, packets.ErrorRefusedNotAuthorised)
	switch {
	case refused && l.opts.Username == "":
		return errors.New("the broker refuses a client without user name")
	case refused:
		return fmt.Errorf("the broker refuses user %q: wrong name or password, or not allowed", l.opts.Username)
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return fmt.Errorf("the broker refuses the client id %q", l.opts.ClientID)
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

// explainLoss says in words why a connection broke.
func (l *Link) explainLoss(err error, held time.Duration) error {
	switch {
	case errors.Is(err, io.EOF) && held < settled && l.opts.ClientID != "":
		return fmt.Errorf("the broker closed the connection after %v; perhaps another client has the id %q",
			held.Round(time.Millisecond), l.opts.ClientID)
	case errors.Is(err, io.EOF):
		return errors.New("the broker closed the connection")
	}
	return err
}
