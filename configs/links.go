package configs

import (
	"cmp"
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/mqtt"
	"roundsman/configs/strict"
)

// link is a link while the site is being built; one of modbus and mqtt is set.
type link struct {
	v      *strict.Value
	name   string
	modbus *modbus.Options
	mqtt   *mqtt.Options
	units  map[uint8]bool // unit ids of its points
	online *mqtt.Online   // of all its points that name none
	marker *strict.Value  // the short form, where the link has one unit
}

var (
	modbusKeys = []string{"timeout", "retries", "gap", "units", "marker"}
	serialKeys = []string{"baud", "parity", "stop-bits", "rs485"}
	brokerKeys = []string{"client-id", "username", "password-file", "ca-file", "keep-alive", "qos", "max-payload", "online"}
)

func (b *builder) readLinks(links *strict.Value) {
	for _, v := range links.Entries() {
		if !goodName(v) {
			continue
		}
		l := &link{v: v, name: v.Key(), units: map[uint8]bool{}}
		switch {
		case v.Has("modbus") && v.Has("mqtt"):
			v.KeyFailf("modbus and mqtt: a link is one of them")
		case v.Has("modbus"):
			b.readModbus(l)
		case v.Has("mqtt"):
			b.readBroker(l)
		default:
			v.Missing("modbus or mqtt is missing: where does the link go?")
		}
		b.links[l.name] = l
		b.linkNames = append(b.linkNames, l.name)
	}
	b.oneOwner()
}

func misplaced(v *strict.Value, why string, keys ...string) {
	for _, k := range keys {
		if c := v.Get(k); c != nil {
			c.KeyFailf("%s", why)
		}
	}
}

func (b *builder) readModbus(l *link) {
	v := l.v
	misplaced(v, "belongs to an mqtt link", brokerKeys...)
	o := &modbus.Options{Name: l.name, Status: collector.NoPoint, Units: map[uint8]modbus.Unit{}}
	l.modbus = o
	b.modbusAddress(o, v.Get("modbus"))
	if o.Transport == modbus.RTU {
		b.serial(o, v)
	} else {
		misplaced(v, "belongs to a serial line (rtu:///DEVICE)", serialKeys...)
	}
	o.Timeout = b.positive(v.Get("timeout"), defaultTimeout(o.Transport))
	doubtTimeout(v.Get("timeout"), o.Timeout)
	if o.Retries = v.Get("retries").Int(2); o.Retries == 0 {
		o.Retries = -1 // 0 would ask package modbus for its own choice
	}
	o.Gap = b.duration(v.Get("gap"), 0)
	for _, u := range v.Get("units").Entries() {
		b.readUnit(o, u)
	}
	l.marker = v.Get("marker")
}

// LongestTimeout of a link goes with the service manager's watchdog. Between two signs of life a link may wait for one
// time-out to open the line, or for late answers, and for another of an exchange; half of the unit's WatchdogSec, 90 s, is
// the most that the daemon takes for alive.
const LongestTimeout = 20 * time.Second

// doubtTimeout warns of a link that waits so patiently that it looks stuck.
func doubtTimeout(v *strict.Value, d time.Duration) {
	if v != nil && d > LongestTimeout {
		v.Warnf("%s: a link that waits so long looks stuck: the service manager ends the daemon when a link shows no sign of life "+
			"for 45s (half of WatchdogSec=90s in its unit), and opening the line and one exchange may take twice this time; at most %v", short(v.Text()), LongestTimeout)
	}
}

func defaultTimeout(t modbus.Transport) time.Duration {
	if t == modbus.TCP {
		return time.Second
	}
	return 300 * time.Millisecond
}

const modbusForms = "expected tcp://HOST:PORT, rtu:///DEVICE or rtu+tcp://HOST:PORT"

func (b *builder) modbusAddress(o *modbus.Options, v *strict.Value) {
	if v == nil {
		return
	}
	scheme, _, _ := strings.Cut(v.Text(), "://")
	if !slices.Contains([]string{"tcp", "rtu", "rtu+tcp"}, scheme) {
		v.Failf("%q is no kind of Modbus link%s; %s", short(scheme), v.Guess(scheme, "tcp", "rtu", "rtu+tcp"), modbusForms)
		return
	}
	transport, address, err := modbus.ParseURL(v.Text())
	if err != nil {
		v.Failf("%v", err)
		return
	}
	o.Transport, o.Address = transport, address
}

// hostPort returns host:port of an address, with the port that stands for none.
func hostPort(v *strict.Value, u *url.URL, port, forms string) string {
	if u.Hostname() == "" || u.Path != "" && u.Path != "/" || u.User != nil || u.RawQuery != "" || u.Fragment != "" || !goodPort(cmp.Or(u.Port(), port)) {
		v.Failf("%q is no address; %s", short(v.Text()), forms)
		return ""
	}
	return net.JoinHostPort(u.Hostname(), cmp.Or(u.Port(), port))
}

func (b *builder) serial(o *modbus.Options, v *strict.Value) {
	o.Baud = v.Get("baud").Int(19200)
	o.Parity = 'E'
	if p := v.Get("parity"); p != nil {
		o.Parity = map[string]byte{"even": 'E', "odd": 'O', "none": 'N'}[p.Text()]
	}
	o.StopBits = v.Get("stop-bits").Int(1)
	o.RS485 = v.Get("rs485").Bool()
}

func (b *builder) readUnit(o *modbus.Options, v *strict.Value) {
	id, err := strconv.ParseUint(v.Key(), 10, 8)
	if err != nil {
		v.KeyFailf("%q is no unit id; expected 0 to 255", short(v.Key()))
		return
	}
	u := o.Units[uint8(id)]
	u.Status = collector.NoPoint
	u.MaxRegisters = v.Get("max-registers").Int(0)
	u.MaxBits = v.Get("max-bits").Int(0)
	u.Turnaround = b.duration(v.Get("turnaround"), 0)
	for _, f := range v.Get("forbidden").Entries() {
		if s, ok := span(f); ok {
			u.Forbidden = append(u.Forbidden, s)
		}
	}
	u.Marker = b.readMarker(v.Get("marker"))
	o.Units[uint8(id)] = u
}

func (b *builder) readMarker(v *strict.Value) *modbus.Marker {
	if v == nil {
		return nil
	}
	h, i := v.Get("holding"), v.Get("input")
	m := &modbus.Marker{Table: modbus.HoldingRegisters, Equals: uint16(v.Get("equals").Int(0))}
	switch {
	case v.Has("holding") == v.Has("input"):
		v.KeyFailf("expected holding or input, one of them")
		return nil
	case h != nil:
		m.Start = uint16(h.Int(0))
	default:
		m.Table, m.Start = modbus.InputRegisters, uint16(i.Int(0))
	}
	return m
}

// span reads 'holding 20-29' or 'coil 7'.
func span(v *strict.Value) (modbus.Span, bool) {
	table, rest, _ := strings.Cut(strings.TrimSpace(v.Text()), " ")
	t, known := tables[table]
	first, last, two := strings.Cut(strings.TrimSpace(rest), "-")
	if !two {
		last = first
	}
	a, err1 := strconv.ParseUint(strings.TrimSpace(first), 10, 16)
	z, err2 := strconv.ParseUint(strings.TrimSpace(last), 10, 16)
	switch {
	case !known:
		v.Failf("unknown table %q%s; expected a stretch such as 'holding 20-29'", short(table), v.Guess(table, tableWords...))
	case err1 != nil || err2 != nil:
		v.Failf("%q is no stretch of addresses; expected one such as 'holding 20-29'", short(v.Text()))
	case z < a:
		v.Failf("%q ends before it begins", short(v.Text()))
	default:
		return modbus.Span{Table: t, First: uint16(a), Last: uint16(z)}, true
	}
	return modbus.Span{}, false
}

const brokerForms = "expected tcp://HOST:PORT or ssl://HOST:PORT"

func (b *builder) readBroker(l *link) {
	v := l.v
	misplaced(v, "belongs to a modbus link", modbusKeys...)
	misplaced(v, "belongs to a serial line (rtu:///DEVICE)", serialKeys...)
	o := &mqtt.Options{Name: l.name, Status: collector.NoPoint}
	l.mqtt = o
	o.Broker = b.brokerAddress(v.Get("mqtt"))
	o.ClientID = cmp.Or(v.Get("client-id").Text(), "roundsman")
	o.Username = v.Get("username").Text()
	if f := v.Get("password-file"); f != nil {
		o.PasswordFile, o.Password = b.secrets.path(f.Text()), b.secrets.reader(f)
	}
	o.CAFile = v.Get("ca-file").Text()
	o.KeepAlive = b.positive(v.Get("keep-alive"), 10*time.Second)
	o.QoS = byte(v.Get("qos").Int(1))
	o.MaxPayload = v.Get("max-payload").Int(64 << 10)
	if o.Username == "" && o.PasswordFile != "" {
		v.Get("password-file").KeyFailf("goes with a username")
	}
	l.online = online(v.Get("online"))
	b.plainPassword(l)
}

func (b *builder) brokerAddress(v *strict.Value) string {
	if v == nil {
		return ""
	}
	u, err := url.Parse(v.Text())
	if err != nil {
		v.Failf("%q is no address; %s", short(v.Text()), brokerForms)
		return ""
	}
	port := map[string]string{"tcp": "1883", "ssl": "8883"}[u.Scheme]
	if port == "" {
		v.Failf("%q is no kind of broker address%s; %s", short(u.Scheme), v.Guess(u.Scheme, "tcp", "ssl"), brokerForms)
		return ""
	}
	hp := hostPort(v, u, port, brokerForms)
	if hp == "" {
		return ""
	}
	return u.Scheme + "://" + hp
}

// plainPassword remarks on a password that crosses a network in plain text.
func (b *builder) plainPassword(l *link) {
	b.plainSecret(l.v.Get("mqtt"), l.mqtt.Broker, l.mqtt.PasswordFile != "")
}

// oneOwner complains about two links on one serial line, and on one client id at one broker.
func (b *builder) oneOwner() {
	device, client := map[string]string{}, map[string]string{}
	for _, name := range b.linkNames {
		l := b.links[name]
		switch {
		case l.modbus != nil && l.modbus.Transport == modbus.RTU && l.modbus.Address != "":
			if other := device[l.modbus.Address]; other != "" {
				l.v.Get("modbus").Failf("the line %s already belongs to link %s; one link owns a line, its units are told apart by unit-id", l.modbus.Address, other)
			}
			device[l.modbus.Address] = name
		case l.mqtt != nil && l.mqtt.Broker != "":
			k := l.mqtt.Broker + " " + l.mqtt.ClientID
			if other := client[k]; other != "" {
				l.v.KeyFailf("link %s has the same client-id at the same broker; they would throw each other out", other)
			}
			client[k] = name
		}
	}
}
