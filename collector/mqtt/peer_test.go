package mqtt_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"roundsman/collector"
	"roundsman/collector/mqtt"
	"roundsman/collector/outsidetest"
)

// mosquitto is a foreign broker on a free port of the loopback.
type mosquitto struct {
	t       *testing.T
	folder  string
	address string
	process *exec.Cmd
}

// startMosquitto starts a broker with the lines of configuration; FOLDER in them is its folder.
func startMosquitto(t *testing.T, files map[string]string, lines ...string) *mosquitto {
	t.Helper()
	outsidetest.Program(t, "mosquitto", "mosquitto")
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m := &mosquitto{t: t, folder: t.TempDir(), address: listener.Addr().String()}
	listener.Close()
	_, port, _ := net.SplitHostPort(m.address)
	config := "listener " + port + " 127.0.0.1\nuser root\n" + strings.ReplaceAll(strings.Join(lines, "\n"), "FOLDER", m.folder) + "\n"
	m.write("mosquitto.conf", config)
	for name, text := range files {
		m.write(name, text)
	}
	t.Cleanup(m.stop)
	return m
}

func (m *mosquitto) write(name, text string) {
	m.t.Helper()
	if err := os.WriteFile(filepath.Join(m.folder, name), []byte(text), 0o600); err != nil {
		m.t.Fatal(err)
	}
}

func (m *mosquitto) run(name string, arguments ...string) {
	m.t.Helper()
	if out, err := exec.Command(outsidetest.Program(m.t, name, "mosquitto"), arguments...).CombinedOutput(); err != nil {
		m.t.Fatalf("%s: %v: %s", name, err, out)
	}
}

// start starts the broker and waits until it takes connections.
func (m *mosquitto) start() {
	m.t.Helper()
	m.process = exec.Command(outsidetest.Program(m.t, "mosquitto", "mosquitto"), "-c", filepath.Join(m.folder, "mosquitto.conf"))
	if err := m.process.Start(); err != nil {
		m.t.Fatal(err)
	}
	eventually(m.t, "mosquitto to listen", func() bool {
		conn, err := net.Dial("tcp", m.address)
		if err == nil {
			conn.Close()
		}
		return err == nil
	})
}

func (m *mosquitto) stop() {
	if m.process != nil {
		m.process.Process.Kill()
		m.process.Wait()
		m.process = nil
	}
}

// client connects a plain client, for publishing.
func (m *mosquitto) client(user, password string) paho.Client {
	m.t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + m.address).SetUsername(user).SetPassword(password).
		SetProtocolVersion(4).SetAutoReconnect(false))
	if token := c.Connect(); token.Wait() && token.Error() != nil {
		m.t.Fatal(token.Error())
	}
	m.t.Cleanup(func() { c.Disconnect(0) })
	return c
}

func publish(t *testing.T, c paho.Client, topic, payload string, retain bool) {
	t.Helper()
	if token := c.Publish(topic, 1, retain, payload); token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
}

// eventually polls until something outside this process has happened.
func eventually(t *testing.T, what string, done func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for !done() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatalf("waited 30 s in vain for %s", what)
		}
	}
}

// startLink runs a link over the network until the test ends.
func (m *mosquitto) startLink(user, passwordFile string, points ...mqtt.Point) *running {
	m.t.Helper()
	network := &net.Dialer{}
	r := startOver(m.t, network.DialContext, mqtt.Options{
		Broker: "tcp://" + m.address, Username: user, PasswordFile: passwordFile,
	}, points...)
	m.t.Cleanup(r.stop)
	return r
}

func (r *running) awaits(t *testing.T, what string, id collector.PointID, fault collector.Fault, value float64) {
	t.Helper()
	eventually(t, what, func() bool {
		got := r.last(id)
		return got.Point == id && got.Fault == fault && (!got.Quality.Usable() || got.Value == value)
	})
}

func TestMosquittoWithPasswordFile(t *testing.T) {
	m := startMosquitto(t, map[string]string{"right": "secret\n", "wrong": "guess\n"}, "allow_anonymous false", "password_file FOLDER/passwords")
	m.run("mosquitto_passwd", "-b", "-c", filepath.Join(m.folder, "passwords"), "box", "secret")
	m.start()
	c := m.client("box", "secret")
	publish(t, c, "yard/kept", "9", true)
	stamp := time.Now().Add(-5 * time.Second).UTC().Truncate(time.Second)
	publish(t, c, "yard/fresh/status", stamped(stamp, 1.92), true)

	stranger := m.startLink("box", filepath.Join(m.folder, "wrong"), mqtt.Point{ID: 1, Topic: "yard/kept"})
	stranger.awaits(t, "the refusal", 1, collector.LinkLost, 0)
	stranger.wantReason(t, "wrong password", 1, `link down: the broker refuses user "box": wrong name or password, or not allowed`)
	stranger.stop()

	r := m.startLink("box", filepath.Join(m.folder, "right"),
		levelPoint(1, "yard/+/status", 2*time.Minute), mqtt.Point{ID: 2, Topic: "yard/kept"}, mqtt.Point{ID: 3, Topic: "yard/drum/+/mass"})
	r.awaits(t, "the retained level with a fresh stamp", 1, collector.NoFault, 1.92)
	if at := r.clock.Time(r.last(1).At); !at.Equal(stamp) {
		t.Errorf("measured at %v, want its stamp %v", at, stamp)
	}
	r.awaits(t, "the retained value of unknown age", 2, collector.Retained, 0)
	publish(t, c, "yard/drum/wax/mass", "38.4", false)
	r.awaits(t, "a live value", 3, collector.NoFault, 38.4)

	m.stop()
	r.awaits(t, "the link's own point to fall", 0, collector.NoFault, 0)
	r.awaits(t, "a point that never becomes stale", 3, collector.LinkLost, 0)
	m.start()
	r.awaits(t, "the link to come back", 0, collector.NoFault, 1)
	publish(t, m.client("box", "secret"), "yard/drum/wax/mass", "38.1", false)
	r.awaits(t, "a value after the restart", 3, collector.NoFault, 38.1)
}

// The broker's own access plug-in refuses a subscription; its plain access list
// does not, it only keeps the messages back.
func TestMosquittoRefusesASubscription(t *testing.T) {
	found, _ := filepath.Glob("/usr/lib/*/mosquitto_dynamic_security.so")
	if len(found) == 0 {
		outsidetest.Missing(t, "mosquitto_dynamic_security.so", "mosquitto")
	}
	m := startMosquitto(t, map[string]string{"right": "secret\n"},
		"allow_anonymous false", "plugin "+found[0], "plugin_opt_config_file FOLDER/access.json")
	access := filepath.Join(m.folder, "access.json")
	m.run("mosquitto_ctrl", "dynsec", "init", access, "box", "secret")
	text, err := os.ReadFile(access)
	if err != nil {
		t.Fatal(err)
	}
	var rules map[string]any
	if err := json.Unmarshal(text, &rules); err != nil {
		t.Fatal(err)
	}
	rules["defaultACLAccess"] = map[string]bool{"publishClientSend": true, "publishClientReceive": true, "subscribe": true, "unsubscribe": true}
	for _, role := range rules["roles"].([]any) {
		role.(map[string]any)["acls"] = []any{map[string]any{"acltype": "subscribePattern", "topic": "secret/#", "priority": 1, "allow": false}}
	}
	text, _ = json.Marshal(rules)
	m.write("access.json", string(text))
	m.start()
	r := m.startLink("box", filepath.Join(m.folder, "right"), mqtt.Point{ID: 1, Topic: "a"}, mqtt.Point{ID: 2, Topic: "secret/b"})
	r.awaits(t, "the refusal", 2, collector.Refused, 0)
	publish(t, m.client("box", "secret"), "a", "1.5", false)
	r.awaits(t, "the other point", 1, collector.NoFault, 1.5)
	if st := r.link.Status(); !st.Up || st.LastError != `the broker refuses the subscription to "secret/b"` {
		t.Errorf("status %v %q, want up with the refusal", st.Up, st.LastError)
	}
}

// Which topics a filter matches, said by another broker.
func TestMosquittoMatchesAlike(t *testing.T) {
	m := startMosquitto(t, nil, "allow_anonymous true")
	m.start()
	topics := map[string]bool{}
	for _, row := range topicRows {
		for _, topic := range append(row.yes, row.never...) {
			topics[topic] = true
		}
	}
	heard := make(map[string]map[string]bool)
	var mu sync.Mutex
	var done sync.WaitGroup
	for _, row := range topicRows {
		got := make(map[string]bool)
		heard[row.filter] = got
		done.Add(1)
		end := sync.OnceFunc(done.Done)
		c := m.client("", "")
		token := c.SubscribeMultiple(map[string]byte{row.filter: 1, "the/very/end/of it": 1}, func(_ paho.Client, msg paho.Message) {
			mu.Lock()
			defer mu.Unlock()
			if got[msg.Topic()] = true; msg.Topic() == "the/very/end/of it" {
				end()
			}
		})
		if token.Wait(); token.Error() != nil {
			t.Fatal(token.Error())
		}
	}
	c := m.client("", "")
	for topic := range topics {
		publish(t, c, topic, "x", false)
	}
	publish(t, c, "the/very/end/of it", "x", false)
	done.Wait()
	for filter, got := range heard {
		for topic := range topics {
			if ours := mqtt.Match(filter, topic); ours != got[topic] {
				t.Errorf("Match(%q, %q) = %v, mosquitto says %v", filter, topic, ours, got[topic])
			}
		}
	}
}

// Which filters are allowed, said by another broker: it closes the connection on the others.
func TestMosquittoRefusesTheSameFilters(t *testing.T) {
	m := startMosquitto(t, nil, "allow_anonymous true")
	m.start()
	for _, filter := range []string{
		"", "sport/tennis#", "sport/tennis/#/ranking", "sport+", "a/+b/c", "#/a", "a/\x00", "a/\xff", "++", "+#",
		"/", "//", "+", "#", "/#", "+/+/#", " ", "$SYS/#", "a", "a//b", "a/#",
	} {
		ours := mqtt.ValidFilter(filter) == nil
		if theirs := takes(t, m.address, filter); ours != theirs {
			t.Errorf("ValidFilter(%q) takes it: %v, mosquitto: %v", filter, ours, theirs)
		}
	}
}

// takes reports whether the broker acknowledges a subscription.
func takes(t *testing.T, address, filter string) bool {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(10 * time.Second))
	connect := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	connect.ProtocolName, connect.ProtocolVersion, connect.CleanSession = "MQTT", 4, true
	connect.ClientIdentifier = fmt.Sprintf("raw%x", filter)
	subscribe := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	subscribe.MessageID, subscribe.Topics, subscribe.Qoss = 1, []string{filter}, []byte{0}
	for _, p := range []packets.ControlPacket{connect, subscribe} {
		if err := p.Write(conn); err != nil {
			t.Fatal(err)
		}
	}
	for {
		p, err := packets.ReadPacket(conn)
		if err != nil {
			return false
		}
		if ack, ok := p.(*packets.SubackPacket); ok {
			return len(ack.ReturnCodes) == 1 && ack.ReturnCodes[0] < 0x80
		}
	}
}

// A value that may be ten minutes old is none while its broker is gone, and stands again as old as it is when that is back.
func TestMosquittoGoesAndComesBack(t *testing.T) {
	m := startMosquitto(t, nil, "allow_anonymous true", "persistence false")
	m.start()
	r := m.startLink("", "", mqtt.Point{ID: 1, Topic: "slow", StaleAfter: 10 * time.Minute}, mqtt.Point{ID: 2, Topic: "kept", StaleAfter: 10 * time.Minute, OnChange: true})
	r.awaits(t, "the link", 0, collector.NoFault, 1)
	c := m.client("", "")
	publish(t, c, "slow", "1.5", false)
	publish(t, c, "kept", "1", true)
	r.awaits(t, "a value", 1, collector.NoFault, 1.5)
	r.awaits(t, "a value", 2, collector.NoFault, 1)
	measured := r.last(1)
	m.stop()
	killed := r.clock.Now()
	r.awaits(t, "the loss", 1, collector.LinkLost, 0)
	r.awaits(t, "the loss", 2, collector.LinkLost, 0)
	if lost := r.last(1); lost.At.Sub(killed) > 5*time.Second || lost.Quality != collector.Bad {
		t.Errorf("%v %q %v after the broker was gone, want bad at once", lost.Quality, lost.Reason(), lost.At.Sub(killed))
	}
	m.start()
	r.awaits(t, "the value again", 1, collector.NoFault, 1.5)
	if again := r.last(1); again.At != measured.At {
		t.Errorf("measured %v later than it was", again.At.Sub(measured.At))
	}
	publish(t, m.client("", ""), "slow", "1.6", false)
	r.awaits(t, "a newer value", 1, collector.NoFault, 1.6)
}
