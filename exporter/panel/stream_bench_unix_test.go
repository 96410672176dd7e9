//go:build unix

package panel_test

import (
	"bytes"
	"fmt"
	"net"
	"net/http/httptest"
	"sync"
	"syscall"
	"testing"
	"time"

	"roundsman/exporter"
	"roundsman/exporter/exportertest"
	"roundsman/exporter/panel"
)

// audience is a panel with so many open streams, each read by a client over a socket of its own.
type audience struct {
	board  *exporter.Board
	room   *exportertest.Room
	server *httptest.Server
	conns  []net.Conn
	n      int
}

func newAudience(b *testing.B, viewers int) *audience {
	b.Helper()
	room, clock := quiet()
	a := &audience{room: room, board: exporter.NewBoard(clock, room.View())}
	a.server = httptest.NewServer(panel.New(a.board, panel.Options{Throttle: time.Microsecond}).Handler())
	b.Cleanup(a.server.Close)
	for range viewers {
		conn, err := net.Dial("tcp", a.server.Listener.Addr().String())
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { conn.Close() })
		fmt.Fprintf(conn, "GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
		a.conns = append(a.conns, conn)
	}
	a.heard(b)
	return a
}

// heard returns when every client has the newest view.
func (a *audience) heard(b *testing.B) {
	want := fmt.Appendf(nil, `"round":%d,`, a.board.View().Round)
	var all sync.WaitGroup
	for _, conn := range a.conns {
		all.Go(func() {
			part := make([]byte, 64<<10)
			var text []byte
			for !bytes.Contains(text, want) {
				_ = conn.SetReadDeadline(time.Now().Add(10 * time.Second))
				n, err := conn.Read(part)
				if err != nil {
					b.Errorf("stream: %v", err)
					return
				}
				text = append(text, part[:n]...)
			}
		})
	}
	all.Wait()
}

// show publishes a view in which 48 of the readings moved.
func (a *audience) show(b *testing.B) {
	a.room.Pass(time.Second)
	a.n++
	for i, p := range a.room.View().Site.Points[:48] {
		a.room.Set(p.Name, float64((a.n+i)%2))
	}
	v := a.room.View()
	a.board.Publish(v)
	a.heard(b)
}

// processor returns the processor time that the process has used.
func processor() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkViewers prints what fifty open pages cost, clients on the same machine included: how much more than one page,
// and which share of a core at two views a second, the most that Options.Throttle lets through.
func BenchmarkViewers(b *testing.B) {
	one, fifty := newAudience(b, 1), newAudience(b, 50)
	var alone, crowd time.Duration
	views := 0
	for b.Loop() {
		t0 := processor()
		for range 20 {
			one.show(b)
		}
		t1 := processor()
		for range 20 {
			fifty.show(b)
		}
		alone, crowd = alone+t1-t0, crowd+processor()-t1
		views += 20
	}
	perSecond := float64(time.Second / (500 * time.Millisecond))
	b.ReportMetric(float64(crowd)/float64(alone), "fifty/one")
	b.ReportMetric(100*perSecond*crowd.Seconds()/float64(views), "%-of-a-core")
	b.ReportMetric(0, "ns/op")
}
