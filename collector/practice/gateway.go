package practice

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"strconv"
	"sync"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"golang.org/x/sync/errgroup"

	"roundsman/collector/practice/model"
)

// Topics of the yard.
const (
	gatewayTopic = "yard/gateway/state"
	tankEvery    = 30 * time.Second
	drumEvery    = 5 * time.Minute
	leastEvery   = time.Second // whatever the speed
	keepAlive    = 10 * time.Second
)

// yardPoint is a point that the gateway publishes.
type yardPoint struct {
	point string
	value func(*model.State) float64
}

func yardPoints() []yardPoint {
	return []yardPoint{
		{"fresh.tank.level", func(s *model.State) float64 { return s.Water.Fresh }},
		{"fresh.tank.battery", func(s *model.State) float64 { return s.Water.FreshBattery }},
		{"ro.tank.level", func(s *model.State) float64 { return s.Water.Spot }},
		{"ro.tank.battery", func(s *model.State) float64 { return s.Water.SpotBattery }},
		{"drum.detergent.mass", func(s *model.State) float64 { return s.Water.Detergent }},
		{"drum.wax.mass", func(s *model.State) float64 { return s.Water.Wax }},
		{"drum.presoak.mass", func(s *model.State) float64 { return s.Water.Presoak }},
	}
}

type message struct {
	topic, payload string
	qos            byte
}

// yard returns what the sensors say now: tanks, and drums too where asked. The
// time stamp is the real time, since it is the receiver's clock that judges it.
func (p *Plant) yard(now time.Time, drums bool) []message {
	p.mu.Lock()
	defer p.mu.Unlock()
	s := p.model.State()
	tank := func(name string, level, battery float64) message {
		level = max(level+0.002*p.noise.NormFloat64(), 0)
		return message{topic: "yard/" + name + "/status", payload: fmt.Sprintf(
			`{"level":%.3f,"battery":%.2f,"ts":%q}`, level, battery, now.UTC().Format("2006-01-02T15:04:05.000Z07:00"))}
	}
	drum := func(name string, kg float64, unit string) message {
		return message{topic: "yard/drum/" + name + "/mass", payload: strconv.FormatFloat(max(kg, 0), 'f', 1, 64) + unit}
	}
	out := []message{
		tank("fresh", s.Water.Fresh, s.Water.FreshBattery),
		tank("ro", s.Water.Spot, s.Water.SpotBattery),
	}
	if drums {
		out = append(out, drum("detergent", s.Water.Detergent, ""), drum("wax", s.Water.Wax, ""), drum("presoak", s.Water.Presoak, " kg"))
	}
	return out
}

// gateway publishes the yard's sensors as an ordinary MQTT 3.1.1 client with a
// will. It connects again by itself, once a second.
type gateway struct {
	address    string
	tank, drum time.Duration // how often
	read       func(now time.Time, drums bool) []message

	mu   sync.Mutex // guards all below
	off  bool
	conn net.Conn
}

func newGateway(address string, speed float64, read func(time.Time, bool) []message) *gateway {
	every := func(d time.Duration) time.Duration {
		return max(time.Duration(float64(d)/speed), leastEvery)
	}
	return &gateway{address: address, tank: every(tankEvery), drum: every(drumEvery), read: read}
}

// setPower cuts the connection without a farewell, or lets the gateway connect again.
func (g *gateway) setPower(on bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.off = !on
	if g.off && g.conn != nil {
		_ = g.conn.Close()
	}
}

// take notes the connection in use, nil for none; it is refused while the power is off.
func (g *gateway) take(c net.Conn) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.conn = c
	return !g.off
}

func (g *gateway) run(ctx context.Context) error {
	retry := time.NewTicker(leastEvery)
	defer retry.Stop()
	for {
		if g.take(nil) {
			g.once(ctx)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-retry.C:
		}
	}
}

// once connects and stays connected as long as that lasts.
func (g *gateway) once(ctx context.Context) {
	var d net.Dialer
	c, err := d.DialContext(ctx, "tcp", g.address)
	if err != nil {
		return // the broker is down; the next try will tell
	}
	defer c.Close()
	if g.take(c) {
		_ = g.session(ctx, c) // ends with its connection
	}
}

// session publishes over one connection until that or ctx ends.
func (g *gateway) session(ctx context.Context, c net.Conn) error {
	if err := connect(c); err != nil {
		return err
	}
	group, inner := errgroup.WithContext(ctx)
	group.Go(func() error {
		_, err := io.Copy(io.Discard, c) // acknowledgements
		if err == nil {
			err = io.EOF
		}
		return err
	})
	group.Go(func() error {
		defer c.Close() // ends the reading above
		return g.publishing(inner, c)
	})
	return group.Wait()
}

func (g *gateway) publishing(ctx context.Context, c net.Conn) error {
	if err := publish(c, message{gatewayTopic, "online", 1}); err != nil {
		return err
	}
	tick := time.NewTicker(leastEvery)
	defer tick.Stop()
	var tank, drum, ping time.Time // when last
	began, repeats := time.Now(), repeatAfter
	for now := began; ; {
		if len(repeats) > 0 && now.Sub(began) >= repeats[0] {
			tank, drum, repeats = time.Time{}, time.Time{}, repeats[1:]
		}
		if now.Sub(tank) >= g.tank-leastEvery/2 {
			tank = now
			drums := now.Sub(drum) >= g.drum-leastEvery/2
			if drums {
				drum = now
			}
			if err := publish(c, g.read(now, drums)...); err != nil {
				return err
			}
		}
		if now.Sub(ping) >= keepAlive/2 {
			ping = now
			if err := send(c, packets.Pingreq, (*packets.Packet).PingreqEncode, packets.Packet{}); err != nil {
				return err
			}
		}
		select {
		case <-ctx.Done():
			return farewell(c)
		case now = <-tick.C:
		}
	}
}

// repeatAfter is when all sensors are sent again after a connection: who subscribes a moment later than the gateway
// connects has only retained messages of unknown age, and would wait minutes for a drum.
var repeatAfter = []time.Duration{5 * time.Second, 20 * time.Second}

// farewell says offline by itself: a will is for those who cannot.
func farewell(c net.Conn) error {
	if err := publish(c, message{gatewayTopic, "offline", 1}); err != nil {
		return err
	}
	return send(c, packets.Disconnect, (*packets.Packet).DisconnectEncode, packets.Packet{})
}

const writeTimeout = 2 * time.Second

// connect introduces the gateway and waits for the broker's yes.
func connect(c net.Conn) error {
	err := send(c, packets.Connect, (*packets.Packet).ConnectEncode, packets.Packet{
		Connect: packets.ConnectParams{
			ProtocolName: []byte("MQTT"), Clean: true, Keepalive: uint16(keepAlive / time.Second), ClientIdentifier: "yard-gateway",
			WillFlag: true, WillTopic: gatewayTopic, WillPayload: []byte("offline"), WillQos: 1, WillRetain: true,
		},
	})
	if err != nil {
		return err
	}
	var answer [4]byte // CONNACK, MQTT 3.1.1 section 3.2
	_ = c.SetReadDeadline(time.Now().Add(writeTimeout))
	if _, err := io.ReadFull(c, answer[:]); err != nil {
		return err
	}
	_ = c.SetReadDeadline(time.Time{})
	if answer[0] != packets.Connack<<4 || answer[3] != 0 {
		return fmt.Errorf("broker refused the gateway: % X", answer)
	}
	return nil
}

// publish sends retained messages.
func publish(c net.Conn, messages ...message) error {
	for i, m := range messages {
		err := send(c, packets.Publish, (*packets.Packet).PublishEncode, packets.Packet{
			FixedHeader: packets.FixedHeader{Qos: m.qos, Retain: true},
			TopicName:   m.topic, Payload: []byte(m.payload), PacketID: uint16(i + 1),
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func send(c net.Conn, kind byte, encode func(*packets.Packet, *bytes.Buffer) error, pk packets.Packet) error {
	pk.FixedHeader.Type = kind
	pk.ProtocolVersion = 4
	var b bytes.Buffer
	if err := encode(&pk, &b); err != nil {
		return err
	}
	_ = c.SetWriteDeadline(time.Now().Add(writeTimeout))
	_, err := c.Write(b.Bytes())
	return err
}
