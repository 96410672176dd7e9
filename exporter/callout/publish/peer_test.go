package publish_test

import (
	"encoding/json"
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"roundsman/collector/outsidetest"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/internal/calltest"
	"roundsman/exporter/callout/publish"
)

// mosquitto is a foreign broker on a free port of the loopback.
type mosquitto struct {
	t            *testing.T
	folder, host string
	port         string
	process      *exec.Cmd
	sub          []string // arguments of mosquitto_sub
}

func newMosquitto(t *testing.T, lines ...string) *mosquitto {
	t.Helper()
	outsidetest.Program(t, "mosquitto", "mosquitto")
	outsidetest.Program(t, "mosquitto_sub", "mosquitto-clients")
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m := &mosquitto{t: t, folder: t.TempDir(), host: "127.0.0.1"}
	_, m.port, _ = net.SplitHostPort(listener.Addr().String())
	listener.Close()
	m.write("mosquitto.conf", "listener "+m.port+" 127.0.0.1\nuser root\npersistence true\npersistence_location FOLDER/\n"+strings.Join(lines, "\n")+"\n")
	t.Cleanup(m.stop)
	return m
}

func (m *mosquitto) write(name, text string) string {
	m.t.Helper()
	file := filepath.Join(m.folder, name)
	if err := os.WriteFile(file, []byte(strings.ReplaceAll(text, "FOLDER", m.folder)), 0o600); err != nil {
		m.t.Fatal(err)
	}
	return file
}

func (m *mosquitto) start() {
	m.t.Helper()
	m.process = exec.Command(outsidetest.Program(m.t, "mosquitto", "mosquitto"), "-c", filepath.Join(m.folder, "mosquitto.conf"))
	if err := m.process.Start(); err != nil {
		m.t.Fatal(err)
	}
	calltest.Eventually(m.t, "the broker", func() bool {
		conn, err := net.Dial("tcp", net.JoinHostPort(m.host, m.port))
		if err == nil {
			conn.Close()
		}
		return err == nil
	})
}

func (m *mosquitto) stop() {
	if m.process != nil {
		m.process.Process.Signal(os.Interrupt)
		m.process.Wait()
		m.process = nil
	}
}

// kept returns what the broker keeps under a filter, by topic, as mosquitto_sub sees it.
func (m *mosquitto) kept(filter string) map[string]publish.Payload {
	m.t.Helper()
	arguments := append([]string{"-h", m.host, "-p", m.port, "-t", filter, "-F", "%r %q %t %p", "-W", "1", "--retained-only"}, m.sub...)
	out, err := exec.Command(outsidetest.Program(m.t, "mosquitto_sub", "mosquitto-clients"), arguments...).Output()
	var exit *exec.ExitError
	if err != nil && (!errors.As(err, &exit) || exit.ExitCode() != 27) { // 27: the second is over
		m.t.Fatalf("mosquitto_sub: %v", err)
	}
	kept := make(map[string]publish.Payload)
	for line := range strings.Lines(string(out)) {
		words := strings.SplitN(strings.TrimSpace(line), " ", 4)
		var p publish.Payload
		if err := json.Unmarshal([]byte(words[3]), &p); err != nil || words[0] != "1" {
			m.t.Fatalf("line %q: %v", line, err)
		}
		kept[words[2]] = p
	}
	return kept
}

func (m *mosquitto) options() publish.Options {
	return publish.Options{Broker: "tcp://" + net.JoinHostPort(m.host, m.port), ClientID: "roundsman-callout", Topic: "wash/alarm/{alarm}"}
}

func channel(t *testing.T, o publish.Options) *publish.Channel {
	t.Helper()
	c, err := publish.New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func TestStateIsKept(t *testing.T) {
	m := newMosquitto(t, "allow_anonymous true")
	m.start()
	c := channel(t, m.options())
	send := func(change func(*callout.Message)) {
		t.Helper()
		msg := calltest.Message("")
		change(msg)
		if _, err := c.Send(t.Context(), msg); err != nil {
			t.Fatal(err)
		}
	}
	send(func(*callout.Message) {})
	send(func(msg *callout.Message) { msg.Alarm = "oil/hot" })
	send(func(msg *callout.Message) {
		msg.Alarm = "fault"
		msg.Created = msg.Created.Add(time.Minute)
		msg.Subject = callout.AboutReturn
	})
	// An alarm that got stuck is told after its own return to normal, but does not stand as the state.
	send(func(msg *callout.Message) { msg.Alarm = "fault"; msg.Try, msg.Late = 9, true })
	for _, s := range []callout.Subject{callout.AboutDrill, callout.AboutHeldBack, callout.AboutHeartbeat} {
		send(func(msg *callout.Message) { msg.Subject = s; msg.Created = msg.Created.Add(time.Hour) })
		send(func(msg *callout.Message) { msg.Subject, msg.Alarm = s, "" })
	}
	kept := m.kept("wash/#")
	if len(kept) != 3 {
		t.Errorf("the broker keeps %d topics: %v", len(kept), kept)
	}
	msg := calltest.Message("")
	got := kept["wash/alarm/air-low"]
	if got.Sent.IsZero() {
		t.Error("no time of sending")
	}
	got.Sent = time.Time{}
	want := publish.Payload{Key: msg.Key, Subject: "alarm", Site: msg.Site, Alarm: "air-low", Priority: "high", Person: msg.Person,
		Title: msg.Title, Text: msg.Text, Link: msg.Link, Number: 7, Created: msg.Created, Try: 1}
	if got != want {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
	if kept["wash/alarm/oil-hot"].Alarm != "oil/hot" || kept["wash/alarm/fault"].Subject != "return" {
		t.Errorf("kept %+v", kept)
	}
}

func TestBrokerRestart(t *testing.T) {
	m := newMosquitto(t, "allow_anonymous true")
	m.start()
	c := channel(t, m.options())
	send := func(alarm string) error {
		msg := calltest.Message("")
		msg.Alarm = alarm
		_, err := c.Send(t.Context(), msg)
		return err
	}
	if err := send("before"); err != nil {
		t.Fatal(err)
	}
	m.stop()
	err := send("meanwhile")
	if err == nil || errors.Is(err, callout.ErrForGood) || !strings.Contains(err.Error(), "connection refused") {
		t.Errorf("without a broker: %v, want temporary", err)
	}
	m.start()
	for i := range 3 {
		if err := send("after-" + strconv.Itoa(i)); err != nil {
			t.Errorf("after the restart: %v", err)
		}
	}
	m.stop()
	m.start() // the channel has not noticed that its connection is gone, or just has
	if err := send("at-once"); err != nil {
		t.Errorf("right after another restart: %v", err)
	}
	kept := m.kept("wash/#")
	if _, lost := kept["wash/alarm/meanwhile"]; lost {
		t.Error("a message that failed was sent later behind everybody's back")
	}
	for _, alarm := range []string{"before", "after-0", "after-1", "after-2", "at-once"} {
		if kept["wash/alarm/"+alarm].Alarm != alarm {
			t.Errorf("%s is not with the broker", alarm)
		}
	}
}

func TestPasswordAndTLS(t *testing.T) {
	certificate, file := calltest.Certificate(t, "127.0.0.1")
	m := newMosquitto(t, "allow_anonymous false", "password_file FOLDER/passwords", "certfile "+file, "keyfile "+calltest.KeyFile(t, certificate))
	out, err := exec.Command(outsidetest.Program(t, "mosquitto_passwd", "mosquitto"), "-b", "-c", filepath.Join(m.folder, "passwords"), "box", "right one").CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	m.start()
	m.sub = []string{"-u", "box", "-P", "right one", "--cafile", file}
	o := m.options()
	o.Broker, o.CAFile, o.Username = strings.Replace(o.Broker, "tcp:", "ssl:", 1), file, "box"
	o.Password = calltest.Secret("right one")
	if _, err := channel(t, o).Send(t.Context(), calltest.Message("")); err != nil {
		t.Fatal(err)
	}
	if kept := m.kept("#"); len(kept) != 1 {
		t.Errorf("the broker keeps %v", kept)
	}
	wrong := o
	wrong.Password = calltest.Secret("wr0ng")
	_, err = channel(t, wrong).Send(t.Context(), calltest.Message(""))
	calltest.Silent(t, err, "wr0ng")
	if !strings.Contains(err.Error(), `the broker refuses user "box"`) || errors.Is(err, callout.ErrForGood) {
		t.Errorf("got %v", err)
	}
	_, o.CAFile = calltest.Certificate(t, "127.0.0.1")
	if _, err := channel(t, o).Send(t.Context(), calltest.Message("")); err == nil || !strings.Contains(err.Error(), "unknown authority") {
		t.Errorf("another's certificate: %v", err)
	}
}
