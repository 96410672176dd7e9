//go:build unix

package mqtt_test

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"slices"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"

	"roundsman/collector"
	"roundsman/collector/mqtt"
)

const (
	benchPayload = `{"ts":1764057600,"level":1.92,"battery":3.61}`
	benchChunk   = 500  // messages in one write
	benchWindow  = 4000 // messages under way at once; the broker drops what is more than 8,192 behind
	benchRound   = 20000
)

// BenchmarkLinkAgainstBareHandler sends the same messages over one broker to a
// bare client, whose handler parses the payload in place, and to a link, in
// turns, and prints the link's readings a second over the handler's.
func BenchmarkLinkAgainstBareHandler(b *testing.B) {
	server := benchBroker(b)
	publisher := benchPublisher(b, server)
	bare, linked := make(chan int, 1024), make(chan int, 1024)
	benchBare(b, server, bare)
	benchLink(b, server, linked)
	warm := func() { publisher.round(b, "bench/bare", bare); publisher.round(b, "bench/link", linked) }
	warm()
	var ratios []float64
	var bareTime, linkTime, bareWork, linkWork time.Duration
	for b.Loop() {
		worked0, before := worked(b), time.Now()
		publisher.round(b, "bench/bare", bare)
		worked1, middle := worked(b), time.Now()
		publisher.round(b, "bench/link", linked)
		worked2, after := worked(b), time.Now()
		bareWork, linkWork = bareWork+worked1-worked0, linkWork+worked2-worked1
		bareTime, linkTime = bareTime+middle.Sub(before), linkTime+after.Sub(middle)
		ratios = append(ratios, float64(middle.Sub(before))/float64(after.Sub(middle)))
	}
	slices.Sort(ratios)
	rounds := float64(b.N * benchRound)
	b.ReportMetric(float64(bareTime)/float64(linkTime), "link/bare")
	b.ReportMetric(ratios[len(ratios)/2], "median-link/bare")
	b.ReportMetric(float64(linkWork)/float64(bareWork), "link/bare-processor-time")
	b.ReportMetric(rounds/linkTime.Seconds(), "link-readings/s")
	b.ReportMetric(rounds/bareTime.Seconds(), "bare-readings/s")
}

// worked returns the processor time that the process, broker and all, has used.
func worked(b *testing.B) time.Duration {
	var use syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &use); err != nil {
		b.Fatal(err)
	}
	return time.Duration(use.Utime.Nano() + use.Stime.Nano())
}

func benchBroker(b *testing.B) string {
	server := broker.New(&broker.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(&guard{}, nil); err != nil {
		b.Fatal(err)
	}
	tcp := listeners.NewTCP(listeners.Config{ID: "bench", Address: "127.0.0.1:0"})
	if err := server.AddListener(tcp); err != nil {
		b.Fatal(err)
	}
	if err := server.Serve(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { server.Close() })
	return tcp.Address()
}

// benchWriter publishes packets that are ready to be sent.
type benchWriter struct{ conn net.Conn }

func benchPublisher(b *testing.B, server string) *benchWriter {
	conn, err := net.Dial("tcp", server)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { conn.Close() })
	connect := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	connect.ProtocolName, connect.ProtocolVersion, connect.CleanSession, connect.ClientIdentifier = "MQTT", 4, true, "publisher"
	if err := connect.Write(conn); err != nil {
		b.Fatal(err)
	}
	if _, err := packets.ReadPacket(conn); err != nil {
		b.Fatal(err)
	}
	return &benchWriter{conn}
}

// round sends a round's messages, never more than a window ahead of what has come through.
func (w *benchWriter) round(b *testing.B, topic string, received <-chan int) {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Payload = topic, []byte(benchPayload)
	var one bytes.Buffer
	if err := p.Write(&one); err != nil {
		b.Fatal(err)
	}
	chunk := bytes.Repeat(one.Bytes(), benchChunk)
	got := 0
	for sent := benchChunk; sent <= benchRound; sent += benchChunk {
		if _, err := w.conn.Write(chunk); err != nil {
			b.Fatal(err)
		}
		for got < sent-benchWindow {
			got += <-received
		}
	}
	for got < benchRound {
		got += <-received
	}
}

func benchBare(b *testing.B, server string, received chan<- int) {
	n := 0
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + server).SetClientID("bare").SetProtocolVersion(4).
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
			if v, ok := levelInPlace(m.Payload()); !ok || v != 1.92 {
				b.Errorf("read %v, want 1.92", v)
			}
			if n++; n%100 == 0 {
				received <- 100
			}
		}))
	if token := c.Connect(); token.Wait() && token.Error() != nil {
		b.Fatal(token.Error())
	}
	if token := c.Subscribe("bench/bare", 0, nil); token.Wait() && token.Error() != nil {
		b.Fatal(token.Error())
	}
	b.Cleanup(func() { c.Disconnect(10) })
}

// levelInPlace is the least that finds the number: it trusts the payload.
func levelInPlace(payload []byte) (float64, bool) {
	key := []byte(`"level":`)
	at := bytes.Index(payload, key)
	if at < 0 {
		return 0, false
	}
	rest := payload[at+len(key):]
	end := bytes.IndexAny(rest, ",}")
	if end < 0 {
		return 0, false
	}
	v, err := strconv.ParseFloat(string(rest[:end]), 64)
	return v, err == nil
}

func benchLink(b *testing.B, server string, received chan<- int) {
	points := site()
	l, err := mqtt.New(mqtt.Options{
		Name: "bench", Broker: "tcp://" + server, ClientID: "link", Status: 0,
		Points: []mqtt.Point{{ID: 1, Topic: "bench/link", Value: "/level", StaleAfter: time.Minute}},
	}, points, collector.NewClock())
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	out := make(chan collector.Batch, 16)
	up := make(chan struct{})
	var work sync.WaitGroup
	work.Go(func() {
		if err := l.Run(ctx, out); err != nil {
			b.Errorf("Run: %v", err)
		}
		close(out)
	})
	work.Go(func() {
		told := sync.OnceFunc(func() { close(up) })
		for batch := range out {
			told()
			n := 0
			for _, r := range batch.Readings {
				if r.Point == 1 && r.Value == 1.92 {
					n++
				}
			}
			received <- n
		}
	})
	<-up
	b.Cleanup(func() { cancel(); work.Wait() })
}
