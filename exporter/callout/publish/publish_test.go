package publish_test

import (
	"context"
	"errors"
	"io"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"roundsman/exporter/callout"
	"roundsman/exporter/callout/internal/calltest"
	"roundsman/exporter/callout/publish"
)

// script is a broker on pipes. Each connection takes its turn at behave.
type script struct {
	behave []string // for each connection: "", or where it goes wrong
	ended  chan struct{}
	opened int

	mu    sync.Mutex // guards heard
	heard []*packets.PublishPacket
}

func (s *script) note(p *packets.PublishPacket) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.heard = append(s.heard, p)
}

// all returns what was published so far.
func (s *script) all() []*packets.PublishPacket {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.heard)
}

func (s *script) dial(context.Context, string, string) (net.Conn, error) {
	way := ""
	if s.opened < len(s.behave) {
		way = s.behave[s.opened]
	}
	s.opened++
	if way == "unreachable" {
		return nil, errors.New("network is unreachable")
	}
	ours, theirs := net.Pipe()
	go s.serve(theirs, way)
	return ours, nil
}

func (s *script) serve(conn net.Conn, way string) {
	defer func() { conn.Close(); s.ended <- struct{}{} }()
	for {
		p, err := packets.ReadPacket(conn)
		if err != nil {
			return
		}
		switch p := p.(type) {
		case *packets.ConnectPacket:
			if way == "no greeting" {
				io.Copy(io.Discard, conn)
				return
			}
			packets.NewControlPacket(packets.Connack).Write(conn)
		case *packets.PublishPacket:
			s.note(p)
			switch way {
			case "cut":
				return
			case "silent":
				continue
			}
			ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
			ack.MessageID = p.MessageID
			ack.Write(conn)
		case *packets.PingreqPacket:
			packets.NewControlPacket(packets.Pingresp).Write(conn)
		}
	}
}

func TestNothingIsLostInSilence(t *testing.T) {
	const sent, temporary, perhaps = "sent", "temporary", "perhaps"
	for _, tt := range []struct {
		behave string
		class  string
		heard  int
		took   time.Duration
	}{
		{"", sent, 1, 0},
		{"unreachable", temporary, 0, 0},
		{"no greeting", temporary, 0, 10 * time.Second},
		{"cut", sent, 2, 0}, // once more over a new connection
		{"cut cut", perhaps, 2, 0},
		{"cut unreachable", perhaps, 1, 0},
		{"silent", perhaps, 1, 10 * time.Second},
	} {
		t.Run(tt.behave, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				behave := strings.Fields(tt.behave)
				if tt.behave == "no greeting" {
					behave = []string{tt.behave}
				}
				s := &script{behave: behave, ended: make(chan struct{}, 8)}
				c := channel(t, publish.Options{Broker: "tcp://broker", ClientID: "box", Topic: "a/{alarm}", Dial: s.dial})
				begin := time.Now()
				_, err := c.Send(t.Context(), calltest.Message(""))
				took := time.Since(begin)
				class := temporary
				switch {
				case err == nil:
					class = sent
				case errors.Is(err, callout.ErrPerhaps):
					class = perhaps
				case errors.Is(err, callout.ErrForGood):
					class = "for good"
				}
				if class != tt.class || took != tt.took || len(s.all()) != tt.heard {
					t.Errorf("%s after %v, %d publishes; want %s after %v, %d: %v", class, took, len(s.all()), tt.class, tt.took, tt.heard, err)
				}
				for _, p := range s.all() {
					if p.Qos != 1 || !p.Retain || p.TopicName != "a/air-low" {
						t.Errorf("QoS %d, retained %v, topic %s", p.Qos, p.Retain, p.TopicName)
					}
				}
				c.Close()
				for _, way := range behave {
					if way != "unreachable" {
						<-s.ended
					}
				}
			})
		})
	}
}

// A message that failed is forgotten by the client: the next goes alone.
func TestFailedMessageDoesNotComeBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &script{behave: []string{"silent"}, ended: make(chan struct{}, 8)}
		c := channel(t, publish.Options{Broker: "tcp://broker", ClientID: "box", Topic: "a/{alarm}", Dial: s.dial})
		first, second := calltest.Message(""), calltest.Message("")
		first.Alarm, second.Alarm = "first", "second"
		if _, err := c.Send(t.Context(), first); err == nil {
			t.Fatal("no error without acknowledgement")
		}
		if _, err := c.Send(t.Context(), second); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Hour) // the connection is held: pings keep it
		if _, err := c.Send(t.Context(), second); err != nil || s.opened != 2 {
			t.Errorf("after an hour: %v, %d connections", err, s.opened)
		}
		var topics []string
		for _, p := range s.all() {
			topics = append(topics, p.TopicName)
		}
		if got := strings.Join(topics, " "); got != "a/first a/second a/second" {
			t.Errorf("the broker heard %s", got)
		}
		c.Close()
		<-s.ended
		<-s.ended
	})
}

func TestTopics(t *testing.T) {
	m := calltest.Message("")
	m.Alarm, m.Site, m.Person = "fault:air/dew+#\x00{x}", "Ardenmoor Wash", ""
	for pattern, want := range map[string]string{
		"wash/{site}/{alarm}": "wash/Ardenmoor Wash/fault:air-dew----x-", "{person}/x": "-/x",
		"{priority}/{subject}": "high/alarm", "plain": "plain",
	} {
		if got, err := publish.Topic(pattern, m); err != nil || got != want {
			t.Errorf("%s: %q (%v), want %q", pattern, got, err, want)
		}
	}
	for pattern, want := range map[string]string{
		"a/{colour}": `topic "a/{colour}": unknown place {colour}`, "a/{alarm": `topic "a/{alarm": a brace without its partner`,
		"a/+": `topic "a/+": has a wildcard, which only subscriptions may`, "": `topic "": is empty`,
		"$SYS/x": `topic "$SYS/x": begins with $, which belongs to the broker`, "a\x00": `topic "a\x00": is not UTF-8 text`,
	} {
		if err := publish.CheckTopic(pattern); err == nil || err.Error() != want {
			t.Errorf("%q: %v, want %s", pattern, err, want)
		}
	}
	c := channel(t, publish.Options{Broker: "tcp://broker", ClientID: "box"})
	for _, to := range []string{"", "a/#"} {
		if _, err := c.Send(t.Context(), calltest.Message(to)); !errors.Is(err, callout.ErrForGood) {
			t.Errorf("topic %q: %v", to, err)
		}
	}
}

func TestOptionsRefused(t *testing.T) {
	for _, tt := range []struct {
		opts publish.Options
		want string
	}{
		{publish.Options{ClientID: "b"}, "mqtt: broker: not an address like tcp://host:1883"},
		{publish.Options{Broker: "http://b", ClientID: "b"}, `mqtt: broker: scheme "http" is neither tcp nor ssl`},
		{publish.Options{Broker: "tcp://box:s3cr3t@b", ClientID: "b"}, "mqtt: broker: more than scheme, host and port; the password comes from a file"},
		{publish.Options{Broker: "tcp://b"}, "mqtt: no client id"},
		{publish.Options{Broker: "tcp://b", ClientID: "b", Password: calltest.Secret("x")}, "mqtt: a password without user name"},
		{publish.Options{Broker: "ssl://b", ClientID: "b", CAFile: "missing.pem"}, "mqtt: certificates: stat missing.pem: no such file or directory"},
		{publish.Options{Broker: "tcp://b", ClientID: "b", Topic: "a/#"}, `mqtt: topic "a/#": has a wildcard, which only subscriptions may`},
	} {
		if _, err := publish.New(tt.opts); err == nil || err.Error() != tt.want {
			t.Errorf("got %v, want %s", err, tt.want)
		}
	}
}
