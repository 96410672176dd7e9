package mqtt

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"

	"roundsman/collector"
)

// Defaults of the options.
const (
	defaultMaxPayload = 64 << 10
	plainPort         = "1883"
	tlsPort           = "8883"
)

// quoted is how much is kept of a payload that is too long: enough to show what it is.
const quoted = 64

// address is a broker's address taken apart.
type address struct {
	name, hostPort string
	tls            bool
}

func withDefaults(o Options) Options {
	if o.KeepAlive <= 0 {
		o.KeepAlive = keepAlive
	}
	if o.MaxPayload <= 0 {
		o.MaxPayload = defaultMaxPayload
	}
	if o.Dial == nil {
		o.Dial = (&net.Dialer{}).DialContext
	}
	return o
}

// check checks all options and compiles the points.
func check(o Options, points []collector.Point) (address, *table, error) {
	host, err := parseBroker(o.Broker)
	errs := []error{err}
	if o.QoS > 2 {
		errs = append(errs, fmt.Errorf("quality of service %d: 0 to 2", o.QoS))
	}
	if o.Status != collector.NoPoint && !known(o.Status, points) {
		errs = append(errs, fmt.Errorf("status point %d is not in the list of %d", o.Status, len(points)))
	}
	t, err := newTable(o, points)
	errs = append(errs, err)
	if err := errors.Join(errs...); err != nil {
		return address{}, nil, fmt.Errorf("link %s: %w", o.Name, err)
	}
	return host, t, nil
}

func known(id collector.PointID, points []collector.Point) bool {
	return id >= 0 && int(id) < len(points)
}

// parseBroker takes a broker's address apart: 'tcp://host[:1883]' or 'ssl://host[:8883]'.
func parseBroker(broker string) (address, error) {
	u, err := url.Parse(broker)
	if err != nil {
		return address{}, fmt.Errorf("broker %q: %w", broker, err)
	}
	port := plainPort
	a := address{name: u.Hostname()}
	switch u.Scheme {
	case "tcp", "mqtt":
	case "ssl", "tls", "mqtts":
		a.tls, port = true, tlsPort
	default:
		return address{}, fmt.Errorf("broker %q: begins with neither tcp:// nor ssl://", broker)
	}
	switch {
	case a.name == "":
		return address{}, fmt.Errorf("broker %q: no host", broker)
	case u.User != nil:
		return address{}, fmt.Errorf("broker %q: user name and password have keys of their own", u.Redacted())
	case strings.Trim(u.Path, "/") != "" || u.RawQuery != "":
		return address{}, fmt.Errorf("broker %q: something follows the port", broker)
	}
	if u.Port() != "" {
		port = u.Port()
	}
	a.hostPort = net.JoinHostPort(a.name, port)
	return a, nil
}
